"""What stands in results: made by make_documents.py, not to be changed by hand."""

from __future__ import annotations

from typing import TYPE_CHECKING, Any, ClassVar, Literal

from ._record import Interval, Record

if TYPE_CHECKING:
    import numpy as np
    from numpy.typing import NDArray

__all__ = [
    "ArmsResult",
    "Bound",
    "Components",
    "Conclusion",
    "Convergence",
    "ConvergenceFrame",
    "ConvergenceSurface",
    "Count",
    "CriteriaUsed",
    "Criterion",
    "CutPoints",
    "CwEnvelope",
    "Evidence",
    "Finding",
    "FrameResult",
    "Given",
    "Grades",
    "Grading",
    "Hemisphere",
    "IntervalPart",
    "JetResult",
    "ObserverChange",
    "Placement",
    "PlaneKnown",
    "Probability",
    "ProfilePoint",
    "Quantitation",
    "Reading",
    "ResultsDocument",
    "Shape",
    "SingleWidth",
    "Source",
    "Step",
    "Stitch",
    "Systole",
    "Tool",
    "Total",
    "Trust",
    "Verdict2",
    "Widths",
]


class ArmsResult(Record):
    """What each way to the effective area says of a jet at its peak

    Attributes
    ----------
    agree : bool | None
        Whether both agree within their intervals; None where there is one
    network_half : float
        Half-width of the network's 95 % interval in the logarithm of the area
    network_mm2 : float | None
        By the network on a patch about the plane, mm2; None where the volume lacks what it needs
    orifice_logit : float
        Logit of the probability that there is a vena contracta at all
    outline_mm2 : float
        By the traced outline, unblurred and its mixing layer taken off, mm2
    """

    agree: bool | None
    network_half: float
    network_mm2: float | None
    orifice_logit: float
    outline_mm2: float


class Bound(Record):
    """One cut point; exactly one relation is given

    Attributes
    ----------
    above : float | None
        More than this
    at_most : float | None
        This or less
    below : float | None
        Less than this
    from_ : float | None
        This or more
    """

    above: float | None
    at_most: float | None
    below: float | None
    from_: float | None


class Components(Record):
    """What of a complete jet was seen

    Attributes
    ----------
    contraction : Literal["found", "missing"]
        A minimum of area between wider cross-sections
    convergence : Literal["found", "missing"]
        Flow convergence upstream of the vena contracta
    expansion : Literal["found", "missing"]
        The jet widening downstream
    """

    contraction: Literal["found", "missing"]
    convergence: Literal["found", "missing"]
    expansion: Literal["found", "missing"]


class Conclusion(Record):
    """What follows from the evidence

    Attributes
    ----------
    missing : list[str]
        What is not known and would count, the most telling first
    next : list[str]
        What to do next, a sentence each
    open : tuple[Literal["mild", "moderate", "severe"], Literal["mild", "moderate", "severe"]] | None
        The lowest and highest class with a probability of more than a tenth; None where there is none
    outcome : Literal["mild", "moderate", "severe", "not_severe", "not_enough", "indeterminate"]
        How it ends
    probability : Probability | None
        How probable each class is, all evidence together; None where it says nothing
    sentence : str
        In a sentence
    settles : str | None
        The single measurement that would tell most; None where the grade is sure or none is left
    why : str
        Why, in a few words
    """

    _kinds: ClassVar[dict[str, tuple[str, str]]] = {
        "open": ("tuple", ""),
        "probability": ("record", "Probability"),
    }

    missing: list[str]
    next: list[str]
    open: tuple[Literal["mild", "moderate", "severe"], Literal["mild", "moderate", "severe"]] | None
    outcome: Literal["mild", "moderate", "severe", "not_severe", "not_enough", "indeterminate"]
    probability: Probability | None
    sentence: str
    settles: str | None
    why: str


class Convergence(Record):
    """The flow convergence upstream of a vena contracta, in the frame of the largest flow through it

    Attributes
    ----------
    agreement_percent : float | None
        Agreement of the displayed phases with those that the flow explains, mean cosine of their
        difference, percent
    alias_m_s : float | None
        Velocity at which the display wraps in the direction of the jet, m/s
    centre_mm : NDArray[np.float64] | None, shape (3,)
        Centre of the opening, mm
    eroa_mm2 : Interval | None
        Flow over the peak velocity of continuous-wave Doppler; None without either
    flow_ml_s : Interval | None
        Flow through the surfaces of equal speed, ml/s; None where not measured
    frame : int | None
        The frame of the largest flow, to which all else here belongs; None where not measured
    frames : tuple[ConvergenceFrame, ...]
        The flow in every frame in which it was measured
    hemisphere : Hemisphere | None
        What the hemispheric formula says at the alias velocity
    reason : str | None
        Why it was not measured (in the frame of the largest area); None where it was
    spread_percent : float | None
        Standard deviation of the flow over the surfaces that count, percent of their mean
    surfaces : tuple[ConvergenceSurface, ...]
        The surfaces of equal speed, slowest first
    upstream_mm : float | None
        How far the opening lies upstream of the vena contracta, mm
    """

    _kinds: ClassVar[dict[str, tuple[str, str]]] = {
        "centre_mm": ("array", ""),
        "eroa_mm2": ("interval", ""),
        "flow_ml_s": ("interval", ""),
        "frames": ("records", "ConvergenceFrame"),
        "hemisphere": ("record", "Hemisphere"),
        "surfaces": ("records", "ConvergenceSurface"),
    }

    agreement_percent: float | None
    alias_m_s: float | None
    centre_mm: NDArray[np.float64] | None
    eroa_mm2: Interval | None
    flow_ml_s: Interval | None
    frame: int | None
    frames: tuple[ConvergenceFrame, ...]
    hemisphere: Hemisphere | None
    reason: str | None
    spread_percent: float | None
    surfaces: tuple[ConvergenceSurface, ...]
    upstream_mm: float | None


class ConvergenceFrame(Record):
    """The flow of one frame through its convergence

    Attributes
    ----------
    flow_ml_s : Interval
        Flow
    frame : int
        Index from 0
    time_s : float
        Time from the R wave
    """

    _kinds: ClassVar[dict[str, tuple[str, str]]] = {
        "flow_ml_s": ("interval", ""),
    }

    flow_ml_s: Interval
    frame: int
    time_s: float


class ConvergenceSurface(Record):
    """The surface of one speed upstream

    Attributes
    ----------
    area_mm2 : float
        Its area across the flow: flow over speed
    counted : Literal["yes", "unseen", "near"]
        Whether it counts toward the flow, and why not
    flow_ml_s : float
        Flow that explains the velocities about it
    hemisphere_ml_s : float | None
        Flow by the hemispheric formula from that radius
    radius_mm : float | None
        Distance from the opening along the axis at which the displayed velocity has this size; None where
        it is not seen
    seen_percent : float
        Share of the space about it in which velocities are seen, percent
    speed_m_s : float
        Speed
    """

    area_mm2: float
    counted: Literal["yes", "unseen", "near"]
    flow_ml_s: float
    hemisphere_ml_s: float | None
    radius_mm: float | None
    seen_percent: float
    speed_m_s: float


class Count(Record):
    """The specific criteria, counted

    Attributes
    ----------
    definite : Literal["mild", "moderate", "severe"] | None
        The class that the count alone makes definite; None where it does not
    mild : tuple[Criterion, ...]
        For mild
    mild_met : int
        Met for mild
    severe : tuple[Criterion, ...]
        For severe
    severe_met : int
        Met for severe
    """

    _kinds: ClassVar[dict[str, tuple[str, str]]] = {
        "mild": ("records", "Criterion"),
        "severe": ("records", "Criterion"),
    }

    definite: Literal["mild", "moderate", "severe"] | None
    mild: tuple[Criterion, ...]
    mild_met: int
    severe: tuple[Criterion, ...]
    severe_met: int


class CriteriaUsed(Record):
    """Which table was used

    Attributes
    ----------
    classes : tuple[str, str, str] | None
        What it calls its classes, the mildest first; None for mild, moderate and severe
    name : str
        Its short name
    source : str
        Authors, journal, year
    title : str
        As printed
    """

    _kinds: ClassVar[dict[str, tuple[str, str]]] = {
        "classes": ("tuple", ""),
    }

    classes: tuple[str, str, str] | None
    name: str
    source: str
    title: str


class Criterion(Record):
    """One specific criterion

    Attributes
    ----------
    firm : Literal["firm", "borderline"]
        Whether it stands over the whole 95 % interval of its numbers
    found : str
        What was found, in words
    label : str
        In words
    state : Literal["met", "not_met", "open", "not_known"]
        How it stands
    """

    firm: Literal["firm", "borderline"]
    found: str
    label: str
    state: Literal["met", "not_met", "open", "not_known"]


class CutPoints(Record):
    """The cuts that a measurement was held against

    Attributes
    ----------
    grade_3 : Bound | None
        Where moderate becomes grade III
    mild : Bound | None
        Mild
    severe : Bound | None
        Severe, as it applies here
    """

    _kinds: ClassVar[dict[str, tuple[str, str]]] = {
        "grade_3": ("record", "Bound"),
        "mild": ("record", "Bound"),
        "severe": ("record", "Bound"),
    }

    grade_3: Bound | None
    mild: Bound | None
    severe: Bound | None


class CwEnvelope(Record):
    """The CW Doppler envelope as it was used: `V sin(pi t / T)^power` from its start

    Attributes
    ----------
    duration_s : float
        How long it lasts
    frames : int
        Frames whose flow and area told the power; 0 where a half-sine was taken for want of them
    power : float
        How full it is: 1 a half-sine, less a flatter top
    power_error : float
        Standard deviation of the power
    start_s : float
        When it begins, s after the R wave
    vti_m : Interval
        Velocity-time integral: as typed in, or from peak, duration and power
    """

    _kinds: ClassVar[dict[str, tuple[str, str]]] = {
        "vti_m": ("interval", ""),
    }

    duration_s: float
    frames: int
    power: float
    power_error: float
    start_s: float
    vti_m: Interval


class Evidence(Record):
    """What a reader knows beside the volume; a number may have an interval or an error at 95 %

    Attributes
    ----------
    convergence : Any
        Flow convergence
    convergence_nyquist_cm_s : Any
        Aliasing velocity of that radius, cm/s
    convergence_radius_mm : Any
        Flow convergence radius, mm
    cw_contour : Any
        CW signal contour
    cw_density : Any
        CW signal density
    cw_peak_m_s : Any
        CW peak velocity, m/s
    cw_vti_cm : Any
        CW velocity-time integral, cm
    data_quality : Any
        Quality of the data entered
    e_wave_m_s : Any
        Peak E-wave velocity, m/s
    flow : Any
        Flow state
    inflow : Any
        Mitral inflow
    jet : Any
        Colour jet
    jet_area_percent : Any
        Jet area over left atrium, %
    jets : Any
        Number of jets
    la_diameter_mm : Any
        Left atrial diameter, mm
    la_size : Any
        Left atrium
    la_volume_index_ml_m2 : Any
        Left atrial volume index, ml/m²
    leaflet : Any
        Mitral leaflets
    leak : Any
        Regurgitation in systole
    lv_ejection_fraction_percent : Any
        LV ejection fraction, %
    lv_end_systolic_diameter_mm : Any
        LV end-systolic diameter, mm
    lv_function : Any
        LV function
    lv_size : Any
        Left ventricle
    mechanism : Any
        Mechanism
    note : str
        Free text
    orifice : Any
        Shape of the orifice
    pisa_eroa_mm2 : Any
        EROA by PISA, mm²
    pisa_regurgitant_volume_ml : Any
        Regurgitant volume by PISA, ml
    pulmonary_vein_flow : Any
        Pulmonary vein flow
    regurgitant_fraction_percent : Any
        Regurgitant fraction, %
    regurgitant_volume_ml : Any
        Regurgitant volume, ml
    schema : Any
    setting : Any
        Course
    vc_width_biplane_mm : Any
        VC width, biplane, mm
    vc_width_mm : Any
        VC width, one view, mm
    vti_ratio : Any
        VTI mitral inflow over LVOT, no unit
    """

    convergence: Any
    convergence_nyquist_cm_s: Any
    convergence_radius_mm: Any
    cw_contour: Any
    cw_density: Any
    cw_peak_m_s: Any
    cw_vti_cm: Any
    data_quality: Any
    e_wave_m_s: Any
    flow: Any
    inflow: Any
    jet: Any
    jet_area_percent: Any
    jets: Any
    la_diameter_mm: Any
    la_size: Any
    la_volume_index_ml_m2: Any
    leaflet: Any
    leak: Any
    lv_ejection_fraction_percent: Any
    lv_end_systolic_diameter_mm: Any
    lv_function: Any
    lv_size: Any
    mechanism: Any
    note: str
    orifice: Any
    pisa_eroa_mm2: Any
    pisa_regurgitant_volume_ml: Any
    pulmonary_vein_flow: Any
    regurgitant_fraction_percent: Any
    regurgitant_volume_ml: Any
    schema: Any
    setting: Any
    vc_width_biplane_mm: Any
    vc_width_mm: Any
    vti_ratio: Any


class Finding(Record):
    """One thing looked at about the acquisition

    Attributes
    ----------
    code : str
        A short stable name
    limit : float | None
        What it was held against
    message : str
        Finding, limit, its source, and the consequence in words
    unit : str
        Unit of value and limit
    value : float | None
        What was found; None where it could not be measured
    verdict : Literal["adequate", "limited", "unfit"]
        What it means for the measurement
    """

    code: str
    limit: float | None
    message: str
    unit: str
    value: float | None
    verdict: Literal["adequate", "limited", "unfit"]


class FrameResult(Record):
    """One frame of one jet

    Attributes
    ----------
    axis : NDArray[np.float64] | None, shape (3,)
        Unit vector along the flow
    frame : int
        Index from 0
    hidden : bool
        Whether the jet shows on both sides of its vena contracta and the vena contracta itself does not:
        its area is then what may hide in the gap of the colour, from nothing to the most that can, and
        nothing was traced
    neck_mm : NDArray[np.float64] | None, shape (3,)
        Centre of the vena contracta; where it is hidden, of the frame nearest to it
    plane : PlaneKnown | None
        What the interval of a tracing on the program's plane depends on; None where the program traced
        nothing, in a reader's frames and in older documents
    time_s : float
        Time from the R wave
    traced_at_mm : NDArray[np.float64] | None, shape (3,)
        Centre of the plane of the tracing
    vca_mm2 : Interval | None
        Vena contracta area; None where the jet is absent
    """

    _kinds: ClassVar[dict[str, tuple[str, str]]] = {
        "axis": ("array", ""),
        "neck_mm": ("array", ""),
        "plane": ("record", "PlaneKnown"),
        "traced_at_mm": ("array", ""),
        "vca_mm2": ("interval", ""),
    }

    axis: NDArray[np.float64] | None
    frame: int
    hidden: bool
    neck_mm: NDArray[np.float64] | None
    plane: PlaneKnown | None
    time_s: float
    traced_at_mm: NDArray[np.float64] | None
    vca_mm2: Interval | None


class Given(Record):
    """What the measurement was told beside the volume; None where it found out for itself What was entered for the grading, and the table, stand with the grading.

    Attributes
    ----------
    anterior_posterior : NDArray[np.float64] | None, shape (3,)
        Anterior-posterior direction in volume space
    baseline_shift_m_s : float | None
        Baseline shift, m/s
    cw_duration_s : float | None
        Length of the continuous-wave envelope, s
    cw_peak_m_s : float | None
        Peak velocity of the continuous-wave Doppler, m/s
    cw_vti_m : float | None
        Velocity-time integral of the continuous-wave Doppler, m
    nyquist_m_s : float | None
        Nyquist velocity, m/s
    systole_s : tuple[float, float] | None
        First and last moment of systole, s after the R wave
    """

    _kinds: ClassVar[dict[str, tuple[str, str]]] = {
        "anterior_posterior": ("array", ""),
        "systole_s": ("tuple", ""),
    }

    anterior_posterior: NDArray[np.float64] | None
    baseline_shift_m_s: float | None
    cw_duration_s: float | None
    cw_peak_m_s: float | None
    cw_vti_m: float | None
    nyquist_m_s: float | None
    systole_s: tuple[float, float] | None


class Grades(Record):
    """The grades that something is compatible with, from the lowest to the highest

    Attributes
    ----------
    high : Literal["I", "II", "III", "IV"]
        The highest
    low : Literal["I", "II", "III", "IV"]
        The lowest
    """

    high: Literal["I", "II", "III", "IV"]
    low: Literal["I", "II", "III", "IV"]


class Grading(Record):
    """All measurements integrated by one table

    Attributes
    ----------
    cautions : list[str]
        What limits these measurements, a sentence each
    conclusion : Conclusion
        What follows from all of it
    count : Count | None
        The specific criteria; None where the table gives no count or it was not made for this case
    criteria : CriteriaUsed
        Which table
    evidence : Evidence
        What the reader entered
    guideline : Verdict2
        The guideline's own verdict, by its steps carried out to the letter
    placements : tuple[Placement, ...]
        Every measurement and sign on the scale
    quantitation : Quantitation | None
        The quantities together; None where there are none
    steps : tuple[Step, ...]
        Those steps, in order
    """

    _kinds: ClassVar[dict[str, tuple[str, str]]] = {
        "conclusion": ("record", "Conclusion"),
        "count": ("record", "Count"),
        "criteria": ("record", "CriteriaUsed"),
        "evidence": ("record", "Evidence"),
        "guideline": ("record", "Verdict2"),
        "placements": ("records", "Placement"),
        "quantitation": ("record", "Quantitation"),
        "steps": ("records", "Step"),
    }

    cautions: list[str]
    conclusion: Conclusion
    count: Count | None
    criteria: CriteriaUsed
    evidence: Evidence
    guideline: Verdict2
    placements: tuple[Placement, ...]
    quantitation: Quantitation | None
    steps: tuple[Step, ...]


class Hemisphere(Record):
    """What the hemispheric formula says

    Attributes
    ----------
    eroa_mm2 : float | None
        Over the peak velocity of continuous-wave Doppler; None without it
    error_percent : float
        Against the flow through the surfaces, percent; negative where the formula misses flow
    flow_ml_s : float
        2 pi r^2 v
    radius_mm : float
        Distance from the opening along the axis at which it is displayed
    speed_m_s : float
        Displayed velocity
    """

    eroa_mm2: float | None
    error_percent: float
    flow_ml_s: float
    radius_mm: float
    speed_m_s: float


class IntervalPart(Record):
    """One part of an interval's half width

    Attributes
    ----------
    effect_mm2 : float
        Its 95 % effect on the area, mm2
    source : str
        What is uncertain
    """

    effect_mm2: float
    source: str


class JetResult(Record):
    """One jet

    Attributes
    ----------
    arms : ArmsResult | None
        The ways to the area and what each says
    axis : NDArray[np.float64], shape (3,)
        Unit vector along the flow
    axis_uncertainty_deg : float
        95 % uncertainty of the axis, degrees
    beam_angle_deg : float | None
        Angle between axis and beam at the vena contracta, 0 to 90; None without an apex
    circle_area_mm2 : float
        Area of the circle that the long-axis width implies
    components : Components
        What of a complete jet was seen
    convergence : Convergence
        The flow convergence upstream of the vena contracta, in the frame of the largest flow
    displayed_area_mm2 : Interval | None
        Displayed area, as a careful reader traces it, with its interval; None where it was not estimated
    ellipse_area_mm2 : float
        Area of the ellipse that the two widths imply
    frames : tuple[FrameResult, ...]
        The area in every frame
    id : int
        1 for the largest
    interval_parts : tuple[IntervalPart, ...]
        Where the interval comes from, each part's share of the half width
    neck_mm : NDArray[np.float64], shape (3,)
        Centre of the vena contracta at the peak frame: where the contraction ends
    neck_profile : tuple[ProfilePoint, ...]
        Area against position along the axis at the peak frame
    observer : tuple[ObserverChange, ...]
        How much the area moves when a careful reader does it a little differently
    peak_frame : int
        Frame of the largest area: of those whose interval begins highest
    reading : Reading
        Whose outline the numbers belong to
    shape : Shape
        Shape of the tracing
    single_width : SingleWidth
        What the long-axis width alone would have claimed
    systole : Systole
        The regurgitation through systole
    traced_area_mm2 : float
        Area inside the tracing, as displayed
    traced_at_mm : NDArray[np.float64], shape (3,)
        Centre of the plane of the tracing: of least displayed area, a little upstream of the vena
        contracta
    tracing_mm : NDArray[np.float64], shape (n, 3)
        The tracing, closed (the last point is not repeated), counter-clockwise seen against the flow
    vca_mm2 : Interval
        Vena contracta area at the peak frame, corrected for blooming
    width_mm : Widths
        Vena contracta widths on the long-axis and commissural cuts, corrected for blooming
    """

    _kinds: ClassVar[dict[str, tuple[str, str]]] = {
        "arms": ("record", "ArmsResult"),
        "axis": ("array", ""),
        "components": ("record", "Components"),
        "convergence": ("record", "Convergence"),
        "displayed_area_mm2": ("interval", ""),
        "frames": ("records", "FrameResult"),
        "interval_parts": ("records", "IntervalPart"),
        "neck_mm": ("array", ""),
        "neck_profile": ("records", "ProfilePoint"),
        "observer": ("records", "ObserverChange"),
        "reading": ("record", "Reading"),
        "shape": ("record", "Shape"),
        "single_width": ("record", "SingleWidth"),
        "systole": ("record", "Systole"),
        "traced_at_mm": ("array", ""),
        "tracing_mm": ("array", ""),
        "vca_mm2": ("interval", ""),
        "width_mm": ("record", "Widths"),
    }

    arms: ArmsResult | None
    axis: NDArray[np.float64]
    axis_uncertainty_deg: float
    beam_angle_deg: float | None
    circle_area_mm2: float
    components: Components
    convergence: Convergence
    displayed_area_mm2: Interval | None
    ellipse_area_mm2: float
    frames: tuple[FrameResult, ...]
    id: int
    interval_parts: tuple[IntervalPart, ...]
    neck_mm: NDArray[np.float64]
    neck_profile: tuple[ProfilePoint, ...]
    observer: tuple[ObserverChange, ...]
    peak_frame: int
    reading: Reading
    shape: Shape
    single_width: SingleWidth
    systole: Systole
    traced_area_mm2: float
    traced_at_mm: NDArray[np.float64]
    tracing_mm: NDArray[np.float64]
    vca_mm2: Interval
    width_mm: Widths


class ObserverChange(Record):
    """What one small departure of a reader does to the area

    Attributes
    ----------
    largest_mm2 : float
        Largest change in either direction, mm2
    mean_mm2 : float
        Mean change, mm2
    what : str
        What was done differently
    """

    largest_mm2: float
    mean_mm2: float
    what: str


class Placement(Record):
    """One measurement or sign on the scale: 0 to 1 mild, 1 to 2 moderate, 2 to 3 severe

    Attributes
    ----------
    agreement : Literal["agrees", "differs", "not_judged", "not_used"]
        How it stands to the conclusion
    by : Literal["volume", "reader", "computed"]
        Where it comes from
    cut_points : CutPoints
        The same as numbers, in its own unit
    cuts : str
        The cuts it was held against, in its own unit
    grades : Grades
        The grades that its 95 % interval touches, caveats included
    high : float
        Upper end
    items : list[Literal["mechanism", "setting", "flow", "data_quality", "leaflet", "orifice", "jets", "leak", "vc_width_mm", "vc_width_biplane_mm", "jet", "jet_area_percent", "convergence", "convergence_radius_mm", "convergence_nyquist_cm_s", "pisa_eroa_mm2", "pisa_regurgitant_volume_ml", "regurgitant_volume_ml", "regurgitant_fraction_percent", "cw_density", "cw_contour", "cw_peak_m_s", "cw_vti_cm", "pulmonary_vein_flow", "inflow", "e_wave_m_s", "vti_ratio", "lv_size", "lv_function", "la_size", "lv_end_systolic_diameter_mm", "lv_ejection_fraction_percent", "la_diameter_mm", "la_volume_index_ml_m2", "vca_mm2", "displayed_area_mm2"]]
        What it rests on
    known : Literal["read", "quoted", "memory"]
        How they are known
    label : str
        Its name
    letter : Grades | None
        Its grade by the value itself, where the guideline's steps ask for it; None elsewhere
    low : float
        Lower end on the scale, of the interval or of the stretch it is compatible with
    note : str
        What else is to be said; empty where nothing is
    position : float | None
        Place of the value, 0 to 3; None where the table only says on which side of a cut it lies
    probability : Probability | None
        How probable each class is by this alone; None for a sign, a bound, and what is held against no
        cut
    reach : Literal["exact", "at_least", "at_most", "either"]
        What a caveat does to it
    role : Literal["quantitative", "literature", "supportive"] | None
        What it does in the algorithm; None for a sign
    source : str
        Where those stand
    unit : str
        Unit of the number; empty for a sign and a ratio
    value : Interval | None
        The number; None for a sign
    words : str
        Value, in its own unit, or sign in words
    """

    _kinds: ClassVar[dict[str, tuple[str, str]]] = {
        "cut_points": ("record", "CutPoints"),
        "grades": ("record", "Grades"),
        "letter": ("record", "Grades"),
        "probability": ("record", "Probability"),
        "value": ("interval", ""),
    }

    agreement: Literal["agrees", "differs", "not_judged", "not_used"]
    by: Literal["volume", "reader", "computed"]
    cut_points: CutPoints
    cuts: str
    grades: Grades
    high: float
    items: list[Literal["mechanism", "setting", "flow", "data_quality", "leaflet", "orifice", "jets", "leak", "vc_width_mm", "vc_width_biplane_mm", "jet", "jet_area_percent", "convergence", "convergence_radius_mm", "convergence_nyquist_cm_s", "pisa_eroa_mm2", "pisa_regurgitant_volume_ml", "regurgitant_volume_ml", "regurgitant_fraction_percent", "cw_density", "cw_contour", "cw_peak_m_s", "cw_vti_cm", "pulmonary_vein_flow", "inflow", "e_wave_m_s", "vti_ratio", "lv_size", "lv_function", "la_size", "lv_end_systolic_diameter_mm", "lv_ejection_fraction_percent", "la_diameter_mm", "la_volume_index_ml_m2", "vca_mm2", "displayed_area_mm2"]]
    known: Literal["read", "quoted", "memory"]
    label: str
    letter: Grades | None
    low: float
    note: str
    position: float | None
    probability: Probability | None
    reach: Literal["exact", "at_least", "at_most", "either"]
    role: Literal["quantitative", "literature", "supportive"] | None
    source: str
    unit: str
    value: Interval | None
    words: str


class PlaneKnown(Record):
    """What the interval of a tracing on a plane depends on beside the outline

    Attributes
    ----------
    axis_error_rad : float
        Standard error of its normal, radians
    beat_narrowing : float
        Half-width of the interval on the course over the frame's own
    beat_shift : float
        Logarithm of the area on the beat's smooth course over what the frame shows by itself
    displayed_mm2 : float
        Displayed area at its level, mm2
    incoherence : float
        Largest mean phase incoherence of a cross-section within 4 mm, 0 to 1
    level_error_mm : float
        Standard error of its level, mm
    profile : tuple[ProfilePoint, ...]
        Displayed area within 4 mm of its level
    """

    _kinds: ClassVar[dict[str, tuple[str, str]]] = {
        "profile": ("records", "ProfilePoint"),
    }

    axis_error_rad: float
    beat_narrowing: float
    beat_shift: float
    displayed_mm2: float
    incoherence: float
    level_error_mm: float
    profile: tuple[ProfilePoint, ...]


class Probability(Record):
    """How probable each class is, each 0 to 1

    Attributes
    ----------
    mild : float | None
        Mild; None where the table defines severe only
    moderate : float | None
        Moderate; None where the table defines severe only
    severe : float
        Severe
    """

    mild: float | None
    moderate: float | None
    severe: float


class ProfilePoint(Record):
    """One position of the VC profile

    Attributes
    ----------
    area_mm2 : float | None
        Area there; None where nothing could be traced
    position_mm : float
        Position along the axis, 0 at the vena contracta, positive downstream, mm
    """

    area_mm2: float | None
    position_mm: float


class Quantitation(Record):
    """The quantities together

    Attributes
    ----------
    classes : tuple[Literal["mild", "moderate", "severe"], Literal["mild", "moderate", "severe"]]
        The lowest and highest class that follow
    concordant : bool
        Whether all are of one class
    grade_3_is_severe : bool | None
        Whether grade III counts as severe; None where that cannot be told
    grades : Grades
        The lowest and highest grade among them
    rows : int
        How many of them are quantitative rows of the guideline
    """

    _kinds: ClassVar[dict[str, tuple[str, str]]] = {
        "classes": ("tuple", ""),
        "grades": ("record", "Grades"),
    }

    classes: tuple[Literal["mild", "moderate", "severe"], Literal["mild", "moderate", "severe"]]
    concordant: bool
    grade_3_is_severe: bool | None
    grades: Grades
    rows: int


class Reading(Record):
    """Whose outline the numbers of a jet belong to

    Attributes
    ----------
    blind_frames : list[int]
        Frames among them that the reader traced before seeing what the program finds
    jet : str | None
        Name of the jet in the review it was read in; None outside a review
    origin : Literal["program", "reader_cut", "reader_kept", "reader_corrected", "reader_drawn"]
        Who drew the outline at the peak frame
    traced_frames : list[int]
        Frames whose area is that of the reader's own tracings
    tracings : int
        Tracings that were added up at the peak frame; 0 where the program drew
    """

    blind_frames: list[int]
    jet: str | None
    origin: Literal["program", "reader_cut", "reader_kept", "reader_corrected", "reader_drawn"]
    traced_frames: list[int]
    tracings: int


class Shape(Record):
    """Shape: its class that of the effective outline, its measures those of the tracing

    Attributes
    ----------
    axis_ratio : float
        Largest over smallest Feret width
    circularity : float
        4 pi area / perimeter squared
    class_ : Literal["round", "elliptical", "crescent", "irregular"]
        Its class
    feret_max_mm : float
        Largest caliper width
    feret_min_mm : float
        Smallest caliper width
    perimeter_mm : float
        Length of the tracing
    solidity : float
        Area over area of the convex hull
    """

    axis_ratio: float
    circularity: float
    class_: Literal["round", "elliptical", "crescent", "irregular"]
    feret_max_mm: float
    feret_min_mm: float
    perimeter_mm: float
    solidity: float


class SingleWidth(Record):
    """What the long-axis width alone would have claimed

    Attributes
    ----------
    error_percent : float
        Error of the implied circle against the area, percent
    misleads : bool
        Whether the displayed width's own grade differs from that of the displayed area
    """

    error_percent: float
    misleads: bool


class Source(Record):
    """What was measured

    Attributes
    ----------
    assumed : list[str]
        What the file left open and how it was filled
    blake3 : str
        BLAKE3 of the file, hexadecimal
    channels : list[Literal["tissue", "velocity", "power", "variance"]]
        Channels present
    file : str
        File name without its folder
    format : str
        Format of the file
    frame_interval_s : float | None
        Mean time between frames; None for one frame
    frames : int
        Frames in the beat
    grid : tuple[int, int, int]
        Voxels along x, y, z
    nyquist_m_s : float
        Nyquist velocity
    velocity_limits_m_s : tuple[float, float]
        Lowest and highest displayed velocity
    voxel_mm : NDArray[np.float64], shape (3,)
        Voxel sides along x, y, z, mm
    """

    _kinds: ClassVar[dict[str, tuple[str, str]]] = {
        "grid": ("tuple", ""),
        "velocity_limits_m_s": ("tuple", ""),
        "voxel_mm": ("array", ""),
    }

    assumed: list[str]
    blake3: str
    channels: list[Literal["tissue", "velocity", "power", "variance"]]
    file: str
    format: str
    frame_interval_s: float | None
    frames: int
    grid: tuple[int, int, int]
    nyquist_m_s: float
    velocity_limits_m_s: tuple[float, float]
    voxel_mm: NDArray[np.float64]


class Step(Record):
    """One step of the reasoning

    Attributes
    ----------
    asked : str
        What was asked
    contest : str
        What in it is borderline or rests on memory, so that it can be contested; empty where nothing is
    follows : str
        What follows
    found : str
        What was found
    """

    asked: str
    contest: str
    follows: str
    found: str


class Stitch(Record):
    """How the picture changes from plane to plane along the grid axis that steps most

    Attributes
    ----------
    axis : int
        Grid axis across which it steps: 0, 1, 2 for x, y, z
    limit : float
        Score above which a border counts as a step
    plane : int
        The largest step lies between this plane and the next
    score : float
        Difference across it over the typical difference nearby; 1 is no step
    scores : list[float | None]
        The score between every plane along that axis and the next; None where nothing can be said
    """

    axis: int
    limit: float
    plane: int
    score: float
    scores: list[float | None]


class Systole(Record):
    """The regurgitation through systole

    Attributes
    ----------
    bounds_s : tuple[float, float]
        First and last moment of systole used
    integral_mm2_s : float
        Area integrated over time
    mean_vca_mm2 : float
        Mean over systole (zero where absent)
    pattern : Literal["holosystolic", "early", "mid", "late", "biphasic", "unknown"]
        When the jet is there
    peak_overstates_percent : float
        How much the peak frame overstates the mean, percent
    present_fraction : float
        Share of systole in which it is there
    velocity_weighted_mean_mm2 : Interval | None
        Regurgitant volume over velocity-time integral: the mean area weighted with the velocity; None
        without an envelope
    """

    _kinds: ClassVar[dict[str, tuple[str, str]]] = {
        "bounds_s": ("tuple", ""),
        "velocity_weighted_mean_mm2": ("interval", ""),
    }

    bounds_s: tuple[float, float]
    integral_mm2_s: float
    mean_vca_mm2: float
    pattern: Literal["holosystolic", "early", "mid", "late", "biphasic", "unknown"]
    peak_overstates_percent: float
    present_fraction: float
    velocity_weighted_mean_mm2: Interval | None


class Tool(Record):
    """What made the document

    Attributes
    ----------
    engine : str
        Version of the numerical method, raised when numbers may change
    version : str
        Version of the program
    """

    engine: str
    version: str


class Total(Record):
    """The sum over the jets

    Attributes
    ----------
    cw_envelope : CwEnvelope | None
        The CW Doppler envelope that it was made with; None without one and in older documents
    displayed_area_mm2 : Interval | None
        Sum of the displayed areas at that frame; None where they were not estimated
    frame : int | None
        Frame of that sum; None without a jet
    regurgitant_volume_ml : Interval | None
        Regurgitant volume of a beat; None without a CW Doppler envelope
    vca_mm2 : Interval
        Sum of the jets' areas at the frame where the sum is largest
    velocity_weighted_mean_mm2 : Interval | None
        Regurgitant volume over velocity-time integral, all jets; None without an envelope
    """

    _kinds: ClassVar[dict[str, tuple[str, str]]] = {
        "cw_envelope": ("record", "CwEnvelope"),
        "displayed_area_mm2": ("interval", ""),
        "regurgitant_volume_ml": ("interval", ""),
        "vca_mm2": ("interval", ""),
        "velocity_weighted_mean_mm2": ("interval", ""),
    }

    cw_envelope: CwEnvelope | None
    displayed_area_mm2: Interval | None
    frame: int | None
    regurgitant_volume_ml: Interval | None
    vca_mm2: Interval
    velocity_weighted_mean_mm2: Interval | None


class Trust(Record):
    """Whether the acquisition can carry the measurement

    Attributes
    ----------
    findings : tuple[Finding, ...]
        Each thing that was looked at
    stitch : Stitch | None
        How the tissue changes from plane to plane along the axis that steps most; None without tissue
    verdict : Literal["adequate", "limited", "unfit"]
        The worst of the findings
    """

    _kinds: ClassVar[dict[str, tuple[str, str]]] = {
        "findings": ("records", "Finding"),
        "stitch": ("record", "Stitch"),
    }

    findings: tuple[Finding, ...]
    stitch: Stitch | None
    verdict: Literal["adequate", "limited", "unfit"]


class Verdict2(Record):
    """What the guideline's own steps lead to

    Attributes
    ----------
    classes : tuple[Literal["mild", "moderate", "severe"], Literal["mild", "moderate", "severe"]] | None
        The lowest and highest class that follow; None where none does
    decided : Literal["nothing", "class", "between", "discordant"]
        How far
    sentence : str
        In a sentence
    """

    _kinds: ClassVar[dict[str, tuple[str, str]]] = {
        "classes": ("tuple", ""),
    }

    classes: tuple[Literal["mild", "moderate", "severe"], Literal["mild", "moderate", "severe"]] | None
    decided: Literal["nothing", "class", "between", "discordant"]
    sentence: str


class Widths(Record):
    """Widths on the two cuts that contain the jet axis

    Attributes
    ----------
    axes_assumed : bool
        Whether the long-axis direction was assumed to be the shortest Feret direction
    commissural : Interval
        On the commissural cut
    displayed_long_axis : float | None
        On the long-axis cut, of the outline as displayed: what the published cut points of VC width are
        of; absent where several outlines make up the area
    long_axis : Interval
        On the long-axis cut
    long_axis_direction : NDArray[np.float64], shape (3,)
        Direction of the long-axis width, unit vector
    """

    _kinds: ClassVar[dict[str, tuple[str, str]]] = {
        "commissural": ("interval", ""),
        "long_axis": ("interval", ""),
        "long_axis_direction": ("array", ""),
    }

    axes_assumed: bool
    commissural: Interval
    displayed_long_axis: float | None
    long_axis: Interval
    long_axis_direction: NDArray[np.float64]


class ResultsDocument(Record):
    """Everything one run of the measurement found

    Attributes
    ----------
    cautions : list[str]
        What a reader must bear in mind, a sentence each
    given : Given
        What the measurement was told beside the volume
    jets : tuple[JetResult, ...]
        The jets, the largest first; empty when there is none
    schema : str
        Always `narrows/results/1`
    severity : Grading | None
        The integrated grading by published criteria; None in documents made before there was one
    source : Source
        What was measured
    tool : Tool
        What made the document
    total : Total
        The sum over the jets
    trust : Trust
        Whether the acquisition can carry the measurement
    """

    _kinds: ClassVar[dict[str, tuple[str, str]]] = {
        "given": ("record", "Given"),
        "jets": ("records", "JetResult"),
        "severity": ("record", "Grading"),
        "source": ("record", "Source"),
        "tool": ("record", "Tool"),
        "total": ("record", "Total"),
        "trust": ("record", "Trust"),
    }

    cautions: list[str]
    given: Given
    jets: tuple[JetResult, ...]
    schema: str
    severity: Grading | None
    source: Source
    tool: Tool
    total: Total
    trust: Trust

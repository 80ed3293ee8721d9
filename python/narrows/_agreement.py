"""What stands in agreement: made by make_documents.py, not to be changed by hand."""

from __future__ import annotations

from typing import TYPE_CHECKING, Any, ClassVar, Literal

from ._record import Interval, Record

if TYPE_CHECKING:
    import numpy as np
    from numpy.typing import NDArray

__all__ = [
    "AgainstReference",
    "AgreementDocument",
    "BlandAltman",
    "Clustered",
    "Design",
    "Estimate",
    "FleissKappa",
    "Grades",
    "Icc",
    "Kappa",
    "Limit",
    "MeanSquares",
    "Missing",
    "PercentError",
    "Plan",
    "Point",
    "Ratio",
    "Reliability",
    "Roc",
    "TableSource",
    "Tool",
    "Within",
]


class AgainstReference(Record):
    """How one reader agrees with the reference

    Attributes
    ----------
    intercept : Estimate | None
        Its intercept
    reader : str
        The reader
    reference : str
        The reference
    roc : Roc | None
        The reader's values against the reference called severe; None without a threshold or one of the
        classes
    slope : Estimate | None
        Slope of Deming's line, reader against reference; None where the values do not vary together
    volumes : int
        Volumes that both have
    """

    _kinds: ClassVar[dict[str, tuple[str, str]]] = {
        "intercept": ("record", "Estimate"),
        "roc": ("record", "Roc"),
        "slope": ("record", "Estimate"),
    }

    intercept: Estimate | None
    reader: str
    reference: str
    roc: Roc | None
    slope: Estimate | None
    volumes: int


class BlandAltman(Record):
    """Two series of readings compared

    Attributes
    ----------
    bias : float
        Mean difference, first minus second
    bias_interval : tuple[float, float] | None
        Its 95 % interval; None for one volume
    first : str
        The first series
    left_out : list[str]
        Volumes that one of them lacks
    lower : Limit | None
        Lower limit of agreement
    percent_error : PercentError | None
        Percent error; None where no volume has a mean other than zero
    plotted_standard_deviation : float | None
        Standard deviation of the differences as they are plotted; the same unless repeats were averaged
    points : tuple[Point, ...]
        The volumes
    ratio : Ratio | None
        Limits as ratios, first over second, from the logarithms; None where a value is not positive
    second : str
        The second series
    slope : NDArray[np.float64] | None, shape (3,)
        Change of the difference for a unit of the mean, with its 95 % interval: where it excludes zero,
        one bias and two limits do not describe the readers. None below three volumes
    standard_deviation : float | None
        Standard deviation of the differences of single readings; None for one volume
    upper : Limit | None
        Upper limit of agreement
    volumes : int
        Volumes that both have
    """

    _kinds: ClassVar[dict[str, tuple[str, str]]] = {
        "bias_interval": ("tuple", ""),
        "lower": ("record", "Limit"),
        "percent_error": ("record", "PercentError"),
        "points": ("records", "Point"),
        "ratio": ("record", "Ratio"),
        "slope": ("array", ""),
        "upper": ("record", "Limit"),
    }

    bias: float
    bias_interval: tuple[float, float] | None
    first: str
    left_out: list[str]
    lower: Limit | None
    percent_error: PercentError | None
    plotted_standard_deviation: float | None
    points: tuple[Point, ...]
    ratio: Ratio | None
    second: str
    slope: NDArray[np.float64] | None
    standard_deviation: float | None
    upper: Limit | None
    volumes: int


class Clustered(Record):
    """Differences of two readers over clusters

    Attributes
    ----------
    between : float
        Variance of the differences between patients (0 where its estimate is negative)
    bias : float
        Mean difference over the volumes
    bias_interval : tuple[float, float]
        Its 95 % interval, over patients
    first : str
        The first reader
    limits : tuple[float, float]
        Limits of agreement for one volume of one patient
    patients : int
        Patients
    second : str
        The second reader
    volumes : int
        Volumes
    within : float
        Variance within patients
    """

    _kinds: ClassVar[dict[str, tuple[str, str]]] = {
        "bias_interval": ("tuple", ""),
        "limits": ("tuple", ""),
    }

    between: float
    bias: float
    bias_interval: tuple[float, float]
    first: str
    limits: tuple[float, float]
    patients: int
    second: str
    volumes: int
    within: float


class Design(Record):
    """What was read by whom

    Attributes
    ----------
    grades : int
        Grades in the table
    missing : tuple[Missing, ...]
        Readings that a full table would have and this one lacks
    readers : list[str]
        Names of the readers
    repeats : list[str]
        Names of the repeats
    standing : str
        What stood for repeats between readers: `first` or `mean`
    values : int
        Values in the table
    volumes : int
        Volumes
    """

    _kinds: ClassVar[dict[str, tuple[str, str]]] = {
        "missing": ("records", "Missing"),
    }

    grades: int
    missing: tuple[Missing, ...]
    readers: list[str]
    repeats: list[str]
    standing: str
    values: int
    volumes: int


class Estimate(Record):
    """A value with its 95 % interval, where there is one

    Attributes
    ----------
    interval : tuple[float, float] | None
        95 % interval
    value : float
        The value
    """

    _kinds: ClassVar[dict[str, tuple[str, str]]] = {
        "interval": ("tuple", ""),
    }

    interval: tuple[float, float] | None
    value: float


class FleissKappa(Record):
    """Kappa of all readers together

    Attributes
    ----------
    interval : tuple[float, float] | None
        95 % interval by bootstrap; None where too many resamples have no kappa
    readers : int
        Readers
    resamples : int
        Resamples drawn
    value : float | None
        Kappa; None where chance alone would agree always
    volumes : int
        Volumes graded by all
    """

    _kinds: ClassVar[dict[str, tuple[str, str]]] = {
        "interval": ("tuple", ""),
    }

    interval: tuple[float, float] | None
    readers: int
    resamples: int
    value: float | None
    volumes: int


class Grades(Record):
    """Agreement of grades

    Attributes
    ----------
    all : FleissKappa | None
        Kappa of all readers; None with fewer than two or without a volume graded by all
    left_out : list[str]
        Volumes left out of the kappa of all readers
    names : list[str]
        The grades, the mildest first where their order is known
    ordered : bool
        Whether their order is known; without it no weighted kappa is given
    pairs : tuple[Kappa, ...]
        Kappa of every pair of readers
    """

    _kinds: ClassVar[dict[str, tuple[str, str]]] = {
        "all": ("record", "FleissKappa"),
        "pairs": ("records", "Kappa"),
    }

    all: FleissKappa | None
    left_out: list[str]
    names: list[str]
    ordered: bool
    pairs: tuple[Kappa, ...]


class Icc(Record):
    """One intraclass correlation

    Attributes
    ----------
    interval : tuple[float, float] | None
        95 % interval; None where it cannot be had
    meaning : str
        What it answers, in words
    name : str
        `ICC(1,1)` and so on; the second number is how many readings are averaged
    value : float | None
        The coefficient; None where all readings are equal
    """

    _kinds: ClassVar[dict[str, tuple[str, str]]] = {
        "interval": ("tuple", ""),
    }

    interval: tuple[float, float] | None
    meaning: str
    name: str
    value: float | None


class Kappa(Record):
    """Kappa of two readers

    Attributes
    ----------
    ac1 : Estimate | None
        Gwet's AC1, which does not fall where nearly all volumes are of one grade; None with weights
    first : str
        The first reader
    interval : tuple[float, float] | None
        95 % interval
    observed : float
        Share of volumes with the same grade
    second : str
        The second reader
    table : list[list[int]]
        Volumes by grades: rows the first reader, columns the second
    value : float | None
        Kappa; None where chance alone would agree always
    volumes : int
        Volumes that both graded
    weights : Literal["none", "linear", "quadratic"]
        How a disagreement weighs
    """

    _kinds: ClassVar[dict[str, tuple[str, str]]] = {
        "ac1": ("record", "Estimate"),
        "interval": ("tuple", ""),
    }

    ac1: Estimate | None
    first: str
    interval: tuple[float, float] | None
    observed: float
    second: str
    table: list[list[int]]
    value: float | None
    volumes: int
    weights: Literal["none", "linear", "quadratic"]


class Limit(Record):
    """One limit of agreement

    Attributes
    ----------
    approximate : tuple[float, float]
        95 % interval, approximate (1986; with means of repeats, 1999)
    exact : tuple[float, float] | None
        95 % interval, exact for normal differences; None where repeats were averaged
    value : float
        Where it lies
    """

    _kinds: ClassVar[dict[str, tuple[str, str]]] = {
        "approximate": ("tuple", ""),
        "exact": ("tuple", ""),
    }

    approximate: tuple[float, float]
    exact: tuple[float, float] | None
    value: float


class MeanSquares(Record):
    """Mean squares of a table of volumes by readers

    Attributes
    ----------
    between_readers : float
        Between readers
    between_volumes : float
        Between volumes
    readings : int
        Readings of each
    residual : float
        What is left
    volumes : int
        Volumes
    within_volumes : float
        Within volumes
    """

    between_readers: float
    between_volumes: float
    readings: int
    residual: float
    volumes: int
    within_volumes: float


class Missing(Record):
    """A reading that is not there

    Attributes
    ----------
    reader : str
        Reader
    repeat : str
        Repeat
    volume : str
        Volume
    """

    reader: str
    repeat: str
    volume: str


class PercentError(Record):
    """Percent error, in the three ways the field reports it (common practice, no source)

    Attributes
    ----------
    coefficient_of_variation : float
        Coefficient of variation of one reading: root mean square of `difference / (sqrt 2 mean)`, percent
    limits_over_mean : float | None
        1.96 SD of the differences over the mean of all readings, percent; None where that mean is zero
    mean : float
        Mean of the absolute difference over the mean of the two, percent
    standard_deviation : float | None
        Its standard deviation; None for one volume
    volumes : int
        Volumes used: those whose mean is not zero
    """

    coefficient_of_variation: float
    limits_over_mean: float | None
    mean: float
    standard_deviation: float | None
    volumes: int


class Plan(Record):
    """How many volumes a study needs

    Attributes
    ----------
    half_width : float
        Half width of the 95 % interval of a limit of agreement that is wanted
    standard_deviation : float
        Standard deviation of the differences that it is planned with: the largest of the pairs here
    volumes : int
        Volumes needed, each of another patient
    """

    half_width: float
    standard_deviation: float
    volumes: int


class Point(Record):
    """One volume in a comparison

    Attributes
    ----------
    difference : float
        First minus second
    mean : float
        Mean of the two readings
    volume : str
        Its name
    """

    difference: float
    mean: float
    volume: str


class Ratio(Record):
    """Limits of agreement as ratios: where scatter grows with size, this is what stays the same Bias and limits of the differences of logarithms, taken back (Bland and Altman 1999, section 3).

    Attributes
    ----------
    interval : tuple[float, float] | None
        Its 95 % interval: that of the bias of the logarithms, taken back
    lower : NDArray[np.float64], shape (3,)
        Lower limit with its exact 95 % interval
    upper : NDArray[np.float64], shape (3,)
        Upper limit with its exact 95 % interval
    value : float
        Geometric mean of first over second
    """

    _kinds: ClassVar[dict[str, tuple[str, str]]] = {
        "interval": ("tuple", ""),
        "lower": ("array", ""),
        "upper": ("array", ""),
    }

    interval: tuple[float, float] | None
    lower: NDArray[np.float64]
    upper: NDArray[np.float64]
    value: float


class Reliability(Record):
    """Correlations and errors between readers

    Attributes
    ----------
    coefficients : tuple[Icc, ...]
        The six coefficients
    left_out : list[str]
        Volumes left out
    mean_squares : MeanSquares
        The analysis of variance
    reader_standard_deviation : float
        Standard deviation of the readers' offsets (0 where its estimate is negative)
    readers : int
        Readers
    reproducibility : float
        Two readings by any two readers differ by less in 95 % of cases: `1.96 sqrt(2)` standard errors
    residual_standard_error : float
        Standard error of one reading by a given reader: the rest alone
    standard_error : float
        Standard error of one reading by any reader: offsets and rest together
    volumes : int
        Volumes used: those with a reading of every reader
    """

    _kinds: ClassVar[dict[str, tuple[str, str]]] = {
        "coefficients": ("records", "Icc"),
        "mean_squares": ("record", "MeanSquares"),
    }

    coefficients: tuple[Icc, ...]
    left_out: list[str]
    mean_squares: MeanSquares
    reader_standard_deviation: float
    readers: int
    reproducibility: float
    residual_standard_error: float
    standard_error: float
    volumes: int


class Roc(Record):
    """How well values tell severe from not severe

    Attributes
    ----------
    area : Estimate
        Area under the curve with DeLong's interval; None at 0 and 1, where its variance is 0 and says
        nothing
    best_cut : float
        The reader's value with the largest sensitivity plus specificity (Youden), the smallest of equals
    not_severe : int
        Volumes that are not
    sensitivity : float
        Sensitivity from that value on
    severe : int
        Volumes that are severe
    specificity : float
        Specificity below it
    threshold : float
        The reference is severe from here on
    """

    _kinds: ClassVar[dict[str, tuple[str, str]]] = {
        "area": ("record", "Estimate"),
    }

    area: Estimate
    best_cut: float
    not_severe: int
    sensitivity: float
    severe: int
    specificity: float
    threshold: float


class TableSource(Record):
    """The table that was read

    Attributes
    ----------
    blake3 : str
        BLAKE3 of the file, hexadecimal
    file : str
        File name without its folder
    unit : str
        Unit of the values, as given
    value : str
        Column of the values
    """

    blake3: str
    file: str
    unit: str
    value: str


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


class Within(Record):
    """The repeats of one reader, or of all

    Attributes
    ----------
    coefficient_of_variation : float | None
        Standard deviation over the mean of these readings, percent; None where that is zero
    correlation : Interval | None
        Correlation of the reader's repeats, ICC(1,1); None for fewer than two volumes, unequal numbers of
        repeats, or the pooled row
    degrees_of_freedom : int
        Degrees of freedom
    reader : str
        Whose; `all readers` for the pooled one
    readings : int
        Readings of these
    repeatability : Interval
        Repeatability coefficient with its 95 % interval
    standard_deviation : Interval
        Within-reader standard deviation with its 95 % interval
    volumes : int
        Volumes read more than once
    """

    _kinds: ClassVar[dict[str, tuple[str, str]]] = {
        "correlation": ("interval", ""),
        "repeatability": ("interval", ""),
        "standard_deviation": ("interval", ""),
    }

    coefficient_of_variation: float | None
    correlation: Interval | None
    degrees_of_freedom: int
    reader: str
    readings: int
    repeatability: Interval
    standard_deviation: Interval
    volumes: int


class AgreementDocument(Record):
    """Everything that was found about the agreement of readers

    Attributes
    ----------
    clusters : tuple[Clustered, ...]
        Every pair again, several volumes of a patient counted as such; empty without a column of patients
    design : Design
        What was read by whom
    grades : Grades | None
        Agreement of grades; None without a column of grades
    methods : list[str]
        How it was computed, with sources: paragraphs for a paper's methods section
    notes : list[str]
        What was left out of which statistic, and what a reader must bear in mind; a sentence each
    pairs : tuple[BlandAltman, ...]
        Every pair of readers
    plan : Plan | None
        How many volumes limits of a wanted width need; None where it was not asked
    references : tuple[AgainstReference, ...]
        Each reader against the reference; empty without one
    reliability : Reliability | None
        Correlations between readers; None where fewer than two readers share two volumes
    repeats : tuple[BlandAltman, ...]
        Each reader against herself, first repeat against second
    schema : str
        Always `narrows/agreement/1`
    source : TableSource
        Which table
    tool : Tool
        What made the document
    within : tuple[Within, ...]
        Each reader's own scatter, then all readers pooled
    """

    _kinds: ClassVar[dict[str, tuple[str, str]]] = {
        "clusters": ("records", "Clustered"),
        "design": ("record", "Design"),
        "grades": ("record", "Grades"),
        "pairs": ("records", "BlandAltman"),
        "plan": ("record", "Plan"),
        "references": ("records", "AgainstReference"),
        "reliability": ("record", "Reliability"),
        "repeats": ("records", "BlandAltman"),
        "source": ("record", "TableSource"),
        "tool": ("record", "Tool"),
        "within": ("records", "Within"),
    }

    clusters: tuple[Clustered, ...]
    design: Design
    grades: Grades | None
    methods: list[str]
    notes: list[str]
    pairs: tuple[BlandAltman, ...]
    plan: Plan | None
    references: tuple[AgainstReference, ...]
    reliability: Reliability | None
    repeats: tuple[BlandAltman, ...]
    schema: str
    source: TableSource
    tool: Tool
    within: tuple[Within, ...]

"""What stands in sweep: made by make_documents.py, not to be changed by hand."""

from __future__ import annotations

from typing import TYPE_CHECKING, Any, ClassVar, Literal

from ._record import Interval, Record

if TYPE_CHECKING:
    import numpy as np
    from numpy.typing import NDArray

__all__ = [
    "SweepDocument",
    "SweepRow",
    "Tool",
]


class SweepRow(Record):
    """One value of the parameter

    Attributes
    ----------
    change_percent : float | None
        Change against the area at the chosen pose, percent
    commissural_mm : float | None
        Width on the commissural cut
    error_percent : float | None
        Error against it, percent
    law_mm2 : float | None
        What the 1/cos law of a tube makes of the chosen area; None for other parameters
    long_axis_mm : float | None
        Width on the long-axis cut
    over_directions_mm2 : tuple[float, float] | None
        Smallest and largest area over the directions of a tilt; None for other parameters
    traced_mm2 : float | None
        Area inside the tracing as displayed; None where measured whole in another frame than its peak
    truth_mm2 : float | None
        True effective area in that frame; None without a truth
    value : float
        The value; of a frame its number, counted from 1
    vca_mm2 : Interval | None
        Area, corrected for blooming; None where nothing could be traced
    """

    _kinds: ClassVar[dict[str, tuple[str, str]]] = {
        "over_directions_mm2": ("tuple", ""),
        "vca_mm2": ("interval", ""),
    }

    change_percent: float | None
    commissural_mm: float | None
    error_percent: float | None
    law_mm2: float | None
    long_axis_mm: float | None
    over_directions_mm2: tuple[float, float] | None
    traced_mm2: float | None
    truth_mm2: float | None
    value: float
    vca_mm2: Interval | None


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


class SweepDocument(Record):
    """One sweep

    Attributes
    ----------
    blake3 : str
        BLAKE3 of the volume
    chosen : float
        Value of the parameter at the chosen pose; frames as values are counted from 1
    chosen_vca_mm2 : Interval
        Area at the chosen pose
    file : str
        File name of the volume
    frame : int
        Frame, from 0; where frames are varied, the peak frame
    how : Literal["held", "remade", "rewrapped"]
        How the rows were made
    jet : int
        Jet, 1 for the largest
    notes : list[str]
        What a reader must bear in mind
    over : Literal["tilt", "roll", "level", "gain", "frame", "nyquist", "baseline"]
        What is varied
    rows : tuple[SweepRow, ...]
        The values visited, in their order
    schema : str
        Always `narrows/sweep/1`
    tool : Tool
        What made the document
    truth_mm2 : float | None
        True effective area there; None without a truth
    """

    _kinds: ClassVar[dict[str, tuple[str, str]]] = {
        "chosen_vca_mm2": ("interval", ""),
        "rows": ("records", "SweepRow"),
        "tool": ("record", "Tool"),
    }

    blake3: str
    chosen: float
    chosen_vca_mm2: Interval
    file: str
    frame: int
    how: Literal["held", "remade", "rewrapped"]
    jet: int
    notes: list[str]
    over: Literal["tilt", "roll", "level", "gain", "frame", "nyquist", "baseline"]
    rows: tuple[SweepRow, ...]
    schema: str
    tool: Tool
    truth_mm2: float | None

"""Measures the vena contracta of regurgitant mitral jets in gated 3D colour Doppler volumes.

The program `narrows` for numpy arrays, notebooks and data frames: the same functions, the same numbers to the last
bit. Positions are millimetres in the volume's frame of reference, arrays `[time, z, y, x]`, velocities m/s and
positive toward the probe, times seconds from the R wave, frames counted from 0. Every interval is 95 %.

**Not a medical device.** Results defer to local protocols and to the licensed reader.

Examples
--------
>>> import narrows
>>> volume = narrows.open("sample-volumes/crescent.dcm")
>>> results = volume.measure(cw_peak=5.1)
>>> results.total.vca_mm2  # doctest: +SKIP
Interval(value=..., low=..., high=...)
"""

from __future__ import annotations

from . import _narrows, errors
from ._record import Interval, Record
from .errors import (
    ArrayError,
    Error,
    EvidenceError,
    FlowError,
    FormatError,
    InternalError,
    MeasureError,
    MissingPackage,
    OptionError,
    PhantomError,
    ReportError,
    StudyError,
)
from .results import Results
from .studies import Agreement, Flow, Sweep, agree, cohort, flow, flow_names, phantom, sweep
from .volume import Plane, Trust, Volume, open

__version__, __engine__ = _narrows.version()

__all__ = [
    "Agreement",
    "ArrayError",
    "Error",
    "EvidenceError",
    "Flow",
    "FlowError",
    "FormatError",
    "InternalError",
    "Interval",
    "MeasureError",
    "MissingPackage",
    "OptionError",
    "PhantomError",
    "Plane",
    "Record",
    "ReportError",
    "Results",
    "StudyError",
    "Sweep",
    "Trust",
    "Volume",
    "agree",
    "cohort",
    "errors",
    "flow",
    "flow_names",
    "open",
    "phantom",
    "sweep",
]

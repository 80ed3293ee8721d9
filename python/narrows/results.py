"""What was measured on one volume."""

from __future__ import annotations

import io
import json
import os
from typing import TYPE_CHECKING, Any, Literal

from . import _narrows, _results
from ._given import index, number, optional, path
from ._progress import Progress, listener
from ._results import JetResult
from .errors import OptionError, ReportError

if TYPE_CHECKING:
    import pathlib

    import matplotlib.axes
    import pandas as pd

    from .volume import Volume

__all__ = ["JetResult", "Results"]

View = Literal["en-face", "long-axis", "commissural", "profile", "time", "convergence"]
Units = Literal["mm2", "cm2"]


class Results(_results.ResultsDocument):
    """What one measurement found: the document `results.json`, read by attribute.

    Made by `Volume.measure`. Cannot be changed; can be pickled (the pickle holds the document, not the volume).

    Attributes
    ----------
    jets : tuple of JetResult
        The jets, the largest first; empty where there is none. `jet.vca_mm2` is an `Interval`, `jet.tracing_mm`
        an array of shape (points, 3) in mm.
    total : Total
        The sum over the jets.
    trust : Trust
        Whether the acquisition can carry the measurement.
    severity : Grading or None
        The integrated grading.
    volume : Volume or None
        What was measured; ``None`` after a pickle.

    The other keys are described in docs/results.md of the repository.
    """

    # Of its own, so that parts are found where the document stands.
    volume: Volume | None

    def __init__(self, text: str, volume: Volume | None = None, settings: Any = ()) -> None:
        super().__init__(json.loads(text))
        self.__dict__.update(_text=text, volume=volume, _settings=[list(pair) for pair in settings])

    def __reduce__(self) -> tuple[Any, ...]:
        return _unpickled, (self._text, self._settings)

    def __copy__(self) -> Results:
        # Nothing of it can be changed.
        return self

    def to_json(self) -> str:
        """The document as text: the bytes that ``narrows measure --json -`` prints."""
        return self._text

    def to_pandas(self, table: Literal["jets", "frames", "grading"] = "jets", units: Units = "mm2") -> pd.DataFrame:
        """A table of the report.

        Parameters
        ----------
        table : {"jets", "frames", "grading"}
            A row a jet, a row a jet and frame, or a row a sign that was graded.
        units : {"mm2", "cm2"}
            Unit of the areas; the columns name it.

        Returns
        -------
        pandas.DataFrame

        Raises
        ------
        MissingPackage
            Where pandas is not installed.
        OptionError
            Where there is no such table or unit.
        """
        return _table(self._text, table, units)

    def _measured_volume(self, what: str) -> Volume:
        if self.volume is None:
            raise ReportError(f"{what} needs the volume, which a pickle does not hold", "measure the volume again")
        return self.volume

    def svg(self, view: View = "en-face", jet: int = 1, frame: int | None = None, units: Units = "cm2") -> str:
        """A figure of the report, as SVG.

        Parameters
        ----------
        view : {"en-face", "long-axis", "commissural", "profile", "time", "convergence"}
            Which figure.
        jet : int
            1 for the largest.
        frame : int, optional
            From 0; the jet's peak frame where not given.
        units : {"mm2", "cm2"}
            Unit of the areas.

        Returns
        -------
        str

        Raises
        ------
        OptionError
            Where there is no such view, jet or frame.
        ReportError
            Where the volume is not there any more.
        """
        volume = self._measured_volume("a figure")
        frame = None if frame is None else index("frame", frame)
        return _narrows.figure(volume._native, self._text, index("jet", jet), str(view), frame, units)

    def png(self, view: View = "en-face", jet: int = 1, frame: int | None = None, scale: float = 2.0) -> bytes:
        """A figure of the report, as PNG.

        Parameters
        ----------
        view, jet, frame
            As of `svg`.
        scale : float
            Pixels a unit of the SVG, 0.1 to 10.

        Returns
        -------
        bytes
        """
        scale = number("scale", scale)
        if not 0.1 <= scale <= 10.0:
            raise OptionError(f"scale is out of range: {scale}", "0.1 to 10")
        return _narrows.png(self.svg(view, jet, frame), scale)

    def _repr_svg_(self) -> str | None:
        """What a notebook shows: the largest jet en face; the grading where the volume is not there any more."""
        if self.volume is not None and self.jets:
            return self.svg()
        return _narrows.grading_figure(self._text, "cm2")

    def plot(
        self,
        view: Literal["en-face", "profile", "time"] = "en-face",
        jet: int = 1,
        ax: matplotlib.axes.Axes | None = None,
    ) -> matplotlib.axes.Axes:
        """Draws a figure with matplotlib.

        Parameters
        ----------
        view : {"en-face", "profile", "time"}
            The plane with its tracing (mm), area (mm2) against position along the jet (mm), or area (mm2) with its
            95 % interval against time (s).
        jet : int
            1 for the largest.
        ax : matplotlib.axes.Axes, optional
            Where; new ones where not given.

        Returns
        -------
        matplotlib.axes.Axes

        Raises
        ------
        MissingPackage
            Where matplotlib is not installed.
        OptionError
            Where there is no such view or jet.
        """
        from . import plotting

        return plotting.results(self, view, jet, ax)

    def jet(self, number: int = 1) -> JetResult:
        """A jet by its number.

        Parameters
        ----------
        number : int
            1 for the largest.

        Returns
        -------
        JetResult

        Raises
        ------
        OptionError
            Where there is none.
        """
        for one in self.jets:
            if one.id == number:
                return one
        raise OptionError(f"there is no jet {number!r}, {len(self.jets)} found", "results.jets lists them")

    def report(
        self,
        out: str | os.PathLike[str],
        *,
        units: Units = "cm2",
        paper: Literal["a4", "letter"] = "a4",
        reader: str | None = None,
        valve: Literal["mitral", "aortic", "tricuspid"] | None = None,
        keep_identity: bool = False,
        progress: Progress = None,
    ) -> pathlib.Path:
        """Writes the report folder, as ``narrows measure FILE --out OUT`` does.

        Parameters
        ----------
        out : path
            The folder; one of this program is replaced in one step.
        units, paper, reader, valve
            As on the command line.
        keep_identity : bool
            Keep patient and study of a DICOM source in the DICOM files of the report.
        progress : bool or callable, optional
            See `Volume.measure`.

        Returns
        -------
        pathlib.Path
            The page, ``index.html``.

        Raises
        ------
        ReportError
            Where the folder cannot be written, holds what is not the report's, or the volume is not there any more.
        """
        volume = self._measured_volume("a report")
        settings = [tuple(pair) for pair in self._settings]
        with listener(progress) as told:
            import pathlib

            return pathlib.Path(
                _narrows.report(
                    volume._native,
                    self._text,
                    settings,
                    path("out", out),
                    units=units,
                    paper=paper,
                    reader=reader,
                    valve=valve,
                    keep_identity=keep_identity,
                    progress=told,
                )
            )

    def __repr__(self) -> str:
        total = self.total.vca_mm2
        count = f"{len(self.jets)} jet{'' if len(self.jets) == 1 else 's'}"
        area = f"{total.value:.1f} ({total.low:.1f} to {total.high:.1f}) mm2"
        return f"Results({self.source.file}: {count}, VC area {area}, acquisition {self.trust.verdict})"


def table(document: str, which: str, units: str) -> pd.DataFrame:
    """A table of a document."""
    pandas = optional("pandas", "pandas", "a data frame")
    # Python's own reader keeps every digit.
    return pandas.read_csv(io.StringIO(_narrows.table(document, which, units)), engine="python")


#: A parameter of `Results.to_pandas` has the same name
_table = table


def _unpickled(text: str, settings: Any) -> Results:
    return Results(text, None, settings)

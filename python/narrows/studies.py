"""Simulated volumes, solved flows, and the statistics of a study."""

from __future__ import annotations

import csv
import io
import json
import os
import sys
import warnings
from collections.abc import Mapping, Sequence
from typing import TYPE_CHECKING, Any, Literal, NamedTuple, overload

from . import _agreement, _narrows, _sweep
from ._given import document, index, number, numbers, optional, path, paths, text, words
from ._progress import Progress, listener
from .errors import FlowError, OptionError, PhantomError, StudyError
from .results import table
from .volume import Volume

if TYPE_CHECKING:
    import matplotlib.axes
    import numpy as np
    import pandas as pd
    from numpy.typing import NDArray

__all__ = ["Agreement", "Flow", "Sweep", "agree", "cohort", "flow", "flow_names", "phantom", "sweep"]

Over = Literal["tilt", "roll", "level", "gain", "frame", "nyquist", "baseline"]


def phantom(
    recipe: Mapping[str, Any] | str | os.PathLike[str] | None = None, *, progress: Progress = None
) -> tuple[Volume, dict[str, Any]]:
    """Simulates an acquisition with known truth.

    Parameters
    ----------
    recipe : mapping or path, optional
        What the TOML of a recipe says, as a dictionary, or the path of one; every key has a default
        (sample-volumes/*.toml show them). Nothing is a round orifice.
    progress : bool or callable, optional
        See `Volume.measure`.

    Returns
    -------
    volume : Volume
    truth : dict
        Areas (mm2), axes and vena contracta positions (mm) that no scanner sees; also `volume.truth`.

    Raises
    ------
    PhantomError
        Where the recipe cannot be simulated.
    """
    if recipe is None:
        recipe = {}
    if isinstance(recipe, Mapping):
        made, toml = document("the recipe", recipe, PhantomError), False
    else:
        made, toml = text("recipe", recipe, PhantomError, "give a dictionary, or a recipe in TOML"), True
    with listener(progress) as told:
        native = _narrows.phantom(made, toml=toml, progress=told)
    volume = Volume._of(native)
    truth = volume.truth
    assert truth is not None
    return volume, truth


class Flow(NamedTuple):
    """A solved jet: time averages on a grid whose w runs along the jet, the plate's upstream face at w = 0."""

    name: str
    mean_m_s: NDArray[np.float32]
    """Mean velocity along u, v, w, m/s: shape (w, v, u, 3)"""
    covariance_m2_s2: NDArray[np.float32]
    """Covariance uu, vv, ww, uv, uw, vw, m2/s2: shape (w, v, u, 6)"""
    wall: NDArray[np.float32]
    """Share of wall, 0 to 1: shape (w, v, u)"""
    u_mm: NDArray[np.float64]
    """Positions along u, mm"""
    v_mm: NDArray[np.float64]
    """Positions along v, mm"""
    w_mm: NDArray[np.float64]
    """Positions along w, mm"""
    truth: dict[str, Any]
    """Effective and anatomic area, outlines, axis, flow: what is true of the jet"""
    planes: list[dict[str, Any]]
    """What passes each plane across w"""
    recipe: str
    """What it was solved from, TOML"""


def flow(name: str | os.PathLike[str]) -> Flow:
    """A solved flow, by its name in the library or the path of its file.

    The library is the folder sample-volumes/flows of the repository that the package was built from, or of the
    folder one works in.

    Parameters
    ----------
    name : str or path
        Such as "round-20"; `flow_names` lists them. A path ends in ``.flow``.

    Returns
    -------
    Flow

    Raises
    ------
    FlowError
        Where there is none of this name, or it cannot be read.
    """
    import numpy as np

    if not isinstance(name, (str, os.PathLike)):
        raise FlowError(f"this is no name: {name!r}", "narrows.flow_names() lists them")
    given = os.fspath(name)
    is_path = not isinstance(name, str) or given.endswith(".flow")
    header, arrays = _narrows.flow(None if is_path else given, given if is_path else None)
    told = json.loads(header)
    axes = [np.asarray(first) + told["cell_mm"] * np.arange(n) for first, n in zip(told["origin_mm"], told["cells"])]
    return Flow(told["name"], **arrays, u_mm=axes[0], v_mm=axes[1], w_mm=axes[2],
                truth=told["truth"], planes=told["planes"], recipe=told["recipe"])  # fmt: skip


def flow_names() -> list[str]:
    """The names of the library's flows, sorted; empty where the library is not found."""
    return _narrows.flow_names()


class Sweep(_sweep.SweepDocument):
    """One parameter varied, the rest held: the document of ``narrows sweep``."""

    def _repr_svg_(self) -> str:
        """What a notebook shows"""
        return _narrows.sweep_figure(json.dumps(self.to_dict()))

    def to_pandas(self) -> pd.DataFrame:
        """A row a value: the columns of sweep.csv.

        Returns
        -------
        pandas.DataFrame
        """
        return table(json.dumps(self.to_dict()), "sweep", "mm2")

    def plot(self, ax: matplotlib.axes.Axes | None = None) -> matplotlib.axes.Axes:
        """Area (mm2) with its 95 % interval against the parameter, and the truth where it is known.

        Parameters
        ----------
        ax : matplotlib.axes.Axes, optional
            Where; new ones where not given.

        Returns
        -------
        matplotlib.axes.Axes
        """
        from . import plotting

        return plotting.sweep(self, ax)


def sweep(
    volume: Volume,
    over: Over,
    values: Sequence[float] = (),
    *,
    jet: int = 1,
    stored: bool = False,
    ap: Sequence[float] | None = None,
    truth: Mapping[str, Any] | None = None,
    progress: Progress = None,
) -> Sweep:
    """Varies one parameter and holds the rest, as ``narrows sweep`` does.

    Parameters
    ----------
    volume : Volume
        Simulated, or opened from a file with FILE.truth.json beside it, it also gives the error.
    over : str
        Tilt (degrees) and roll (degrees) of the plane, level along the jet (mm), gain (factor on the stored), frame
        (counted from 1), Nyquist velocity (m/s) or baseline shift (m/s).
    values : sequence of float
        Values to visit; the usual ones where none are given.
    jet : int
        1 for the largest.
    stored : bool
        Do not simulate again, even where the recipe is known.
    ap : sequence of 3 floats, optional
        Anterior-posterior direction.
    truth : mapping, optional
        What is true, as `phantom` gives it.
    progress : bool or callable, optional
        See `Volume.measure`.

    Returns
    -------
    Sweep

    Raises
    ------
    OptionError
        Where the parameter, a value or the jet cannot be meant.
    MeasureError
        Where the volume cannot be measured.
    """
    if not isinstance(volume, Volume):
        raise OptionError(f"this is no Volume: {volume!r}", "open one with narrows.open")
    with listener(progress) as told:
        made = _narrows.sweep(
            volume._native,
            str(over),
            values=numbers("values", values, None),
            jet=index("jet", jet),
            stored=bool(stored),
            ap=None if ap is None else numbers("ap", ap, 3),
            truth=None if truth is None else document("the truth", truth, OptionError),
            progress=told,
        )
    return Sweep(json.loads(made))


class Agreement(_agreement.AgreementDocument):
    """How far readers agree: the document of ``narrows agree``."""

    def _repr_svg_(self) -> str | None:
        """What a notebook shows: the first pair of readers"""
        return _narrows.agreement_figure(json.dumps(self.to_dict()))

    def to_pandas(self) -> pd.DataFrame:
        """A row a pair of readers: bias, limits of agreement and their intervals, in the unit of the values.

        Returns
        -------
        pandas.DataFrame
            ``lower``, ``upper``, and ``bias``, each with ``..._from`` and ``..._to``, the ends of its interval: that of
            a limit is its exact one where there is one, else the approximate.
        """
        pandas = optional("pandas", "pandas", "a data frame")
        rows = []
        for pair in self.to_dict()["pairs"]:
            row = {key: value for key, value in pair.items() if not isinstance(value, (Mapping, list))}
            row["bias_from"], row["bias_to"] = pair["bias_interval"] or (None, None)
            for name in ("lower", "upper"):
                limit = pair[name] or {}
                row[name] = limit.get("value")
                row[f"{name}_from"], row[f"{name}_to"] = limit.get("exact") or limit.get("approximate") or (None, None)
            rows.append(row)
        return pandas.DataFrame(rows)

    def plot(self, pair: int = 0, ax: matplotlib.axes.Axes | None = None) -> matplotlib.axes.Axes:
        """Difference against mean of a pair of readers, with bias and limits of agreement.

        Parameters
        ----------
        pair : int
            Which pair, from 0.
        ax : matplotlib.axes.Axes, optional
            Where; new ones where not given.

        Returns
        -------
        matplotlib.axes.Axes
        """
        from . import plotting

        return plotting.agreement(self, pair, ax)


def agree(
    frame: pd.DataFrame | Mapping[str, Sequence[Any]] | str | os.PathLike[str],
    *,
    value: str = "value",
    unit: str = "",
    repeats: Literal["first", "mean"] = "first",
    grades: Sequence[str] = (),
    reference: str | None = None,
    severe: float | None = None,
    plan: float | None = None,
    seed: int = 1,
) -> Agreement:
    """How far readers agree, as ``narrows agree`` says it.

    Parameters
    ----------
    frame : pandas.DataFrame, mapping of columns, or path of a CSV table
        A row a reading, with the columns volume, reader, value and, where there are any, repeat, grade and patient.
    value : str
        The column of the values.
    unit : str
        Their unit, for axes and tables.
    repeats : {"first", "mean"}
        What stands for a reader's repeats where readers are compared.
    grades : sequence of str
        All grades, the mildest first; well-known scales are recognised.
    reference : str, optional
        The reader who is the reference.
    severe : float, optional
        The reference is severe from this value on.
    plan : float, optional
        Half width of the interval that the limits of agreement of a study to be planned shall have.
    seed : int
        Start of the random numbers of the bootstrap.

    Returns
    -------
    Agreement
        With `reliability` (intraclass correlations), `pairs` (limits of agreement), `within`, `grades`, `methods`.

    Raises
    ------
    StudyError
        Where the table lacks a column, holds no number where one is needed, or too few readings.
    """
    name = "frame"
    if isinstance(frame, (str, os.PathLike)):
        name = os.path.basename(os.fspath(frame))
        try:
            # As it stands, so that its hash is that of the file.
            with io.open(os.fspath(frame), encoding="utf-8", newline="") as file:
                read = file.read()
        except (OSError, UnicodeDecodeError) as error:
            raise StudyError(f"cannot read the table: {error}", "give a table of readings as CSV text") from error
    else:
        read = _csv(frame)
    if severe is not None and reference is None:
        raise OptionError("severe is said of the reference, and there is none", "give reference=")
    made = _narrows.agree(
        read,
        name=name,
        value=str(value),
        unit=str(unit),
        repeats=str(repeats),
        grades=words("grades", grades),
        reference=reference,
        severe=None if severe is None else number("severe", severe),
        plan=None if plan is None else number("plan", plan),
        seed=index("seed", seed, "give a whole number"),
    )
    return Agreement(json.loads(made))


def _csv(frame: Any) -> str:
    """The text of a frame's columns; numbers keep every digit, nothing is an empty cell"""
    if not isinstance(frame, Mapping) and not hasattr(frame, "columns"):
        raise StudyError(f"this is no table: {type(frame).__name__}", "give a data frame, or a mapping of columns")
    names = [str(name) for name in (frame.keys() if isinstance(frame, Mapping) else frame.columns)]
    columns = [list(frame[name]) for name in (frame.keys() if isinstance(frame, Mapping) else frame.columns)]
    if len({len(column) for column in columns}) > 1:
        raise StudyError("the columns differ in length", "give one entry a reading")

    def cell(value: Any) -> str:
        if value is None or value != value or type(value).__name__ in ("NAType", "NaTType"):
            return ""
        return repr(float(value)) if isinstance(value, float) else str(value)

    out = io.StringIO()
    writer = csv.writer(out, lineterminator="\n")
    writer.writerow(names)
    writer.writerows([cell(value) for value in row] for row in zip(*columns))
    return out.getvalue()


_WORKER = """
import sys
sys.path.insert(0, sys.argv[1])
from narrows import _narrows
_narrows.serve_cohort()
"""


@overload
def cohort(
    path_or_paths: str | os.PathLike[str] | Sequence[str | os.PathLike[str]],
    *,
    workers: int = 1,
    table: Literal["jets", "volumes"] = "jets",
    nyquist_m_s: float | None = None,
    ap: Sequence[float] | None = None,
    journal: str | os.PathLike[str] | None = None,
    progress: Progress = None,
) -> pd.DataFrame: ...
@overload
def cohort(
    path_or_paths: str | os.PathLike[str] | Sequence[str | os.PathLike[str]],
    *,
    workers: int = 1,
    table: Literal["both"],
    nyquist_m_s: float | None = None,
    ap: Sequence[float] | None = None,
    journal: str | os.PathLike[str] | None = None,
    progress: Progress = None,
) -> tuple[pd.DataFrame, pd.DataFrame]: ...
def cohort(
    path_or_paths: str | os.PathLike[str] | Sequence[str | os.PathLike[str]],
    *,
    workers: int = 1,
    table: Literal["jets", "volumes", "both"] = "jets",
    nyquist_m_s: float | None = None,
    ap: Sequence[float] | None = None,
    journal: str | os.PathLike[str] | None = None,
    progress: Progress = None,
) -> Any:
    """Measures many volumes, as ``narrows cohort`` does: each in a process of its own.

    A volume that cannot be measured is a warning, and a row of the table of volumes with its reason.

    Parameters
    ----------
    path_or_paths : path or sequence of paths
        Volumes, folders with volumes, or text files with one path a line.
    workers : int
        How many volumes are measured side by side, 1 or 2; each already uses all cores for most of its work.
    table : {"jets", "volumes", "both"}
        A row a jet, a row a volume, or a tuple of both.
    nyquist_m_s : float, optional
        Nyquist velocity, where the files do not state it or state it wrongly.
    ap : sequence of 3 floats, optional
        Anterior-posterior direction.
    journal : path, optional
        A file in which what is done is kept at once: a run that was stopped goes on where it was.
    progress : bool or callable, optional
        See `Volume.measure`.

    Returns
    -------
    pandas.DataFrame, or a tuple of two
        The columns of ``narrows cohort``; `frame.attrs["columns"]` says what each means.

    Raises
    ------
    StudyError
        Where no volume is found, or the journal cannot be used.
    MissingPackage
        Where pandas is not installed.
    """
    if table not in ("jets", "volumes", "both"):
        raise OptionError(f"there is no table {table!r}", "jets, volumes or both")
    pandas = optional("pandas", "pandas", "a data frame")
    here = os.path.dirname(os.path.dirname(os.path.abspath(__file__)))
    with listener(progress) as told:
        made = _narrows.cohort(
            paths(path_or_paths),
            workers=index("workers", workers, "give 1 or 2"),
            nyquist_m_s=None if nyquist_m_s is None else number("nyquist_m_s", nyquist_m_s),
            ap=None if ap is None else numbers("ap", ap, 3),
            journal=None if journal is None else path("journal", journal),
            command=[sys.executable, "-c", _WORKER, here],
            progress=told,
        )
    tables = json.loads(made)
    frames = {}
    for key in ("jets", "volumes"):
        columns = tables[key]["columns"]
        frame = pandas.DataFrame(tables[key]["rows"], columns=[column[0] for column in columns])
        for name, kind, _, _ in columns:
            if kind == "number":
                frame[name] = frame[name].astype("float64")
        frame.attrs["columns"] = {name: f"{meaning} ({unit or kind})" for name, kind, unit, meaning in columns}
        frames[key] = frame
    for _, row in frames["volumes"].iterrows():
        if row["error"]:
            warnings.warn(f"not measured: {row['file']}: {row['error']}", stacklevel=2)
    return (frames["jets"], frames["volumes"]) if table == "both" else frames[table]

"""A gated 3D colour Doppler volume."""

from __future__ import annotations

import functools
import json
import os
from collections.abc import Mapping, Sequence
from typing import TYPE_CHECKING, Any, Literal, NamedTuple

from . import _narrows
from ._given import document, index, number, numbers, paths, samples, text
from ._given import path as _path
from ._progress import Progress, listener
from ._results import Trust
from .errors import ArrayError, EvidenceError, FormatError, OptionError
from .results import Results

if TYPE_CHECKING:
    import nibabel
    import numpy as np
    import SimpleITK
    import xarray
    from numpy.typing import ArrayLike, NDArray

    from .studies import Over, Sweep

__all__ = ["Plane", "Trust", "Volume", "open"]

Channel = Literal["tissue", "velocity", "power", "variance"]


class Plane(NamedTuple):
    """Every channel on a plane; pictures are `[v, u]`, NaN outside the volume, ``None`` where a channel is not stored."""

    velocity_m_s: NDArray[np.float64] | None
    """Displayed velocity, phase-safe: the angle of the interpolated phasor, m/s"""
    coherence: NDArray[np.float64] | None
    """Length of that phasor, 0 to 1"""
    coloured: NDArray[np.float64] | None
    """Interpolated share of coloured voxels, 0 to 1"""
    tissue: NDArray[np.float64] | None
    """Codes"""
    power: NDArray[np.float64] | None
    """Codes"""
    variance: NDArray[np.float64] | None
    """Codes"""
    u_mm: NDArray[np.float64]
    """Position of each column along `u`, mm from the centre"""
    v_mm: NDArray[np.float64]
    """Position of each row along `v`, mm from the centre"""
    centre_mm: NDArray[np.float64]
    """The point, x, y, z"""
    u: NDArray[np.float64]
    """Direction of the columns, unit vector"""
    v: NDArray[np.float64]
    """Direction of the rows, unit vector"""
    normal: NDArray[np.float64]
    """u x v"""

    def points_mm(self) -> NDArray[np.float64]:
        """Where each pixel lies: shape (v, u, 3), mm."""
        import numpy as np

        v, u = np.meshgrid(self.v_mm, self.u_mm, indexing="ij")
        return self.centre_mm + u[..., None] * self.u + v[..., None] * self.v


class Volume:
    """A volume: up to four channels on one grid and one timeline.

    Made by `narrows.open`, `Volume.from_arrays` and its like, or `narrows.phantom`. Cannot be changed; may be used by
    several threads at once. Pickled, a volume from files is opened again, any other carries its codes.

    Attributes
    ----------
    shape : tuple of int
        Frames, then voxels along z, y, x.
    channels : tuple of str
        Of "tissue", "velocity", "power", "variance".
    spacing_mm, origin_mm : ndarray, shape (3,)
        Along x, y, z; centre of the first voxel.
    directions : ndarray, shape (3, 3)
        Row i is the unit vector of axis i (x, y, z).
    times_s : ndarray, shape (frames,)
        From the R wave.
    apex_mm : ndarray, shape (3,), or None
        Where the beams start.
    nyquist_m_s, baseline_m_s : float or None
        Nyquist velocity, and how far the middle of the displayed range lies from zero.
    velocity_limits_m_s : tuple of float or None
        Lowest and highest displayed velocity.
    file, blake3, format : str
        Where it came from.
    assumed : list of str
        What was left open and how it was filled; also what the rounding of reals to codes lost.
    truth : dict or None
        What is true of a simulated volume.
    """

    __slots__ = ("__dict__", "_given", "_native")

    _native: _narrows.Volume
    _given: dict[str, Any]

    def __init__(self) -> None:
        raise TypeError("a Volume is made by narrows.open, Volume.from_arrays or narrows.phantom")

    @classmethod
    def _of(cls, native: _narrows.Volume, **given: Any) -> Volume:
        made = object.__new__(cls)
        object.__setattr__(made, "_native", native)
        object.__setattr__(made, "_given", given)
        return made

    def __setattr__(self, name: str, value: Any) -> None:
        raise AttributeError("a Volume cannot be changed")

    @classmethod
    def from_arrays(
        cls,
        velocity: ArrayLike,
        *,
        spacing_mm: Sequence[float],
        nyquist_m_s: float,
        power: ArrayLike | None = None,
        variance: ArrayLike | None = None,
        tissue: ArrayLike | None = None,
        origin_mm: Sequence[float] = (0.0, 0.0, 0.0),
        directions: ArrayLike | None = None,
        times_s: Sequence[float] | None = None,
        baseline_m_s: float = 0.0,
        apex_mm: Sequence[float] | None = None,
        rr_s: float | None = None,
        power_zero: float = 0.0,
        power_db: tuple[float, float] | None = None,
        name: str = "arrays",
        nan_is_no_colour: bool = False,
        copy: bool | None = None,
    ) -> Volume:
        """A volume of numpy arrays.

        Unsigned codes (8 or 16 bits) stay where they lie where they lie together (C order, little-endian): the array
        must then not be written to while the volume is in use. Signed codes become unsigned ones, reals become 16-bit codes; what that loses stands in `assumed`.

        Parameters
        ----------
        velocity : array_like, shape (frames, z, y, x) or (z, y, x)
            Unsigned or signed codes whose range is one cycle of twice the Nyquist velocity, or reals in m/s; positive
            toward the probe. The code of zero (reals: 0.0) also means "no colour here".
        spacing_mm : sequence of 3 floats
            Millimetres from voxel to voxel along x, y, z.
        nyquist_m_s : float
            Nyquist velocity, m/s.
        power, variance, tissue : array_like, optional
            Other channels, in the same shape. Reals are laid over 16-bit codes.
        origin_mm : sequence of 3 floats
            Centre of the first voxel, mm.
        directions : array_like, shape (3, 3), optional
            Row i is the direction of axis i (x, y, z); the coordinate axes where not given.
        times_s : sequence of float
            One a frame, seconds from the R wave; may be left out for one frame.
        baseline_m_s : float
            How far the middle of the displayed range lies from zero.
        apex_mm : sequence of 3 floats, optional
            Where the beams start, mm.
        rr_s : float, optional
            R-R interval, s.
        power_zero : float
            The stored value of no power, where power is proportional to the flow power.
        power_db : (float, float), optional
            Decibel a step and decibel of the stored value 0, where power is logarithmic.
        name : str
            What results call the volume.
        nan_is_no_colour : bool
            Whether NaN means "no colour"; otherwise it is an error.
        copy : bool, optional
            ``True`` copies always, ``False`` never: an error where it must, as signed codes and reals always do.

        Returns
        -------
        Volume

        Raises
        ------
        ArrayError
            Where shapes, units, geometry or numbers make no volume.
        """
        arrays = {"velocity": velocity, "power": power, "variance": variance, "tissue": tissue}
        told = {"spacing_mm": spacing_mm, "origin_mm": origin_mm, "directions": directions, "nyquist_m_s": nyquist_m_s,
                "baseline_m_s": baseline_m_s, "times_s": times_s, "apex_mm": apex_mm, "rr_s": rr_s,
                "power_db": power_db}  # fmt: skip
        if power is not None and power_db is None:
            told["power_zero"] = power_zero
        return cls._from(arrays, _told({}, told), name, nan_is_no_colour, copy)

    @classmethod
    def _from(
        cls,
        arrays: Mapping[str, Any],
        said: Mapping[str, Any],
        name: str,
        nan_is_no_colour: bool = False,
        copy: bool | None = None,
    ) -> Volume:
        given = [(key, samples(key, array, copy)) for key, array in arrays.items() if array is not None]
        said = {**said, "channels": [key for key, _ in given]}
        native = _narrows.from_arrays(given, document("the arguments", said, ArrayError), str(name), nan_is_no_colour)
        return cls._of(native)

    # ---- what it holds ----

    @functools.cached_property
    def _facts(self) -> dict[str, Any]:
        return self._native.facts()

    @functools.cached_property
    def _said(self) -> dict[str, Any]:
        """Scales, grid, times and apex, as the sidecar of a file says them"""
        return json.loads(self._native.sidecar())

    @property
    def shape(self) -> tuple[int, int, int, int]:
        return tuple(self._facts["shape"])

    @property
    def channels(self) -> tuple[Channel, ...]:
        return tuple(self._said["channels"])

    @property
    def spacing_mm(self) -> NDArray[np.float64]:
        return _array(self._said["grid"]["spacing_mm"])

    @property
    def origin_mm(self) -> NDArray[np.float64]:
        return _array(self._said["grid"]["origin_mm"])

    @property
    def directions(self) -> NDArray[np.float64]:
        return _array(self._said["grid"]["axes"])

    @property
    def times_s(self) -> NDArray[np.float64]:
        return _array(self._said["times_s"])

    @property
    def apex_mm(self) -> NDArray[np.float64] | None:
        apex = self._said.get("apex_mm")
        return None if apex is None else _array(apex)

    @property
    def nyquist_m_s(self) -> float | None:
        return self._facts["nyquist_m_s"]

    @property
    def baseline_m_s(self) -> float | None:
        return self._said.get("velocity", {}).get("baseline_shift_m_s")

    @property
    def velocity_limits_m_s(self) -> tuple[float, float] | None:
        return self._facts["velocity_limits_m_s"]

    @property
    def file(self) -> str:
        return self._facts["file"]

    @property
    def blake3(self) -> str:
        return self._facts["blake3"]

    @property
    def format(self) -> str:
        return self._facts["format"]

    @property
    def assumed(self) -> list[str]:
        return list(self._facts["assumed"])

    @property
    def truth(self) -> dict[str, Any] | None:
        text = self._native.truth()
        return None if text is None else json.loads(text)

    def codes(self, channel: Channel) -> NDArray[Any]:
        """The stored codes of a channel.

        Parameters
        ----------
        channel : {"tissue", "velocity", "power", "variance"}

        Returns
        -------
        ndarray of uint8 or uint16, shape (frames, z, y, x)
            Read-only; a view of the volume where the codes lie together, a copy otherwise.

        Raises
        ------
        OptionError
            Where the volume has no such channel.
        """
        codes = self._native.codes(channel)
        if codes is None:
            raise OptionError(f"the volume has no {channel} channel", f"it has {', '.join(self.channels)}")
        return codes

    def velocity_m_s(self, frame: int | None = None) -> NDArray[np.float32]:
        """The displayed velocity, NaN where there is no colour.

        It is cyclic: never average it. `plane` interpolates it phase-safe.

        Parameters
        ----------
        frame : int, optional
            From 0; all where not given.

        Returns
        -------
        ndarray of float32, shape (frames, z, y, x) or (z, y, x)
            m/s, positive toward the probe.
        """
        frames = list(range(self.shape[0])) if frame is None else [index("frame", frame)]
        velocity = self._native.velocity_m_s(frames)
        if velocity is None:
            raise OptionError("the volume has no velocity channel", f"it has {', '.join(self.channels)}")
        return velocity if frame is None else velocity[0]

    def save(self, path: str | os.PathLike[str]) -> None:
        """Writes the volume; the name says the format.

        Parameters
        ----------
        path : path
            Its name ends in .dcm, .nii, .nii.gz, .nrrd, .nhdr, .mha or .mhd.

        Raises
        ------
        FormatError
            Where it cannot be written so.
        """
        self._native.save(_path("path", path))

    # ---- what is made of it ----

    def trust(self) -> Trust:
        """Whether the acquisition can carry the measurement, before a jet is looked for.

        Returns
        -------
        Trust
            `verdict` ("adequate", "limited" or "unfit") and `findings`, each with value, limit, unit and message.
        """
        return Trust(json.loads(_narrows.trust(self._native)))

    def measure(
        self,
        *,
        cw_peak: float | None = None,
        cw_vti: float | None = None,
        cw_duration: float | None = None,
        ap: Sequence[float] | None = None,
        systole: tuple[float, float] | None = None,
        evidence: Mapping[str, Any] | str | os.PathLike[str] | None = None,
        criteria: str | os.PathLike[str] | None = None,
        progress: Progress = None,
    ) -> Results:
        """Measures every jet, as ``narrows measure`` does, to the same bit.

        Parameters
        ----------
        cw_peak : float, optional
            Peak velocity of the jet on continuous-wave Doppler, m/s: gives the regurgitant volume.
        cw_vti : float, optional
            Its velocity-time integral, cm; overrules the peak.
        cw_duration : float, optional
            Length of the envelope, ms; the length of systole where not given.
        ap : sequence of 3 floats, optional
            Anterior-posterior direction in the volume's frame of reference, for the long-axis width.
        systole : (float, float), optional
            First and last moment of systole, ms after the R wave.
        evidence : mapping or path, optional
            What else is known, to be graded with the volume: keys as in a file of evidence (docs/grading.md).
        criteria : str or path, optional
            Name of a built-in table of cut points, such as "eacvi-2013", or the path of a file (`pathlib.Path`, or a
            name with an ending).
        progress : bool or callable, optional
            ``None`` shows a bar by tqdm, where it is installed, on a terminal or in a notebook; ``True`` shows it
            anywhere, ``False`` nowhere. A callable is given the stage, the units done and all units.

        Returns
        -------
        Results

        Raises
        ------
        OptionError
            Where a number cannot be meant, perhaps in another unit.
        MeasureError
            Where the volume has no velocity, or no frame lies in systole.
        EvidenceError
            Where evidence or criteria cannot be used.
        KeyboardInterrupt
            Where it was interrupted; nothing is left half done.
        """
        is_file = criteria is not None and (not isinstance(criteria, str) or _narrows.is_criteria_file(criteria))
        criteria_text = text("criteria", criteria, EvidenceError) if is_file else None
        with listener(progress) as told:
            made, settings = _narrows.measure(
                self._native,
                ap=None if ap is None else numbers("ap", ap, 3),
                cw_peak=None if cw_peak is None else number("cw_peak", cw_peak),
                cw_vti=None if cw_vti is None else number("cw_vti", cw_vti),
                cw_duration=None if cw_duration is None else number("cw_duration", cw_duration),
                systole=None if systole is None else numbers("systole", systole, 2),
                evidence=_evidence(evidence),
                criteria=None if is_file or criteria is None else str(criteria),
                criteria_text=criteria_text,
                nyquist_m_s=self._given.get("nyquist_m_s"),
                baseline_m_s=self._given.get("baseline_m_s"),
                progress=told,
            )
        return Results(made, self, settings)

    def plane(
        self,
        point: Sequence[float],
        normal: Sequence[float],
        *,
        frame: int = 0,
        roll_deg: float = 0.0,
        side_mm: float | None = None,
        pixel_mm: float | None = None,
    ) -> Plane:
        """Every channel on a plane.

        Velocity is interpolated as a phase, never as a code, so that it is right across a wrap.

        Parameters
        ----------
        point, normal : sequence of 3 floats
            A point of the plane, mm, which becomes its centre, and a vector perpendicular to it.
        frame : int
            From 0.
        roll_deg : float
            Turn about the normal, degrees.
        side_mm, pixel_mm : float, optional
            Side of the square, and of a pixel; the whole volume and its finest spacing where not given.

        Returns
        -------
        Plane
            Pictures of shape (v, u).

        Raises
        ------
        OptionError
            Where there is no such frame, or a number cannot be meant.
        """
        made = _narrows.plane(
            self._native,
            numbers("point", point, 3),
            numbers("normal", normal, 3),
            number("roll_deg", roll_deg),
            index("frame", frame),
            None if side_mm is None else number("side_mm", side_mm),
            None if pixel_mm is None else number("pixel_mm", pixel_mm),
        )
        arrays = {"u_mm", "v_mm", "centre_mm", "u", "v", "normal"}
        parts: Any = (_array(made[key]) if key in arrays else made.get(key) for key in Plane._fields)
        return Plane(*parts)

    def sweep(self, over: Over, values: Sequence[float] = (), **options: Any) -> Sweep:
        """One parameter varied, the rest held.

        Parameters
        ----------
        over, values, **options
            As of `narrows.sweep`.

        Returns
        -------
        Sweep
        """
        from .studies import sweep

        return sweep(self, over, values, **options)

    # ---- other packages ----

    @classmethod
    def from_xarray(cls, data: xarray.Dataset | xarray.DataArray, **arguments: Any) -> Volume:
        """A volume of an xarray with dims time, z, y, x; see `to_xarray`.

        Parameters
        ----------
        data : xarray.Dataset or xarray.DataArray
            Variables velocity, power, variance, tissue (an array alone is velocity); coordinates in mm and s.
        **arguments
            As of `from_arrays`; they overrule what the attributes say.

        Returns
        -------
        Volume
        """
        from . import exchange

        return exchange.from_xarray(cls, data, arguments)

    def to_xarray(self) -> xarray.Dataset:
        """The codes as an xarray with dims time, z, y, x.

        Coordinates are the positions of the voxels along their axes, mm, and seconds from the R wave. What codes
        mean stands in the attributes; `from_xarray` gives back the same volume.
        """
        from . import exchange

        return exchange.to_xarray(self)

    @classmethod
    def from_sitk(cls, velocity: Any, **arguments: Any) -> Volume:
        """A volume of SimpleITK images.

        Parameters
        ----------
        velocity : SimpleITK.Image, or a list of one 3D image a frame
            3D, or 4D with time last. The geometry is taken from it.
        **arguments
            As of `from_arrays`; power, variance and tissue are images as well.

        Returns
        -------
        Volume
        """
        from . import exchange

        return exchange.from_sitk(cls, velocity, arguments)

    def to_sitk(self, channel: Channel = "velocity", frame: int | None = None) -> SimpleITK.Image:
        """The codes of a channel as a SimpleITK image with the volume's geometry.

        Parameters
        ----------
        channel : {"tissue", "velocity", "power", "variance"}
        frame : int, optional
            From 0: an image in 3D; all frames in 4D where not given, which warns where their times are uneven.

        Returns
        -------
        SimpleITK.Image
        """
        from . import exchange

        return exchange.to_sitk(self, channel, frame)

    @classmethod
    def from_nibabel(cls, velocity: nibabel.spatialimages.SpatialImage, **arguments: Any) -> Volume:
        """A volume of nibabel images, x, y, z and time, whose affine leads to mm (RAS+, turned to LPS).

        Parameters
        ----------
        velocity : nibabel image
            The geometry is taken from it, and the times, where its header says their unit.
        **arguments
            As of `from_arrays`; power, variance and tissue are images as well.

        Returns
        -------
        Volume
        """
        from . import exchange

        return exchange.from_nibabel(cls, velocity, arguments)

    def to_nibabel(self, channel: Channel = "velocity") -> nibabel.Nifti1Image:
        """The codes of a channel as a NIfTI image, x, y, z and time, with the volume's geometry (RAS+).

        Parameters
        ----------
        channel : {"tissue", "velocity", "power", "variance"}

        Returns
        -------
        nibabel.Nifti1Image
            Times are even in it: uneven ones are a warning.
        """
        from . import exchange

        return exchange.to_nibabel(self, channel)

    def __reduce__(self) -> tuple[Any, ...]:
        files = self._facts["files"]
        if files:
            return _reopened, ([os.path.abspath(file) for file in files], self._given, self.blake3)
        arrays = {channel: self.codes(channel).copy() for channel in self.channels}
        return _restored, (arrays, self._said, self.file, self._native.truth())

    def __repr__(self) -> str:
        frames, nz, ny, nx = self.shape
        return f"Volume({self.file or self.format}: {', '.join(self.channels)}; {frames} frames of {nx} x {ny} x {nz})"


def open(
    path_or_paths: str | os.PathLike[str] | Sequence[str | os.PathLike[str]],
    *,
    nyquist_m_s: float | None = None,
    baseline_m_s: float | None = None,
    velocity_bar: str | os.PathLike[str] | None = None,
) -> Volume:
    """Opens a volume: DICOM Enhanced US Volume, NIfTI-1, NRRD or MetaImage.

    The file is mapped, not read: it must not be shortened while the volume is in use.

    Parameters
    ----------
    path_or_paths : path or sequence of paths
        A file, the folder of a volume in several files, or all of its files.
    nyquist_m_s : float, optional
        Nyquist velocity, where the file does not state it or states it wrongly.
    baseline_m_s : float, optional
        Shift of the baseline, likewise.
    velocity_bar : path, optional
        The velocity bar of a colour-coded volume, a TOML file.

    Returns
    -------
    Volume

    Raises
    ------
    FormatError
        Where it cannot be read as a volume.
    OptionError
        Where the Nyquist velocity or the shift cannot be meant.
    """
    bar = None if velocity_bar is None else os.path.abspath(_path("velocity_bar", velocity_bar))
    nyquist = None if nyquist_m_s is None else number("nyquist_m_s", nyquist_m_s)
    baseline = None if baseline_m_s is None else number("baseline_m_s", baseline_m_s)
    native = _narrows.open(paths(path_or_paths), nyquist, baseline, bar)
    return Volume._of(native, nyquist_m_s=nyquist, baseline_m_s=baseline, velocity_bar=bar)


def _reopened(files: list[str], given: dict[str, Any], blake3: str) -> Volume:
    volume = open(files, **given)
    if volume.blake3 != blake3:
        raise FormatError(f"{volume.file} is not what it was: its bytes have changed", "open it anew")
    return volume


def _restored(arrays: dict[str, Any], said: dict[str, Any], name: str, truth: str | None) -> Volume:
    volume = Volume._from(arrays, said, name)
    return volume if truth is None else Volume._of(volume._native.with_truth(truth))


def _array(values: Any) -> NDArray[np.float64]:
    import numpy as np

    return np.asarray(values, dtype=np.float64)


def _told(said: Mapping[str, Any], given: Mapping[str, Any]) -> dict[str, Any]:
    """What is said, as a sidecar says it, with these arguments of `from_arrays` over it; ``None`` says nothing."""
    made = {"schema": "narrows/sidecar/1", **said, "grid": dict(said.get("grid", {}))}
    velocity = said.get("velocity", {})
    scale = {
        key: number(name, given[name], ArrayError) if given.get(name) is not None else velocity.get(key)
        for name, key in (("nyquist_m_s", "nyquist_m_s"), ("baseline_m_s", "baseline_shift_m_s"))
    }
    if given.get("nyquist_m_s") is not None or given.get("baseline_m_s") is not None:
        # Steps, zero and limits follow from these two.
        made["velocity"] = {
            key: value for key, value in scale.items() if value is not None and (value or key == "nyquist_m_s")
        }
    for name, value in given.items():
        if value is None or name in ("nyquist_m_s", "baseline_m_s"):
            continue
        if name in ("spacing_mm", "origin_mm"):
            made["grid"][name] = numbers(name, value, 3, ArrayError)
        elif name == "directions":
            made["grid"]["axes"] = _directions(value)
        elif name == "power_db":
            step, zero = numbers(name, value, 2, ArrayError)
            made["power"] = {"scale": "decibel", "db_per_step": step, "db_at_zero": zero}
        elif name == "power_zero":
            made["power"] = {"scale": "linear", "zero": number(name, value, ArrayError)}
        elif name in ("times_s", "apex_mm"):
            made[name] = numbers(name, value, 3 if name == "apex_mm" else None, ArrayError)
        elif name == "rr_s":
            made[name] = number(name, value, ArrayError)
        else:
            raise TypeError(f"from_arrays has no argument {name!r}")
    made["grid"].setdefault("axes", _directions(None))
    return made


def _directions(given: Any) -> list[list[float]]:
    if given is None:
        return [[1.0, 0.0, 0.0], [0.0, 1.0, 0.0], [0.0, 0.0, 1.0]]
    rows = given.tolist() if hasattr(given, "tolist") else given
    try:
        rows = list(rows)
    except TypeError:
        rows = []
    if len(rows) != 3:
        raise ArrayError(f"directions are no three vectors: {given!r}", "row i is the direction of axis i (x, y, z)")
    return [numbers(f"directions[{at}]", row, 3, ArrayError) for at, row in enumerate(rows)]


def _evidence(given: Any) -> str | None:
    if given is None:
        return None
    if isinstance(given, Mapping):
        return document("evidence", {"schema": "narrows/evidence/1", **given}, EvidenceError)
    return text("evidence", given, EvidenceError)


"""Volumes from and to SimpleITK, nibabel and xarray."""

from __future__ import annotations

import json
import warnings
from typing import TYPE_CHECKING, Any

from ._given import index, optional
from .errors import ArrayError, OptionError

if TYPE_CHECKING:
    from .volume import Volume

OTHERS = ("power", "variance", "tissue")


# ---- xarray ----


def to_xarray(volume: Volume) -> Any:
    xarray = optional("xarray", "xarray", "an xarray")
    import numpy as np

    frames, *sides = volume.shape
    coordinates: dict[str, Any] = {"time": ("time", volume.times_s, {"units": "s", "long_name": "time from the R wave"})}
    for axis, name in enumerate("xyz"):
        # How far along the axis the first voxel lies: with axes of length one, perpendicular, that is its place.
        first = float(volume.origin_mm @ volume.directions[axis])
        places = first + volume.spacing_mm[axis] * np.arange(sides[2 - axis])
        coordinates[name] = (name, places, {"units": "mm"})
    dims = ("time", "z", "y", "x")
    variables = {channel: (dims, volume.codes(channel)) for channel in volume.channels}
    attributes = {"narrows": json.dumps(volume._said), "name": volume.file or volume.format}
    return xarray.Dataset(variables, coordinates, attributes)


def from_xarray(cls: type[Volume], data: Any, arguments: dict[str, Any]) -> Volume:
    xarray = optional("xarray", "xarray", "an xarray")
    import numpy as np

    if isinstance(data, xarray.DataArray):
        data = data.to_dataset(name="velocity")
    if not isinstance(data, xarray.Dataset):
        raise ArrayError(f"this is no xarray: {type(data).__name__}", "give a Dataset or a DataArray")
    found = [name for name in ("velocity", *OTHERS) if name in data]
    if not found:
        raise ArrayError("the xarray holds no channel", "name a variable velocity, power, variance or tissue")
    arrays = {}
    for name in found:
        array = data[name]
        if "time" not in array.dims:
            array = array.expand_dims("time")
        if set(array.dims) != {"time", "z", "y", "x"}:
            raise ArrayError(f"{name} has the dims {array.dims}", "they are time, z, y, x")
        arrays[name] = array.transpose("time", "z", "y", "x").values
    if "narrows" in data.attrs:
        from .volume import _told

        try:
            said = _moved(json.loads(data.attrs["narrows"]), data, np)
        except ArrayError:
            raise
        except (AttributeError, KeyError, IndexError, TypeError, ValueError) as error:
            why = f"the attribute narrows is not readable: {error!r}"
            raise ArrayError(why, "leave it as to_xarray wrote it, or take it away") from error
        given = dict(arguments)
        name = given.pop("name", data.attrs.get("name", "xarray"))
        apart = {key: given.pop(key) for key in ("nan_is_no_colour", "copy") if key in given}
        arrays |= {key: given.pop(key) for key in OTHERS if given.get(key) is not None}
        return cls._from(arrays, _told(said, given), name, **apart)
    made: dict[str, Any] = {"name": str(data.attrs.get("name", "xarray"))}
    if "time" in data.coords and data["time"].size == arrays[found[0]].shape[0]:
        made["times_s"] = _times(data, np)
    directions = np.asarray(arguments.get("directions", np.eye(3)), dtype=np.float64)
    if directions.shape != (3, 3):
        raise ArrayError(f"directions have the shape {directions.shape}", "row i is the direction of axis i (x, y, z)")
    axes = [_even(data, name, np) for name in "xyz"]
    made["spacing_mm"] = [step for _, step in axes]
    made["origin_mm"] = sum(first * direction for (first, _), direction in zip(axes, directions))
    return _made(cls, arrays, {**made, **arguments})


def _moved(said: dict[str, Any], data: Any, np: Any) -> dict[str, Any]:
    """What is said, moved to where the coordinates are: a part of the grid, or of the beat, may have been taken."""
    grid = said["grid"]
    axes = np.asarray(grid["axes"])
    origin = np.asarray(grid["origin_mm"])
    for axis, name in enumerate("xyz"):
        first, step = _even(data, name, np, grid["spacing_mm"][axis])
        if abs(step - grid["spacing_mm"][axis]) > 1e-9 * step:
            grid["spacing_mm"][axis] = step
        away = first - float(np.asarray(grid["origin_mm"]) @ axes[axis])
        # Where nothing was taken the origin keeps its last digit.
        if abs(away) > 1e-6 * step:
            origin = origin + away * axes[axis]
    grid["origin_mm"] = origin.tolist()
    if "time" in data.coords:
        said["times_s"] = _times(data, np).tolist()
    return said


def _times(data: Any, np: Any) -> Any:
    """The times of the frames, s"""
    unit = data["time"].attrs.get("units", "s")
    if unit != "s":
        raise ArrayError(f"the coordinate time is in {unit}", "times are in s from the R wave")
    return np.atleast_1d(data["time"].values)


def _even(data: Any, name: str, np: Any, alone: float | None = None) -> tuple[float, float]:
    """First place and step of a coordinate, mm"""
    if name not in data.coords:
        raise ArrayError(f"the xarray has no coordinate {name}", "give the positions of the voxels in mm")
    places = np.asarray(data[name].values, dtype=np.float64)
    unit = data[name].attrs.get("units", "mm")
    if unit != "mm":
        raise ArrayError(f"the coordinate {name} is in {unit}", "positions are in mm")
    if places.size == 1 and alone is not None:
        return float(places[0]), alone
    steps = np.diff(places)
    if places.size < 2 or not np.isfinite(places).all() or steps[0] <= 0 or np.ptp(steps) > 1e-4 * abs(steps[0]):
        raise ArrayError(f"the coordinate {name} does not rise evenly", "give at least two even positions in mm")
    return float(places[0]), float((places[-1] - places[0]) / (places.size - 1))


def _made(cls: type[Volume], arrays: dict[str, Any], arguments: dict[str, Any]) -> Volume:
    if "velocity" not in arrays:
        raise ArrayError("there is no velocity", "name the variable velocity")
    if "nyquist_m_s" not in arguments:
        raise ArrayError("nobody says the Nyquist velocity", "give nyquist_m_s, in m/s")
    return cls.from_arrays(**arrays, **arguments)


# ---- SimpleITK ----


def _sitk_array(name: str, image: Any, sitk: Any) -> tuple[Any, Any]:
    """`[time, z, y, x]`, and an image with the geometry"""
    import numpy as np

    images = image if isinstance(image, (list, tuple)) else [image]
    if not images:
        raise ArrayError(f"{name} has no image", "give one 3D image a frame, or one 4D image")
    for one in images:
        if not isinstance(one, sitk.Image):
            raise ArrayError(f"{name} is no image of SimpleITK: {type(one).__name__}", "give a SimpleITK.Image")
        if one.GetNumberOfComponentsPerPixel() != 1:
            raise ArrayError(f"{name} has several components", "give one image a channel")
        if one.GetDimension() not in (3, 4):
            raise ArrayError(f"{name} has {one.GetDimension()} dimensions", "give x, y, z, and time last")
        told = (one.GetSize(), one.GetOrigin(), one.GetSpacing(), one.GetDirection())
        if told != (images[0].GetSize(), images[0].GetOrigin(), images[0].GetSpacing(), images[0].GetDirection()):
            raise ArrayError(f"the images of {name} lie on different grids", "bring them to one grid first")
    arrays = [sitk.GetArrayFromImage(one) for one in images]
    joined = arrays[0] if len(arrays) == 1 else np.stack(arrays)
    return joined, images[0]


def from_sitk(cls: type[Volume], velocity: Any, arguments: dict[str, Any]) -> Volume:
    sitk = optional("SimpleITK", "SimpleITK", "an image of SimpleITK")
    import numpy as np

    arrays = {}
    arrays["velocity"], image = _sitk_array("velocity", velocity, sitk)
    for name in OTHERS:
        if arguments.get(name) is not None:
            arrays[name], other = _sitk_array(name, arguments.pop(name), sitk)
            told = ((one.GetOrigin(), one.GetSpacing(), one.GetDirection()) for one in (image, other))
            if not all(len(a) == len(b) and np.allclose(a, b) for a, b in zip(*told)):
                raise ArrayError(f"{name} lies on another grid than velocity", "bring them to one grid first")
    size = image.GetDimension()
    # Columns of the direction matrix are the directions of the axes; LPS, as ours.
    directions = np.asarray(image.GetDirection()).reshape(size, size)[:3, :3].T
    made = {"spacing_mm": image.GetSpacing()[:3], "origin_mm": image.GetOrigin()[:3], "directions": directions}
    return _made(cls, arrays, {**made, **arguments})


def to_sitk(volume: Volume, channel: Any, frame: int | None) -> Any:
    sitk = optional("SimpleITK", "SimpleITK", "an image of SimpleITK")
    import numpy as np

    codes = volume.codes(channel)
    origin, spacing = volume.origin_mm.tolist(), volume.spacing_mm.tolist()
    directions = volume.directions.T
    if frame is not None:
        at = index("frame", frame)
        if at >= volume.shape[0]:
            raise OptionError(f"there is no frame {at}", f"frames are 0 to {volume.shape[0] - 1}")
        image = sitk.GetImageFromArray(codes[at])
    else:
        image = sitk.GetImageFromArray(codes, isVector=False)
        start, step = _steps(volume)
        origin, spacing = [*origin, start], [*spacing, step]
        whole = np.eye(4)
        whole[:3, :3] = directions
        directions = whole
    image.SetOrigin(origin)
    image.SetSpacing(spacing)
    image.SetDirection(directions.ravel().tolist())
    return image


# ---- nibabel ----

#: RAS+ of NIfTI and LPS of ours differ in the sign of x and y
_TURN = (-1.0, -1.0, 1.0)


def _nibabel_array(name: str, image: Any) -> Any:
    import numpy as np

    dataobj = getattr(image, "dataobj", None)
    if dataobj is None or not hasattr(image, "affine"):
        raise ArrayError(f"{name} is no image of nibabel: {type(image).__name__}", "give a Nifti1Image")
    # Codes as stored, where no scaling turns them to reals.
    array = np.asanyarray(dataobj)
    if array.ndim == 3:
        array = array[..., np.newaxis]
    if array.ndim != 4:
        raise ArrayError(f"{name} has {array.ndim} axes", "give x, y, z and time")
    return array.transpose(3, 2, 1, 0)


def from_nibabel(cls: type[Volume], velocity: Any, arguments: dict[str, Any]) -> Volume:
    optional("nibabel", "nibabel", "an image of nibabel")
    import numpy as np

    arrays = {"velocity": _nibabel_array("velocity", velocity)}
    for name in OTHERS:
        if arguments.get(name) is not None:
            other = arguments.pop(name)
            arrays[name] = _nibabel_array(name, other)
            if not np.allclose(other.affine, velocity.affine):
                raise ArrayError(f"{name} lies on another grid than velocity", "bring them to one grid first")
    unit, times = _nifti_units(velocity, arrays["velocity"].shape[0])
    affine = unit * np.diag([*_TURN, 1.0]) @ np.asarray(velocity.affine, dtype=np.float64)
    steps = affine[:3, :3].T
    spacing = np.linalg.norm(steps, axis=1)
    if not (spacing > 0).all():
        raise ArrayError("the affine has no directions", "give an image with its geometry")
    made = {"spacing_mm": spacing, "origin_mm": affine[:3, 3], "directions": steps / spacing[:, None], "times_s": times}
    return _made(cls, arrays, {**made, **arguments})


def to_nibabel(volume: Volume, channel: Any) -> Any:
    nibabel = optional("nibabel", "nibabel", "an image of nibabel")
    import numpy as np

    affine = np.eye(4)
    affine[:3, :3] = (volume.directions * volume.spacing_mm[:, None]).T
    affine[:3, 3] = volume.origin_mm
    affine = np.diag([*_TURN, 1.0]) @ affine
    image = nibabel.Nifti1Image(volume.codes(channel).transpose(3, 2, 1, 0), affine)
    image.header.set_xyzt_units("mm", "sec")
    image.header["toffset"], image.header["pixdim"][4] = _steps(volume)
    return image


def _steps(volume: Volume) -> tuple[float, float]:
    """First time and step, s, of an image that holds no list of times"""
    import numpy as np

    times = volume.times_s
    steps = np.diff(times)
    if steps.size == 0:
        return float(times[0]), 1.0
    if np.ptp(steps) > 1e-3 * steps.mean():
        warnings.warn("the times of the frames are uneven, and the image holds their mean step: keep times_s", stacklevel=4)
    return float(times[0]), float(steps.mean())


#: Millimetres and seconds in a unit of NIfTI
_MM = {"mm": 1.0, "meter": 1e3, "micron": 1e-3}
_S = {"sec": 1.0, "msec": 1e-3, "usec": 1e-6}


def _nifti_units(image: Any, frames: int) -> tuple[float, Any]:
    """Millimetres in a unit of its affine, and the times of its frames where the header says their unit"""
    import numpy as np

    header: Any = getattr(image, "header", None)
    if not hasattr(header, "get_xyzt_units"):
        return 1.0, None
    length, time = header.get_xyzt_units()
    step = float(header["pixdim"][4]) * _S.get(time, 0.0)
    times = float(header["toffset"]) * _S.get(time, 0.0) + step * np.arange(frames) if step > 0.0 else None
    return _MM.get(length, 1.0), times

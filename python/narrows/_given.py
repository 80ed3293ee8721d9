"""What is handed in, brought into the form that the compiled part takes. No rule of the domain stands here."""

from __future__ import annotations

import importlib
import json
import math
import os
from collections.abc import Iterable, Mapping
from typing import TYPE_CHECKING, Any

from .errors import ArrayError, MissingPackage, OptionError

if TYPE_CHECKING:
    import numpy as np
    from numpy.typing import NDArray


def optional(name: str, package: str, purpose: str) -> Any:
    """A package that need not be installed."""
    try:
        return importlib.import_module(name)
    except ImportError as error:
        raise MissingPackage(f"{purpose} needs {package}", f"pip install {package}") from error


def number(name: str, value: Any, kind: type[ValueError] = OptionError) -> float:
    """One finite number."""
    try:
        made = float(value)
    except (TypeError, ValueError):
        made = math.nan
    if not math.isfinite(made) or isinstance(value, (str, bytes)):
        raise kind(f"{name} is no finite number: {value!r}", "give one number")
    return made


def numbers(name: str, values: Any, count: int | None, kind: type[ValueError] = OptionError) -> list[float]:
    """A list of finite numbers, of this length where one is asked for."""
    if isinstance(values, (str, bytes)) or not isinstance(values, Iterable):
        raise kind(f"{name} is no list of numbers: {values!r}", f"give {count or 'a list of'} numbers")
    made = [number(f"{name}[{at}]", value, kind) for at, value in enumerate(values)]
    if count is not None and len(made) != count:
        raise kind(f"{name} has {len(made)} numbers, {count} are needed", "give x, y, z" if count == 3 else "")
    return made


def index(name: str, value: Any) -> int:
    """A whole number from 0."""
    try:
        made = value.__index__()
    except AttributeError:
        made = -1
    if isinstance(value, bool) or made < 0:
        raise OptionError(f"{name} is no whole number from 0: {value!r}", "frames are counted from 0, jets from 1")
    return made


def paths(given: Any) -> list[str]:
    """Paths out of one or several."""
    if isinstance(given, (str, os.PathLike)):
        given = [given]
    if not isinstance(given, Iterable):
        raise OptionError(f"this is no path: {given!r}", "give a path, or a list of paths")
    made = []
    for one in given:
        if not isinstance(one, (str, os.PathLike)):
            raise OptionError(f"this is no path: {one!r}", "give a path, or a list of paths")
        path = os.fspath(one)
        made.append(path if isinstance(path, str) else os.fsdecode(path))
    if not made:
        raise OptionError("no path was given", "give a path, or a list of paths")
    return made


def document(name: str, value: Any, kind: type[ValueError]) -> str:
    """JSON of a dictionary; numbers of numpy are numbers."""

    def simple(one: Any) -> Any:
        if hasattr(one, "tolist"):
            return one.tolist()
        raise TypeError(f"{type(one).__name__} is no value of {name}")

    if not isinstance(value, Mapping):
        raise kind(f"{name} is no dictionary: {value!r}", "")
    try:
        return json.dumps(dict(value), allow_nan=False, default=simple)
    except (TypeError, ValueError) as error:
        raise kind(f"{name} cannot be read: {error}", "finite numbers, words, lists and dictionaries only") from error


def samples(name: str, array: Any, copy: bool | None) -> NDArray[Any]:
    """An array `[time, z, y, x]` that lies together, in a type that is read; a view where that can be."""
    import numpy as np

    try:
        given = np.asanyarray(array)
    except (TypeError, ValueError) as error:
        raise ArrayError(f"{name} is no array: {error}", "give a numpy array [time, z, y, x]") from error
    if isinstance(given, np.ma.MaskedArray):
        raise ArrayError(f"{name} is a masked array", "fill it: array.filled(value)")
    if given.ndim == 3:
        given = given[np.newaxis]
    if given.ndim != 4:
        raise ArrayError(f"{name} has {given.ndim} axes", "give [time, z, y, x], or [z, y, x] of one frame")
    if given.size == 0:
        raise ArrayError(f"{name} is empty: its shape is {given.shape}", "every axis needs an entry")
    if given.dtype.kind not in "uif" or given.dtype.itemsize not in (1, 2, 4, 8):
        raise ArrayError(f"{name} is of type {given.dtype}", "give codes (uint8, uint16) or reals (float32, float64)")
    wanted = given.dtype.newbyteorder("<")
    if given.dtype == np.float16:
        wanted = np.dtype("<f4")
    elif given.dtype.kind in "ui" and given.dtype.itemsize > 2:
        raise ArrayError(f"{name} is of type {given.dtype}", "codes have 8 or 16 bits: array.astype(numpy.uint16)")
    if copy is True:
        return np.array(given, dtype=wanted, order="C", subok=False)
    made = np.ascontiguousarray(given, dtype=wanted)
    if copy is False and (made.dtype.kind == "f" or not np.may_share_memory(made, given)):
        why = "reals become codes" if made.dtype.kind == "f" else "it does not lie together, or in another byte order"
        raise ArrayError(f"{name} would have to be copied: {why}", "leave copy out, or give numpy.ascontiguousarray")
    return made

"""What is handed in, brought into the form that the compiled part takes. No rule of the domain stands here."""

from __future__ import annotations

import importlib
import json
import math
import operator
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
    except (TypeError, ValueError, OverflowError):
        made = math.nan
    if not math.isfinite(made) or isinstance(value, (str, bytes)):
        raise kind(f"{name} is no finite number: {value!r}", "give one number")
    return made


def numbers(name: str, values: Any, count: int | None, kind: type[ValueError] = OptionError) -> list[float]:
    """A list of finite numbers, of this length where one is asked for."""
    hint = f"give {count or 'a list of'} numbers{': x, y, z' if count == 3 else ''}"
    try:
        given = None if isinstance(values, (str, bytes)) else list(values)
    except TypeError:
        # No list at all, or an array of no axis.
        given = None
    if given is None:
        raise kind(f"{name} is no list of numbers: {values!r}", hint)
    if count is not None and len(given) != count:
        raise kind(f"{name} has {len(given)} numbers, {count} are needed", hint)
    return [number(f"{name}[{at}]", value, kind) for at, value in enumerate(given)]


def index(name: str, value: Any, hint: str = "frames are counted from 0, jets from 1") -> int:
    """A whole number from 0 that a machine counts to."""
    try:
        made = operator.index(value)
    except TypeError:
        made = -1
    if isinstance(value, bool) or not 0 <= made < 1 << 63:
        raise OptionError(f"{name} is no whole number from 0: {value!r}", hint)
    return made


def path(name: str, value: Any) -> str:
    """One path."""
    if not isinstance(value, (str, os.PathLike)):
        raise OptionError(f"{name} is no path: {value!r}", "give a path")
    return os.fsdecode(value)


def words(name: str, values: Any) -> list[str]:
    """A list of words; one word alone is none, and would be read letter by letter."""
    if isinstance(values, (str, bytes)) or not isinstance(values, Iterable):
        raise OptionError(f"{name} is no list of words: {values!r}", f"give a list: {name}=[...]")
    return [str(value).strip() for value in values]


def text(name: str, given: Any, kind: type[ValueError], hint: str = "check the path") -> str:
    """A short text file in UTF-8, no longer than the command line takes."""
    from ._narrows import LONGEST_TEXT

    try:
        with open(os.fspath(given), "rb") as file:
            read = file.read(LONGEST_TEXT + 1)
        if len(read) > LONGEST_TEXT:
            raise kind(f"cannot read the {name}: it is longer than {LONGEST_TEXT} bytes, and this is a short text", hint)
        return read.decode("utf-8")
    except (OSError, TypeError, UnicodeDecodeError) as error:
        raise kind(f"cannot read the {name}: {error}", hint) from error


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
        made.append(os.fsdecode(one))
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
        raise kind(f"{name} is no dictionary: {value!r}", "give a dictionary, or the path of a file")
    try:
        return json.dumps(dict(value), allow_nan=False, default=simple)
    except (TypeError, ValueError) as error:
        raise kind(f"{name} cannot be read: {error}", "finite numbers, words, lists and dictionaries only") from error


def samples(name: str, array: Any, copy: bool | None) -> NDArray[Any]:
    """An array `[time, z, y, x]` that lies together, in a type that is read; a view where that can be."""
    import numpy as np

    try:
        given = np.asanyarray(array)
    except Exception as error:  # Whatever an object's own `__array__` raises.
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
    if copy is False and (made.dtype.kind != "u" or not np.may_share_memory(made, given)):
        why = {"f": "reals become codes", "i": "signed codes become unsigned"}.get(
            made.dtype.kind, "it does not lie together, or in another byte order"
        )
        raise ArrayError(f"{name} would have to be copied: {why}", "leave copy out, or give numpy.ascontiguousarray")
    return made

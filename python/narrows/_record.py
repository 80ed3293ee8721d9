"""A part of a document, read by attribute."""

from __future__ import annotations

import copy
import sys
from typing import Any, ClassVar, NamedTuple

__all__ = ["Interval", "Record"]


class Interval(NamedTuple):
    """A value with its 95 % interval, in the unit of its name (`vca_mm2`: square millimetres)."""

    value: float
    """Best estimate"""
    low: float
    """Lower end"""
    high: float
    """Upper end"""


class Record:
    """A part of a document: its keys are attributes, which cannot be set.

    Intervals are `Interval`, points and outlines read-only arrays, lists of parts tuples of records.
    """

    _kinds: ClassVar[dict[str, tuple[str, str]]] = {}

    def __init__(self, data: dict[str, Any]) -> None:
        self.__dict__["_data"] = data

    def __getattr__(self, name: str) -> Any:
        data = self.__dict__.get("_data", {})
        if name not in data and name.endswith("_") and name[:-1] in data:
            # Python's own words get an underscore behind them.
            return getattr(self, name[:-1])
        if name not in data:
            # Keys are added to documents, never renamed: an older one lacks the newest.
            if any(name in getattr(kind, "__annotations__", {}) for kind in type(self).__mro__):
                return None
            raise AttributeError(f"{type(self).__name__} has no {name!r}; it has {', '.join(data)}")
        made = self._made(name, data[name])
        self.__dict__[name] = made
        return made

    def _made(self, name: str, value: Any) -> Any:
        kind, of = self._kinds.get(name, ("", ""))
        if value is None or not kind:
            return copy.deepcopy(value)
        if kind == "interval":
            return Interval(value["value"], value["low"], value["high"])
        if kind == "intervals":
            return tuple(Interval(one["value"], one["low"], one["high"]) for one in value)
        if kind == "tuple":
            return tuple(value)
        if kind == "array":
            import numpy as np

            array = np.asarray(value, dtype=np.float64)
            array.flags.writeable = False
            return array
        part = getattr(sys.modules[self._home()], of)
        return part(value) if kind == "record" else tuple(part(one) for one in value)

    def _home(self) -> str:
        # A class made by hand on top of a document finds the parts where the document does.
        for kind in type(self).__mro__:
            if "_kinds" in kind.__dict__:
                return kind.__module__
        return type(self).__module__

    def __setattr__(self, name: str, value: Any) -> None:
        raise AttributeError(f"{type(self).__name__} cannot be changed")

    def __delattr__(self, name: str) -> None:
        raise AttributeError(f"{type(self).__name__} cannot be changed")

    def to_dict(self) -> dict[str, Any]:
        """The same as dictionaries and lists of its own, as in the JSON document."""
        return copy.deepcopy(self.__dict__["_data"])

    def __eq__(self, other: object) -> bool:
        if not isinstance(other, Record):
            return NotImplemented
        return type(self) is type(other) and self.__dict__["_data"] == other.__dict__["_data"]

    __hash__ = None  # type: ignore[assignment]

    def __dir__(self) -> list[str]:
        return sorted({*super().__dir__(), *self.__dict__["_data"]})

    def __reduce__(self) -> tuple[Any, ...]:
        return type(self), (self.__dict__["_data"],)

    def __repr__(self) -> str:
        def short(value: Any) -> str:
            if isinstance(value, dict):
                if set(value) == {"value", "low", "high"}:
                    return f"{value['value']:.4g} ({value['low']:.4g} to {value['high']:.4g})"
                return "{...}"
            if isinstance(value, list) and len(value) > 3:
                return f"[{len(value)} entries]"
            text = repr(value)
            return text if len(text) <= 60 else text[:57] + "..."

        told = ", ".join(f"{key}={short(value)}" for key, value in self.__dict__["_data"].items())
        return f"{type(self).__name__}({told})"

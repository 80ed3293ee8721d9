"""What can go wrong; every message ends with what can be done about it.

::

    Error
    ├── FormatError      a file that cannot be read as a volume, or written
    ├── ArrayError       arrays, geometry or units that make no volume
    ├── OptionError      an argument that cannot be meant
    ├── MeasureError     a volume that cannot be measured
    ├── EvidenceError    what was entered for the grading, or its criteria
    ├── PhantomError     a recipe that cannot be simulated
    ├── FlowError        a solved flow that cannot be read
    ├── StudyError       a table or cohort that cannot be analysed
    ├── ReportError      a report that cannot be written
    ├── MissingPackage   an optional package that is not installed
    └── InternalError    a fault of this program
"""

from __future__ import annotations

__all__ = [
    "ArrayError",
    "Error",
    "EvidenceError",
    "FlowError",
    "FormatError",
    "InternalError",
    "MeasureError",
    "MissingPackage",
    "OptionError",
    "PhantomError",
    "ReportError",
    "StudyError",
]


class Error(Exception):
    """Anything that this package refuses or cannot do.

    Attributes
    ----------
    message : str
        What went wrong, and on what.
    hint : str
        What can be done about it; may be empty.
    """

    def __init__(self, message: str, hint: str = "") -> None:
        super().__init__(message, hint)
        self.message = message
        self.hint = hint

    def __str__(self) -> str:
        return f"{self.message}\nhint: {self.hint}" if self.hint else self.message


class FormatError(Error, ValueError):
    """A file cannot be read as a volume, or a volume cannot be written."""


class ArrayError(Error, ValueError):
    """Arrays, geometry or units make no volume."""


class OptionError(Error, ValueError):
    """An argument cannot be meant: its unit, its range, or a word that is not known."""


class MeasureError(Error):
    """A volume cannot be measured."""


class EvidenceError(Error, ValueError):
    """What was entered for the grading, or its criteria, cannot be used."""


class PhantomError(Error, ValueError):
    """A recipe cannot be simulated."""


class FlowError(Error, ValueError):
    """A solved flow cannot be read."""


class StudyError(Error, ValueError):
    """A table or a cohort cannot be analysed."""


class ReportError(Error):
    """A report or figure cannot be made."""


class MissingPackage(Error, ImportError):
    """A package that this needs, and that the rest does not, is not installed."""


class InternalError(Error, RuntimeError):
    """A fault of this program."""

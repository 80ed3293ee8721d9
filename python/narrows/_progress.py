"""How far long work has come."""

from __future__ import annotations

import sys
from collections.abc import Callable, Iterator
from contextlib import contextmanager
from typing import Any, Union

Progress = Union[bool, Callable[[str, int, int], Any], None]


def _watched() -> bool:
    """Whether somebody looks: a terminal, or a notebook."""
    try:
        return sys.stderr.isatty() or "ipykernel" in sys.modules
    except (AttributeError, ValueError):
        return False


@contextmanager
def listener(progress: Progress) -> Iterator[Callable[[str, int, int], Any] | None]:
    """What the work calls with stage, units done and all units; `None` where nobody listens."""
    if callable(progress):
        yield progress
        return
    if progress is False or (progress is None and not _watched()):
        yield None
        return
    try:
        from tqdm.auto import tqdm
    except ImportError:
        yield None
        return
    bar: Any = None

    def show(stage: str, done: int, total: int) -> None:
        nonlocal bar
        if bar is None or bar.desc != stage:
            if bar is not None:
                bar.close()
            # tqdm writes ": " behind a description; kept apart to be compared.
            bar = tqdm(total=total, leave=False)
            bar.set_description_str(stage)
        bar.total = total
        bar.update(done - bar.n)

    try:
        yield show
    finally:
        if bar is not None:
            bar.close()

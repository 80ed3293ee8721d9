# The compiled part: not for use by itself.
import pathlib
from collections.abc import Callable, Sequence
from typing import Any

from numpy.typing import NDArray

_Told = Callable[[str, int, int], Any] | None

class Volume:
    def sidecar(self) -> str: ...
    def facts(self) -> dict[str, Any]: ...
    def codes(self, channel: str) -> NDArray[Any] | None: ...
    def velocity_m_s(self, frames: Sequence[int]) -> NDArray[Any] | None: ...
    def truth(self) -> str | None: ...
    def with_truth(self, truth: str) -> Volume: ...
    def save(self, path: str) -> None: ...

LONGEST_TEXT: int

def version() -> tuple[str, str]: ...
def open(
    paths: Sequence[str],
    nyquist_m_s: float | None,
    baseline_m_s: float | None,
    velocity_bar: str | None,
) -> Volume: ...
def from_arrays(
    channels: Sequence[tuple[str, NDArray[Any]]], sidecar: str, name: str, nan_is_no_colour: bool
) -> Volume: ...
def trust(volume: Volume) -> str: ...
def measure(
    volume: Volume,
    *,
    ap: Sequence[float] | None,
    cw_peak: float | None,
    cw_vti: float | None,
    cw_duration: float | None,
    systole: Sequence[float] | None,
    evidence: str | None,
    criteria: str | None,
    criteria_text: str | None,
    nyquist_m_s: float | None,
    baseline_m_s: float | None,
    progress: _Told,
) -> tuple[str, list[list[str]]]: ...
def figure(volume: Volume, results: str, jet: int, view: str, frame: int | None, units: str) -> str: ...
def grading_figure(results: str, units: str) -> str | None: ...
def png(svg: str, scale: float) -> bytes: ...
def sweep_figure(sweep: str) -> str: ...
def agreement_figure(agreement: str) -> str | None: ...
def sweep_words(over: str) -> tuple[str, str]: ...
def is_criteria_file(given: str) -> bool: ...
def table(results: str, which: str, units: str) -> str: ...
def report(
    volume: Volume,
    results: str,
    settings: Sequence[tuple[str, str]],
    out: str,
    *,
    units: str,
    paper: str,
    reader: str | None,
    valve: str | None,
    keep_identity: bool,
    progress: _Told,
) -> pathlib.Path: ...
def plane(
    volume: Volume,
    point: Sequence[float],
    normal: Sequence[float],
    roll_deg: float,
    frame: int,
    side_mm: float | None,
    pixel_mm: float | None,
) -> dict[str, Any]: ...
def phantom(recipe: str, *, toml: bool, progress: _Told) -> Volume: ...
def flow_names() -> list[str]: ...
def flow(name: str | None, path: str | None) -> tuple[str, dict[str, NDArray[Any]]]: ...
def sweep(
    volume: Volume,
    over: str,
    *,
    values: Sequence[float],
    jet: int,
    stored: bool,
    ap: Sequence[float] | None,
    truth: str | None,
    progress: _Told,
) -> str: ...
def agree(
    table: str,
    *,
    name: str,
    value: str,
    unit: str,
    repeats: str,
    grades: Sequence[str],
    reference: str | None,
    severe: float | None,
    plan: float | None,
    seed: int,
) -> str: ...
def cohort(
    paths: Sequence[str],
    *,
    workers: int,
    nyquist_m_s: float | None,
    ap: Sequence[float] | None,
    journal: str | None,
    command: Sequence[str],
    progress: _Told,
) -> str: ...
def serve_cohort() -> None: ...

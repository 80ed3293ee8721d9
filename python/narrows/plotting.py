"""Figures by matplotlib: drawn from what was measured, nothing is measured here."""

from __future__ import annotations

from typing import TYPE_CHECKING, Any

from . import _narrows
from ._given import index, optional
from .errors import OptionError

if TYPE_CHECKING:
    from .results import Results
    from .studies import Agreement, Sweep

# Of the colour-blind safe set of Okabe and Ito, as in the report.
ORANGE, BLUE, GREY = "#E69F00", "#0072B2", "#7f7f7f"
#: How far around the tracing a picture goes, mm
MARGIN = 4.0


def _axes(ax: Any) -> Any:
    pyplot = optional("matplotlib.pyplot", "matplotlib", "a figure")
    return pyplot.subplots(layout="constrained")[1] if ax is None else ax


def results(of: Results, view: str, number: int, ax: Any) -> Any:
    draw = {"en-face": _en_face, "profile": _profile, "time": _time}.get(view)
    if draw is None:
        raise OptionError(f"there is no view {view!r}", "en-face, profile or time; results.svg draws the others")
    jet = of.jet(number)
    ax = _axes(ax)
    draw(of, jet, ax)
    area = jet.vca_mm2
    ax.set_title(f"Jet {jet.id}: {area.value:.1f} mm² ({area.low:.1f} to {area.high:.1f})")
    return ax


def _en_face(of: Results, jet: Any, ax: Any) -> None:
    import numpy as np

    # The long-axis direction to the right, as in the report.
    u = jet.width_mm.long_axis_direction
    u = u - jet.axis * (jet.axis @ u)
    u = u / np.linalg.norm(u)
    v = np.cross(jet.axis, u)
    away = jet.tracing_mm - jet.traced_at_mm
    outline = np.stack([away @ u, away @ v], axis=1)
    reach = float(np.abs(outline).max()) + MARGIN
    if of.volume is not None:
        plane = of.volume.plane(jet.traced_at_mm, jet.axis, side_mm=1.0, pixel_mm=1.0)
        turn = float(np.degrees(np.arctan2(u @ plane.v, u @ plane.u)))
        plane = of.volume.plane(
            jet.traced_at_mm, jet.axis, frame=jet.peak_frame, roll_deg=turn, side_mm=2.0 * reach, pixel_mm=reach / 100
        )
        # What was measured has a velocity.
        assert plane.coloured is not None and plane.velocity_m_s is not None
        velocity = np.where(plane.coloured >= 0.5, plane.velocity_m_s, np.nan)
        low, high = of.volume.velocity_limits_m_s or (None, None)
        half = (plane.u_mm[1] - plane.u_mm[0]) / 2.0
        ends = (plane.u_mm[0] - half, plane.u_mm[-1] + half, plane.v_mm[0] - half, plane.v_mm[-1] + half)
        image = ax.imshow(velocity, origin="lower", extent=ends, cmap="twilight_shifted", vmin=low, vmax=high)
        ax.figure.colorbar(image, ax=ax, label="velocity toward the probe, m/s")
    closed = np.vstack([outline, outline[:1]])
    ax.plot(closed[:, 0], closed[:, 1], color=ORANGE, lw=2.0, label="tracing")
    ax.set(xlabel="along the long-axis width, mm", ylabel="across it, mm", aspect="equal")
    ax.legend(loc="upper right")


def _profile(of: Results, jet: Any, ax: Any) -> None:
    points = [(point.position_mm, point.area_mm2) for point in jet.neck_profile if point.area_mm2 is not None]
    ax.plot([at for at, _ in points], [area for _, area in points], color=BLUE)
    ax.axvline(0.0, color=ORANGE, ls="--", label="vena contracta")
    ax.set(xlabel="position along the jet, mm", ylabel="displayed area, mm²", ylim=(0.0, None))
    ax.legend()


def _time(of: Results, jet: Any, ax: Any) -> None:
    frames = [frame for frame in jet.frames if frame.vca_mm2 is not None]
    times = [frame.time_s for frame in frames]
    ax.fill_between(
        times, [f.vca_mm2.low for f in frames], [f.vca_mm2.high for f in frames], color=BLUE, alpha=0.2, label="95 %"
    )
    ax.plot(times, [f.vca_mm2.value for f in frames], "o-", color=BLUE, label="effective area")
    ax.set(xlabel="time from the R wave, s", ylabel="area, mm²", ylim=(0.0, None))
    ax.legend()


def sweep(of: Sweep, ax: Any) -> Any:
    ax = _axes(ax)
    rows = [(row.value, row.vca_mm2) for row in of.rows if row.vca_mm2 is not None]
    at = [value for value, _ in rows]
    ax.fill_between(at, [area.low for _, area in rows], [area.high for _, area in rows], color=BLUE, alpha=0.2, label="95 %")
    ax.plot(at, [area.value for _, area in rows], "o-", color=BLUE, label="area")
    if of.truth_mm2 is not None:
        ax.axhline(of.truth_mm2, color=ORANGE, ls="--", label="truth")
    _, unit = _narrows.sweep_words(of.over)
    ax.set(xlabel=f"{of.over}, {unit}" if unit else of.over, ylabel="area, mm²", ylim=(0.0, None))
    ax.legend()
    return ax


def agreement(of: Agreement, pair: int, ax: Any) -> Any:
    at = index("pair", pair)
    if at >= len(of.pairs):
        raise OptionError(f"there is no pair {at}", f"{len(of.pairs)} pairs of readers, counted from 0")
    ax = _axes(ax)
    one = of.pairs[at]
    ax.plot([p.mean for p in one.points], [p.difference for p in one.points], "o", color=BLUE)
    ax.axhline(one.bias, color=ORANGE, label="bias")
    for limit in (one.lower, one.upper):
        if limit is not None:
            ax.axhline(limit.value, color=GREY, ls="--")
    unit = f", {of.source.unit}" if of.source.unit else ""
    ax.set(xlabel=f"mean{unit}", ylabel=f"{one.first} - {one.second}{unit}")
    ax.legend()
    return ax

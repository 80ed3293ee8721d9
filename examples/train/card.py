"""Calibrates the spread on geometries left out of training and writes the network's card.

  python card.py PATCHES... OUT    reads OUT/left.npz and OUT/seen.npz; sets the factors in OUT/weights.bin; OUT/card.md

The factor of a stratum takes the predicted spread to the half-width that holds 95 % of the left-out errors, each
geometry weighing the same; patches as after a first correction (at most 6 degrees and 1.5 mm off).
"""
import json
import struct
import sys

import numpy as np

BUSY = 0.15
# In the order of the weights file.
STRATA = [("power, calm", 1, 0), ("power, busy", 1, 1), ("no power, calm", 0, 0), ("no power, busy", 0, 1)]


def gather(out, name):
    """All answers of a file, one row a patch with or without power, as a dict of arrays."""
    rows, file = {}, np.load(f"{out}/{name}.npz")
    for power, prefix in ((1, "power_"), (0, "bare_")):
        part = {k[len(prefix) :]: file[k] for k in file.files if k.startswith(prefix)}
        part.update({"true_" + k[6:]: file[k] for k in file.files if k.startswith("label_")})
        part["has_power"] = np.full(len(file["index"]), power)
        for k, v in part.items():
            rows.setdefault(k, []).append(v)
    rows = {k: np.concatenate(v) for k, v in rows.items()}
    rows["error"] = rows["log_area"] - rows["true_log_area"]
    rows["busy"] = (rows["true_rim"] > BUSY).astype(int)
    rows["offset_error"] = np.stack([rows["offset"][:, i] - rows[f"true_offset_{a}"] for i, a in enumerate("uvw")], 1)
    rows["lean_error"] = np.stack([rows["lean"][:, i] - rows[f"true_lean_{a}"] for i, a in enumerate("uv")], 1)
    off = [rows[f"true_offset_{a}"] for a in "uvw"]
    rows["near"] = (rows["true_tilt_error"] <= 6) & (np.hypot(off[0], off[1]) <= 1.5) & (np.abs(off[2]) <= 1.5)
    return rows


def pick(rows, mask):
    return {k: v[mask] for k, v in rows.items()}


def quantile(values, weights, q):
    order = np.argsort(values)
    share = np.cumsum(weights[order])
    return float(values[order][min(np.searchsorted(share, q * share[-1]), len(values) - 1)])


def even(rows):
    """A weight a row, so that each geometry counts the same."""
    _, back, count = np.unique(rows["true_geometry"], return_inverse=True, return_counts=True)
    return 1 / count[back]


def numbers(rows, factors=None):
    relative = np.expm1(rows["error"]) * 100
    texts = [f"{len(relative)}", f"{np.median(relative):+.1f}", f"{np.median(np.abs(relative)):.1f}"]
    texts += [f"{np.quantile(np.abs(relative), 0.9):.1f}"]
    if factors is not None:
        half = np.exp(rows["log_spread"]) * np.select([(rows["has_power"] == p) & (rows["busy"] == b) for _, p, b in STRATA], factors)
        texts += [f"{100 * np.mean(np.abs(rows['error']) <= half):.1f}", f"{100 * np.expm1(np.median(half)):.0f}"]
    return " | ".join(texts)


def main(*patches, out):
    geometries = [name for folder in patches for name in json.load(open(f"{folder}/patches.json"))["geometries"]]
    drawn = np.array([name.startswith("drawn-") for name in geometries])
    every = gather(out, "left")
    used = len(geometries) - len(np.unique(every["true_geometry"]))
    there = pick(every, every["true_orifice"] == 1)
    near, wide = pick(there, there["near"]), pick(there, ~there["near"])
    factors = []
    for _, power, busy in STRATA:
        part = pick(near, (near["has_power"] == power) & (near["busy"] == busy))
        factors.append(quantile(np.abs(part["error"]) / np.exp(part["log_spread"]), even(part), 0.95))
    blob = bytearray(open(f"{out}/weights.bin", "rb").read())
    blob[8:24] = struct.pack("<4f", *factors)
    open(f"{out}/weights.bin", "wb").write(blob)

    text = ["# Card of the network's weights", ""]
    seen = np.load(f"{out}/seen.npz")
    text += [
        f"Trained on {int(seen['patches'])} patches of {used} solved flows that constants may be set on, most of them drawn at random"
        f" ({int(seen['steps'])} steps of 256); none of the testing flows was seen. Settings, faults and poses: "
        f"`examples/train/draw.rs` and `label.rs`. What follows is on the {len(geometries) - used} flows that these weights have not seen.",
        "",
        "Not seen: real data, several frames together, persistence, another scanner's physics.",
        "",
        "## Effective area, per cent",
        "",
        "*As corrected*: the plane at most 6 degrees and 1.5 mm off; *as proposed*: up to 18 degrees and 5 mm off.",
        "Half: median half-width of the calibrated 95 % interval.",
        "",
        "| stratum | patches | bias | median | 90th | interval holds | half |",
        "|---|---|---|---|---|---|---|",
    ]
    for name, power, busy in STRATA:
        for title, rows in (("as corrected", near), ("as proposed", wide)):
            part = pick(rows, (rows["has_power"] == power) & (rows["busy"] == busy))
            text.append(f"| {name}, {title} | {numbers(part, factors)} |")
    usual = (
        (near["true_gain"] > 0.2) & (near["true_gain"] < 0.5) & (near["true_lateral"] < 1.15) & (near["true_elevational"] < 1.5)
        & (near["true_curve"] < 2) & (near["true_speed"] > 3.5) & (near["true_log_area"] > np.log(8)) & (near["true_nyquist"] > 0.5)
    )
    ranges = [("usual settings", usual)]
    area = np.exp(near["true_log_area"])
    for low, high in ((0, 8), (8, 20), (20, 40), (40, 100), (100, 1000)):
        ranges.append((f"area {low} to {high} mm2", (area >= low) & (area < high)))
    for value, name in enumerate(("linear", "decibel", "decibel taken for linear")):
        ranges.append((f"power {name}", near["true_curve"] == value))
    for low, high in ((0, 0.08), (0.08, 0.2), (0.2, 0.5)):
        ranges.append((f"blood {low} to {high} m/s", (near["true_blood"] >= low) & (near["true_blood"] < high)))
    for low, high in ((0.5, 1.0), (1.0, 1.5), (1.5, 2.3)):
        ranges.append((f"elevation spread {low} to {high} mm", (near["true_elevational"] >= low) & (near["true_elevational"] < high)))
    for low, high in ((0, 20), (20, 40), (40, 90)):
        ranges.append((f"beam {low} to {high} degrees", (near["true_beam_deg"] >= low) & (near["true_beam_deg"] < high)))
    for low, high in ((1.5, 3), (3, 4.5), (4.5, 7)):
        ranges.append((f"core {low} to {high} m/s", (near["true_speed"] >= low) & (near["true_speed"] < high)))
    for value in (1, 2, 3):
        ranges.append((f"orifices {value}", near["true_jets"] == value))
    for power, title in ((1, "with power"), (0, "without power")):
        text += ["", f"## As corrected, {title}", "", "| | patches | bias | median | 90th | interval holds | half |", "|---|---|---|---|---|---|---|"]
        for name, mask in ranges:
            part = pick(near, mask & (near["has_power"] == power))
            if len(part["error"]) > 20:
                text.append(f"| {name} | {numbers(part, factors)} |")
    text += ["", "## By geometry, as corrected: with power, then without", "", "| | patches | bias | median | 90th | interval holds | half | patches | bias | median | 90th | interval holds | half |", "|---" * 13 + "|"]
    each = [(name, np.arange(len(geometries)) == i) for i, name in enumerate(geometries) if not drawn[i]]
    for name, which in [*each, ("drawn at random", drawn)]:
        parts = [pick(near, which[near["true_geometry"].astype(int)] & (near["has_power"] == p)) for p in (1, 0)]
        if min(len(p["error"]) for p in parts) > 5:
            text.append(f"| {name} | " + " | ".join(numbers(p, factors) for p in parts) + " |")
    text += ["", "## Pose: median and 90th of what is left", "", "| | tilt before | tilt after, degrees | sideways after, mm | along after, mm | overlap of outlines |", "|---|---|---|---|---|---|"]
    for title, rows in (("as corrected", near), ("as proposed", wide)):
        for power, name in ((1, "power"), (0, "no power")):
            p = pick(rows, rows["has_power"] == power)
            two = lambda x: f"{np.median(x):.2f}, {np.quantile(x, 0.9):.2f}"
            tilt = np.degrees(np.hypot(*p["lean_error"].T))
            side, along = np.hypot(*p["offset_error"][:, :2].T), np.abs(p["offset_error"][:, 2])
            text.append(f"| {title}, {name} | {two(p['true_tilt_error'])} | {two(tilt)} | {two(side)} | {two(along)} | {np.median(p['overlap']):.3f} |")
    text += ["", "## Is there an orifice: share taken for one (logit above 0)", "", "| | with power | without |", "|---|---|---|"]
    kinds = ["an orifice", "jet's body", "jet's body", "chamber blood", "beside the orifice", "upstream", "ghost", "wrong way round"]
    for kind in (0, 1, 3, 4, 5, 6, 7):
        masks = [(every["true_negative"] == kind) | ((kind == 1) & (every["true_negative"] == 2)) for _ in (0, 1)]
        cells = []
        for power, mask in zip((1, 0), masks):
            chosen = every["orifice"][mask & (every["has_power"] == power)]
            cells.append(f"{100 * np.mean(chosen > 0):.1f} % of {len(chosen)}" if len(chosen) else "-")
        text.append(f"| {kinds[kind]} | {cells[0]} | {cells[1]} |")
    floor = gather(out, "seen")
    floor = pick(floor, (floor["true_orifice"] == 1) & floor["near"])
    text += ["", "## The floor: patches that the weights have seen, as corrected", "", "| | patches | bias | median | 90th |", "|---|---|---|---|---|"]
    for name, power, busy in STRATA:
        text.append(f"| {name} | {numbers(pick(floor, (floor['has_power'] == power) & (floor['busy'] == busy)))} |")
    text += ["", "Calibration factors (predicted spread to half-width): " + ", ".join(f"{n} {f:.2f}" for (n, _, _), f in zip(STRATA, factors)) + ".", ""]
    open(f"{out}/card.md", "w").write("\n".join(text))
    print("\n".join(text))


if __name__ == "__main__":
    main(*sys.argv[1:-1], out=sys.argv[-1])

"""Reviews as a reader at the window would save them.

Needs the program built; NARROWS_BIN names it. Run by itself it writes one: `stand_in.py VOLUME REVIEW SCALE`.
"""

import json
import os
import pathlib
import subprocess
import sys

import numpy as np

ROOT = pathlib.Path(__file__).resolve().parents[2]
BIN = pathlib.Path(os.environ.get("NARROWS_BIN", ROOT / "target" / "debug" / "narrows")).resolve()


def measured(volume, cache={}):
    """The program's own measurement, once for the same bytes"""
    key = volume.read_bytes()
    if key not in cache:
        done = subprocess.run([BIN, "measure", volume, "--json", "-"], capture_output=True, text=True, timeout=300)
        assert done.returncode in (0, 1), done.stderr
        cache[key] = json.loads(done.stdout)
    return cache[key]


def pose(centre, normal):
    """A cut as a review stores it"""
    normal = np.array(normal, float) / np.linalg.norm(normal)
    u = np.cross([0.0, 1.0, 0.0] if abs(normal[1]) < 0.9 else [1.0, 0.0, 0.0], normal)
    u /= np.linalg.norm(u)
    return {"centre": list(map(float, centre)), "u": u.tolist(), "v": np.cross(normal, u).tolist()}


def save(volume, path, work, place=None):
    """A review of a volume with this work in it"""
    results = measured(volume)
    source = results["source"]
    document = {
        "schema": "narrows/review/1",
        "version": "0",
        "source": {
            "file": source["file"],
            "path": os.path.relpath(volume, path.parent),
            "blake3": source["blake3"],
            "grid": source["grid"],
            "frames": source["frames"],
            "start": {"centre": [0, 0, 0], "u": [1, 0, 0], "v": [0, 1, 0]},
        },
        "work": work,
        "results": results,
    }
    if place:
        document["place"] = place
    path.parent.mkdir(parents=True, exist_ok=True)
    path.write_text(json.dumps(document))


def traced(volume, path, scale):
    """What a reader saves who draws the program's outline again, larger or smaller"""
    tracings = []
    for jet in measured(volume)["jets"]:
        points = np.array(jet["tracing_mm"])
        cut = pose(points.mean(axis=0), jet["axis"])
        away = points - cut["centre"]
        tracings.append(
            {
                "id": len(tracings),
                "jet": str(jet["id"]),
                "frame": jet["peak_frame"],
                "cut": cut,
                "points_mm": (np.stack([away @ cut["u"], away @ cut["v"]], axis=1) * scale).tolist(),
                "drawn": "by_hand",
                "closed": "closed",
            }
        )
    save(volume, path, {"tracings": tracings, "next_tracing": len(tracings)})


if __name__ == "__main__":
    traced(pathlib.Path(sys.argv[1]), pathlib.Path(sys.argv[2]), float(sys.argv[3]))

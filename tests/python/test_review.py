"""A saved review on the command line: its report, its recheck, and what is refused.

The review is written here as plain JSON, the way any program could, and held against
docs/schema by what the program reads. NARROWS_BIN names the program.
"""

import copy
import csv
import json
import math
import os
import pathlib
import subprocess

import numpy as np
import pypdf
import pytest
from shapely.geometry import Polygon

ROOT = pathlib.Path(__file__).resolve().parents[2]
BIN = pathlib.Path(os.environ.get("NARROWS_BIN", ROOT / "target" / "debug" / "narrows")).resolve()
RECIPE = ROOT / "tests" / "viewer" / "small.toml"


def run(*words):
    return subprocess.run([str(BIN), *map(str, words)], capture_output=True, text=True, timeout=300)


@pytest.fixture(scope="module")
def folder(tmp_path_factory):
    folder = tmp_path_factory.mktemp("review")
    assert run("phantom", RECIPE, "-o", folder / "small.dcm").returncode == 0
    done = run("measure", folder / "small.dcm", "--json", folder / "small.json")
    assert done.returncode in (0, 1), done.stderr
    return folder


@pytest.fixture(scope="module")
def results(folder):
    results = json.loads((folder / "small.json").read_text())
    assert results["jets"]
    return results


def a_review(results, **work):
    """A review of the volume, as it was saved after measuring."""
    source = results["source"]
    start = {"centre": results["jets"][0]["traced_at_mm"], "u": [1.0, 0.0, 0.0], "v": [0.0, 1.0, 0.0]}
    return {
        "schema": "narrows/review/1",
        "version": results["tool"]["version"],
        "source": {
            "file": source["file"],
            "path": source["file"],
            "blake3": source["blake3"],
            "grid": source["grid"],
            "frames": source["frames"],
            "start": start,
            "nyquist_given_m_s": results["given"]["nyquist_m_s"],
        },
        "work": work,
        "results": results,
    }


def saved(folder, name, review):
    path = folder / f"{name}.review.json"
    path.write_text(json.dumps(review))
    return path


def plane(jet):
    """Two unit vectors across the jet, so that u x v runs along the flow."""
    axis = np.array(jet["axis"])
    u = np.cross(axis, [1.0, 0.0, 0.0] if abs(axis[0]) < 0.9 else [0.0, 1.0, 0.0])
    u /= np.linalg.norm(u)
    return u, np.cross(axis, u)


def tracing(jet, points, number=0, **more):
    u, v = plane(jet)
    return {
        "id": number,
        "jet": str(jet["id"]),
        "frame": jet["peak_frame"],
        "cut": {"centre": jet["traced_at_mm"], "u": u.tolist(), "v": v.tolist()},
        "points_mm": [[float(x), float(y)] for x, y in points],
        "drawn": "by_hand",
        "closed": "closed",
        **more,
    }


def own_outline(jet):
    """The program's own tracing on the plane of `tracing`."""
    u, v = plane(jet)
    away = np.array(jet["tracing_mm"]) - jet["traced_at_mm"]
    return np.stack([away @ u, away @ v], axis=1)


def test_an_untouched_review_says_what_the_measurement_said(folder, results):
    path = saved(folder, "untouched", a_review(results))
    done = run("report", path, "--json", "-")
    assert done.returncode in (0, 1), done.stderr
    told = json.loads(done.stdout)
    assert len(told["jets"]) == len(results["jets"])
    for one, two in zip(told["jets"], results["jets"]):
        assert one["vca_mm2"] == two["vca_mm2"] and one["tracing_mm"] == two["tracing_mm"]
        assert one["systole"] == two["systole"]
        assert one["reading"] == {"origin": "program", "jet": str(two["id"]), "traced_frames": [], "tracings": 0, "blind_frames": []}
    assert told["total"] == results["total"]
    assert told["severity"] == results["severity"]


def test_the_report_holds_the_readers_tracing(folder, results):
    jet = results["jets"][0]
    ring = 1.25 * own_outline(jet)
    start, end = jet["systole"]["bounds_s"]
    systole = [1e3 * start + 4, 1e3 * end - 4]
    review = a_review(
        results,
        tracings=[tracing(jet, ring)],
        next_tracing=1,
        evidence={"schema": "narrows/evidence/1", "cw_peak_m_s": 5.0, "mechanism": "primary"},
        criteria="eacvi-2013",
        systole_ms=systole,
        notes="redrawn, the valve moved",
    )
    path = saved(folder, "traced", review)
    out = folder / "traced-report"
    done = run("report", path, "--out", out, "--reader", "R7")
    assert done.returncode in (0, 1), done.stderr
    told = json.loads((out / "results.json").read_text())
    (mine,) = [one for one in told["jets"] if one["reading"]["jet"] == str(jet["id"])]
    assert mine["reading"]["origin"] == "reader_drawn" and mine["reading"]["tracings"] == 1
    assert mine["reading"]["traced_frames"] == [jet["peak_frame"]] and mine["peak_frame"] == jet["peak_frame"]
    # The polygon is the reader's, and shapely measures the same area.
    assert mine["traced_area_mm2"] == pytest.approx(Polygon(ring).area, rel=1e-6)
    vca = mine["vca_mm2"]
    # Corrected for blooming by the same planimetry: the offset inward is about the program's own.
    off = lambda one, area: math.sqrt(one / math.pi) - math.sqrt(area / math.pi)
    program = off(jet["traced_area_mm2"], jet["vca_mm2"]["value"])
    assert off(mine["traced_area_mm2"], vca["value"]) == pytest.approx(program, abs=0.6)
    assert vca["low"] < vca["value"] < vca["high"] < mine["traced_area_mm2"] * 1.3
    assert mine["frames"][mine["peak_frame"]]["vca_mm2"] == vca
    for frame, (one, two) in enumerate(zip(mine["frames"], jet["frames"])):
        if frame != jet["peak_frame"]:
            assert one["vca_mm2"] == two["vca_mm2"]
    assert told["total"]["regurgitant_volume_ml"]["value"] > 0
    # Systole as the reader settled it, and the weighing with what the reader entered and chose.
    assert mine["systole"]["bounds_s"] == pytest.approx([1e-3 * at for at in systole])
    assert told["severity"]["criteria"]["title"] == "EACVI 2013"
    (area,) = [one for one in told["severity"]["placements"] if "vca_mm2" in one["items"]]
    assert area["value"] == told["total"]["vca_mm2"]
    assert "The reader noted: redrawn, the valve moved" in told["cautions"]
    page = (out / "index.html").read_text()
    text = " ".join(page.extract_text() for page in pypdf.PdfReader(out / "report.pdf").pages)
    for said in (page, " ".join(text.split())):
        assert "tracing, drawn by hand (jet 1 of the review)" in said
        assert f"{vca['value'] / 100:.2f} cm²" in said
    assert "traced.review.json" in text and "R7" in text


def test_a_program_outline_kept_by_the_reader_keeps_its_numbers(folder, results):
    jet = results["jets"][0]
    review = a_review(results, tracings=[tracing(jet, own_outline(jet), drawn="proposed")], next_tracing=1)
    told = json.loads(run("report", saved(folder, "kept", review), "--json", "-").stdout)
    mine = told["jets"][0]
    assert mine["reading"]["origin"] == "reader_kept"
    assert mine["traced_area_mm2"] == pytest.approx(jet["traced_area_mm2"], rel=1e-6)
    assert mine["vca_mm2"]["value"] == pytest.approx(jet["vca_mm2"]["value"], rel=0.03)


def test_what_does_not_count_is_said(folder, results):
    jet = results["jets"][0]
    bow = [(-3, -3), (3, 3), (3, -3), (-3, 3)]
    review = a_review(results, tracings=[tracing(jet, bow)], next_tracing=1)
    told = json.loads(run("report", saved(folder, "crossed", review), "--json", "-").stdout)
    assert told["jets"][0]["reading"]["origin"] == "program"
    assert any("does not count" in caution for caution in told["cautions"])
    review = a_review(results, dismissed=[str(one["id"]) for one in results["jets"]])
    told = json.loads(run("report", saved(folder, "dismissed", review), "--json", "-").stdout)
    assert told["jets"] == [] and any("set aside by the reader" in caution for caution in told["cautions"])


def test_the_report_of_a_review_that_is_compared_holds_the_comparison(folder, results, tmp_path):
    small = folder / "small.dcm"
    other = tmp_path / "later.dcm"
    other.write_bytes(small.read_bytes())
    with_it = {"file": "later.dcm", "path": str(other), "blake3": results["source"]["blake3"], "when": "later"}
    path = saved(folder, "compared", a_review(results, other=with_it))
    done = run("report", path, "--out", tmp_path / "out", "--label", "case 7")
    assert done.returncode in (0, 1), done.stderr
    assert "comparison" in done.stderr
    told = json.loads((tmp_path / "out" / "comparison" / "comparison.json").read_text())
    assert [told[when]["source"]["file"] for when in ("before", "after")] == ["case 7", "case 7, the other volume"]
    assert told["change"]["vca_mm2"]["difference"]["value"] == 0
    # Gone or another: an error with a hint, and all the rest is there.
    for number, damage in enumerate((lambda: other.write_bytes(small.read_bytes()[:-2] + b"ab"), other.unlink)):
        damage()
        out = tmp_path / f"out{number}"
        done = run("report", path, "--out", out, "--json", tmp_path / f"{number}.json")
        assert done.returncode == 2 and "later.dcm" in done.stderr and "hint: " in done.stderr
        assert (out / "index.html").exists() and (tmp_path / f"{number}.json").exists()
        assert not (out / "comparison").exists()


def test_a_recheck_of_our_own_numbers_finds_no_difference(folder, results):
    path = saved(folder, "own", a_review(results))
    done = run("recheck", path)
    assert done.returncode == 0, (done.stdout, done.stderr)
    assert "values are the same" in done.stdout
    found = json.loads(run("recheck", path, "--json", "-").stdout)
    assert found["schema"] == "narrows/recheck/1" and found["changes"] == [] and found["compared"] > 200


def test_a_recheck_measures_with_what_was_told_then(folder, tmp_path):
    """Of a volume that was measured with a Nyquist velocity and more that was given."""
    evidence = tmp_path / "evidence.toml"
    evidence.write_text('schema = "narrows/evidence/1"\ne_wave_m_s = 1.3\n')
    told = ["--nyquist", "0.66", "--ap", "0.3,0.9,0.1", "--cw-vti", "140", "--systole", "-20,420"]
    told += ["--evidence", evidence, "--criteria", "esc-2021"]
    done = run("measure", folder / "small.dcm", *told, "--json", tmp_path / "told.json")
    assert done.returncode in (0, 1), done.stderr
    results = json.loads((tmp_path / "told.json").read_text())
    assert results["given"]["nyquist_m_s"] == 0.66 and results["source"]["nyquist_m_s"] == 0.66
    assert results["total"]["regurgitant_volume_ml"] is not None
    review = a_review(results)
    done = run("recheck", saved(folder, "told", review))
    assert done.returncode == 0, (done.stdout, done.stderr)
    # The report takes the Nyquist velocity too; one that is given now goes before it.
    path = saved(folder, "told", review)
    said = json.loads(run("report", path, "--json", "-").stdout)
    assert said["source"]["nyquist_m_s"] == 0.66
    said = json.loads(run("report", path, "--nyquist", "0.7", "--json", "-").stdout)
    assert said["source"]["nyquist_m_s"] == 0.7
    # Part of it taken away, and the difference is told.
    part = copy.deepcopy(review)
    part["results"]["given"]["cw_vti_m"] = None
    found = json.loads(run("recheck", saved(folder, "part", part), "--json", "-").stdout)
    assert any(change["path"].startswith("total.regurgitant_volume_ml") for change in found["changes"])
    wrong = copy.deepcopy(review)
    wrong["source"]["nyquist_given_m_s"] = -1
    done = run("recheck", saved(folder, "wrong", wrong))
    assert done.returncode == 2 and "Nyquist" in done.stderr


def test_a_recheck_tells_every_difference(folder, results):
    changed = copy.deepcopy(results)
    changed["tool"] = {"version": "0.0.9", "engine": "0"}
    jet = changed["jets"][0]
    true = jet["vca_mm2"]["value"]
    jet["vca_mm2"]["value"] = true / 1.25
    jet["shape"]["class"] = "irregular"
    del jet["reading"]
    path = saved(folder, "changed", a_review(changed))
    done = run("recheck", path, "--json", folder / "recheck.json")
    assert done.returncode == 1, (done.stdout, done.stderr)
    found = json.loads((folder / "recheck.json").read_text())
    changes = {change["path"]: change for change in found["changes"]}
    assert set(changes) == {"jets[0].vca_mm2.value", "jets[0].shape.class"}
    assert changes["jets[0].vca_mm2.value"]["now"] == true
    assert changes["jets[0].vca_mm2.value"]["percent"] == pytest.approx(25.0)
    assert found["added"] == ["jets[0].reading"]
    assert found["then"] == ["0.0.9", "0"] and found["now"][0] == results["tool"]["version"]
    for words in ("2 of", "jets[0].vca_mm2.value", "+25.000 %", "0.0.9"):
        assert words in done.stdout


def test_results_of_another_version_that_cannot_be_read_are_still_compared(folder, results):
    """An earlier version knew less: the work is kept, and what it said is held against today."""
    old = copy.deepcopy(results)
    old["tool"]["version"] = "0.0.1"
    for jet in old["jets"]:
        del jet["shape"], jet["reading"]
    path = saved(folder, "old", a_review(old))
    done = run("recheck", path)
    assert done.returncode == 0 and "not in the saved results: jets[0].reading, jets[0].shape" in done.stdout
    assert run("report", path, "--json", folder / "old.json").returncode in (0, 1)


@pytest.mark.parametrize("verb", ["report", "recheck"])
def test_what_cannot_be_read_is_refused_with_a_hint(folder, results, verb, tmp_path):
    def refused(review, *more, words):
        done = run(verb, saved(folder, "refused", review), *more)
        assert done.returncode == 2, (done.stdout, done.stderr)
        assert done.stderr.startswith("error: ") and "\nhint: " in done.stderr
        assert words in done.stderr, done.stderr

    review = a_review(results)
    refused({**review, "schema": "narrows/review/2"}, words="written by a later version: schema narrows/review/2")
    refused({**review, "schema": "narrows/results/1"}, words="not a review")
    lost = copy.deepcopy(review)
    lost["source"].update(file="gone.dcm", path="away/gone.dcm")
    refused(lost, words="--volume")
    other = copy.deepcopy(review)
    other["source"]["blake3"] = "00" * 32
    refused(other, words="different volume")
    done = run(verb, tmp_path / "none.review.json")
    assert done.returncode == 2 and "hint: " in done.stderr
    # Moved, and said where.
    path = saved(folder, "moved", lost)
    done = run(verb, path, "--volume", folder / "small.dcm", "--json", tmp_path / "out.json")
    assert done.returncode in (0, 1), done.stderr
    assert (tmp_path / "out.json").exists()


def test_before_and_after(folder, results, tmp_path):
    out = tmp_path / "both"
    done = run("measure", folder / "small.dcm", "--compare", folder / "small.dcm", "--out", out, "--cw-peak", "5")
    assert done.returncode in (0, 1), done.stderr
    told = json.loads((out / "comparison.json").read_text())
    assert told["schema"] == "narrows/comparison/1" and told["before"] == told["after"]
    change = told["change"]["vca_mm2"]
    vca = results["total"]["vca_mm2"]
    assert change["difference"]["value"] == 0 and change["direction"] == "not_told" and change["percent"] == 0
    half = math.hypot(vca["value"] - vca["low"], vca["high"] - vca["value"])
    assert change["difference"]["high"] == pytest.approx(half) and change["difference"]["low"] == pytest.approx(-half)
    assert told["change"]["regurgitant_volume_ml"]["difference"]["value"] == 0
    assert "Both are the same file." in told["cautions"]
    page = (out / "index.html").read_text()
    assert page.count("<svg") == 3 and "No change can be claimed" in page
    ids = [piece.split('"')[0] for piece in page.split(' id="')[1:]]
    assert len(ids) == len(set(ids))
    text = " ".join(" ".join(page.extract_text().split()) for page in pypdf.PdfReader(out / "report.pdf").pages)
    assert "No change can be claimed" in text and "independent" in text
    rows = list(csv.DictReader((out / "comparison.csv").open()))
    assert len(rows) == 4 and float(rows[0]["before"]) == pytest.approx(vca["value"] / 100) and rows[0]["unit"] == "cm2"
    refused = run("measure", folder / "small.dcm", "--compare", folder / "small.dcm", "--sr", tmp_path / "x.dcm")
    assert refused.returncode == 2 and "hint: " in refused.stderr

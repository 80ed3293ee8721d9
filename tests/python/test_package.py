"""The Python package: the same bits as the program, errors that help, and what stands around it.

Needs the program built (NARROWS_BIN names it) and the package installed.
"""

import ast
import copy
import csv
import importlib
import inspect
import io
import json
import os
import pathlib
import pickle
import re
import shutil
import signal
import subprocess
import sys
import threading
import time
import venv
import zipfile
import _thread

import numpy as np
import pandas as pd
import pytest

try:
    import tomllib
except ImportError:  # Python 3.10
    from pip._vendor import tomli as tomllib

from stand_in import BIN, ROOT

import narrows

SAMPLES = sorted((ROOT / "sample-volumes").glob("*.dcm"))
CRESCENT = ROOT / "sample-volumes" / "crescent.dcm"
ROUND = ROOT / "sample-volumes" / "round.dcm"
README = ROOT / "README.md"


def program(*arguments, code=(0, 1)):
    done = subprocess.run([BIN, *arguments], capture_output=True, text=True, timeout=600)
    assert done.returncode in code, done.stderr
    return done.stdout


@pytest.fixture(scope="module")
def volume():
    return narrows.open(ROUND)


@pytest.fixture(scope="module")
def results(volume):
    return volume.measure(cw_peak=5.0)


@pytest.fixture(scope="module")
def few(volume, results, tmp_path_factory):
    """Three frames of it, in a file, and what is measured on them"""
    peak = results.jets[0].peak_frame
    made = narrows.Volume.from_xarray(volume.to_xarray().isel(time=slice(max(peak - 2, 0), peak + 1)))
    path = tmp_path_factory.mktemp("few") / "few.nrrd"
    made.save(path)
    opened = narrows.open(path)
    return opened, opened.measure(cw_peak=5.0, progress=False).to_json(), path


def small(**changes):
    """Arguments of a volume that is none of a heart, but is one"""
    random = np.random.default_rng(1)
    made = {
        "velocity": random.integers(0, 256, (3, 6, 7, 8), dtype=np.uint8),
        "spacing_mm": (0.5, 0.6, 0.7),
        "origin_mm": (1.0, 2.0, 3.0),
        "times_s": [0.0, 0.04, 0.08],
        "nyquist_m_s": 0.6,
    }
    return {**made, **changes}


# ---- the same bits ----


@pytest.mark.parametrize("path", SAMPLES, ids=lambda path: path.stem)
def test_every_sample_gives_the_bits_of_the_command_line(path):
    printed = program("measure", path, "--json", "-")
    results = narrows.open(path).measure(progress=False)
    assert results.to_json() == printed
    assert results.to_dict() == json.loads(printed)


def test_so_do_the_options(few):
    path = few[2]
    told = ["--cw-vti", "140", "--ap", "0.3,0.9,0.1", "--systole", "20,420", "--nyquist", "0.66"]
    evidence = ROOT / "sample-volumes" / "example" / "evidence.toml"
    printed = program("measure", path, "--json", "-", *told, "--evidence", evidence, "--criteria", "eacvi-2013")
    volume = narrows.open(path, nyquist_m_s=0.66)
    given = tomllib.loads(evidence.read_text())
    for entered in (evidence, given):
        made = volume.measure(
            cw_vti=140, ap=(0.3, 0.9, 0.1), systole=(20, 420), evidence=entered, criteria="eacvi-2013", progress=False
        )
        assert made.to_json() == printed


def test_the_report_is_the_report_of_the_command_line(few, tmp_path):
    volume, _, path = few
    program("measure", path, "--out", tmp_path / "a", "--cw-peak", "5", "--reader", "Ada", "--valve", "mitral")
    results = volume.measure(cw_peak=5, progress=False)
    page = results.report(tmp_path / "b", reader="Ada", valve="mitral", progress=False)
    assert page == tmp_path / "b" / "index.html"
    listed = [sorted(p.relative_to(tmp_path / d) for p in (tmp_path / d).rglob("*") if p.is_file()) for d in "ab"]
    assert listed[0] == listed[1] and len(listed[0]) > 15
    for table in ("jets", "frames"):
        written = pd.read_csv(tmp_path / "a" / f"{table}.csv", engine="python")
        pd.testing.assert_frame_equal(results.to_pandas(table, units="cm2"), written)
    for name in listed[0]:
        assert (tmp_path / "a" / name).read_bytes() == (tmp_path / "b" / name).read_bytes(), name


def test_arrays_of_a_volume_are_measured_as_the_volume(volume, results):
    given = {channel: volume.codes(channel) for channel in volume.channels}
    made = narrows.Volume.from_xarray(volume.to_xarray())
    assert {channel: made.codes(channel).tobytes() for channel in made.channels} == {
        channel: codes.tobytes() for channel, codes in given.items()
    }
    again = made.measure(cw_peak=5.0, progress=False).to_dict()
    first = results.to_dict()
    for key in ("jets", "total", "systole"):
        assert again.get(key) == first.get(key)


def test_sweep_agree_and_cohort_are_those_of_the_command_line(tmp_path, few):
    volume, _, path = few
    program("sweep", path, "--over", "tilt", "--values", "0,20,40", "--out", tmp_path / "s")
    sweep = narrows.sweep(volume, "tilt", [0, 20, 40], progress=False)
    assert sweep.to_dict() == json.loads((tmp_path / "s" / "sweep.json").read_text())
    assert volume.sweep("tilt", [0, 20, 40], progress=False) == sweep
    pd.testing.assert_frame_equal(sweep.to_pandas(), pd.read_csv(tmp_path / "s" / "sweep.csv"))
    assert sweep._repr_svg_() == (tmp_path / "s" / "sweep.svg").read_text()

    table = ROOT / "sample-volumes" / "example" / "readings.csv"
    program("agree", table, "--out", tmp_path / "a", "--unit", "mm2")
    printed = json.loads((tmp_path / "a" / "agreement.json").read_text())
    assert narrows.agree(table, unit="mm2").to_dict() == printed
    frame = pd.read_csv(table)
    by_frame = narrows.agree(frame, unit="mm2")
    columns = {name: list(frame[name]) for name in frame.columns}
    assert narrows.agree(columns, unit="mm2").to_dict() == by_frame.to_dict()
    assert {**by_frame.to_dict(), "source": 0} == {**printed, "source": 0}
    pairs = by_frame.to_pandas()
    assert len(pairs) == len(printed["pairs"])
    for (_, row), pair in zip(pairs.iterrows(), printed["pairs"]):
        assert [row["bias_from"], row["bias_to"]] == pair["bias_interval"]
        for name in ("lower", "upper"):
            assert row[name] == pair[name]["value"]
            assert [row[f"{name}_from"], row[f"{name}_to"]] == (pair[name]["exact"] or pair[name]["approximate"])
    assert by_frame._repr_svg_() == (tmp_path / "a" / "figures" / "differences-1.svg").read_text()

    folder = tmp_path / "volumes"
    folder.mkdir()
    for file in path.parent.iterdir():
        shutil.copy(file, folder)
    (folder / "broken.dcm").write_bytes(b"\0 no volume")
    program("cohort", folder, "--out", tmp_path / "cohort.csv")
    # The program and the package pass over files of other kinds alike: the sidecar.
    with pytest.warns(UserWarning, match="not measured: broken.dcm"):
        jets, volumes = narrows.cohort(folder, workers=2, table="both", journal=tmp_path / "j", progress=False)
    for frame, path in [(jets, "cohort.csv"), (volumes, "cohort.volumes.csv")]:
        rows = list(csv.DictReader(io.StringIO((tmp_path / path).read_text())))
        assert list(frame.columns) == list(rows[0]) and len(frame) == len(rows)
        for (_, made), row in zip(frame.iterrows(), rows):
            for name, cell in row.items():
                if cell and isinstance(made[name], float):
                    assert made[name] == float(cell), name
                elif cell:
                    assert str(made[name]).lower() == cell.lower(), name
                else:
                    assert made[name] is None or made[name] != made[name] or made[name] == "", name
    assert "mm2" in jets.attrs["columns"]["vca_mm2"]
    # The journal answers for what is known.
    with pytest.warns(UserWarning):
        again = narrows.cohort([folder], journal=tmp_path / "j", progress=False)
    pd.testing.assert_frame_equal(again, jets)


# ---- results ----


def test_results_are_read_by_attribute(results):
    document = results.to_dict()
    jet, told = results.jets[0], document["jets"][0]
    assert jet.vca_mm2 == (told["vca_mm2"]["value"], told["vca_mm2"]["low"], told["vca_mm2"]["high"])
    assert jet.vca_mm2.low < jet.vca_mm2.value < jet.vca_mm2.high
    assert jet.tracing_mm.shape == (len(told["tracing_mm"]), 3) and jet.axis.shape == (3,)
    assert jet.tracing_mm.tolist() == told["tracing_mm"]
    assert jet.width_mm.long_axis.value == told["width_mm"]["long_axis"]["value"]
    assert results.total.regurgitant_volume_ml.value > 0 and results.jet(1) == jet
    with pytest.raises(ValueError):
        jet.axis[0] = 1.0
    with pytest.raises(AttributeError):
        results.jets = []
    with pytest.raises(AttributeError, match="vca_mm2"):
        _ = jet.vca
    assert "vca_mm2" in dir(jet) and "vca_mm2" in repr(jet) and "mm2" in repr(results)
    assert isinstance(results.jets, tuple) and isinstance(jet.frames, tuple)
    # Nobody's changes reach the document.
    results.to_dict()["jets"].clear()
    results.cautions.append("x")
    assert results.to_dict() == document

    def walk(record):
        for name in dir(record):
            value = getattr(record, name) if not name.startswith("_") else None
            for one in value if isinstance(value, (list, tuple)) else [value]:
                if isinstance(one, narrows.Record):
                    walk(one)

    walk(results)


def test_tables_figures_and_pickles(results, tmp_path):
    jets, frames = results.to_pandas(), results.to_pandas("frames")
    assert len(jets) == len(results.jets) and len(frames) == sum(len(jet.frames) for jet in results.jets)
    assert results.jets[0].vca_mm2.value in jets.to_numpy(dtype=object).ravel()
    assert results.to_pandas(units="cm2").shape == jets.shape
    assert results._repr_svg_().startswith("<svg") and results.png()[:4] == b"\x89PNG"
    program("draw", ROUND, "--view", "profile", "-o", tmp_path / "profile.svg")
    assert (tmp_path / "profile.svg").read_text() == results.svg("profile")
    again = pickle.loads(pickle.dumps(results))
    assert copy.copy(results).volume is results.volume
    assert again == results and again.to_json() == results.to_json() and again.volume is None
    assert again._repr_svg_().startswith("<svg")
    with pytest.raises(narrows.ReportError, match="measure the volume again"):
        again.report(tmp_path / "none")
    assert pickle.loads(pickle.dumps(results.jets[0])) == results.jets[0]


def test_matplotlib_draws_what_was_measured(results):
    import matplotlib

    matplotlib.use("Agg")
    from matplotlib import pyplot

    for view in ("en-face", "profile", "time"):
        ax = results.plot(view)
        assert ax.get_xlabel().endswith(("mm", "s")) and (ax.lines or ax.images)
    outline = results.plot().lines[-1].get_xydata()
    x, y = outline[:, 0], outline[:, 1]
    area = 0.5 * abs(np.sum(x[:-1] * y[1:] - x[1:] * y[:-1]))
    assert abs(area - results.jets[0].traced_area_mm2) < 0.01 * area
    # Inside the tracing the picture is coloured.
    assert pickle.loads(pickle.dumps(results)).plot("en-face").get_title().startswith("Jet 1")
    agreement = narrows.agree(ROOT / "sample-volumes" / "example" / "readings.csv", unit="mm2")
    assert "mm2" in agreement.plot().get_xlabel()
    pyplot.close("all")
    with pytest.raises(narrows.OptionError):
        results.plot("sideways")


# ---- arrays ----


def test_codes_stay_where_they_lie():
    given = small()
    volume = narrows.Volume.from_arrays(**given)
    codes = volume.codes("velocity")
    assert codes.__array_interface__["data"][0] == given["velocity"].__array_interface__["data"][0]
    assert not codes.flags.writeable and (codes == given["velocity"]).all()
    wide = given["velocity"].astype(np.uint16) * 257
    assert np.shares_memory(narrows.Volume.from_arrays(**small(velocity=wide)).codes("velocity"), wide)
    copied = narrows.Volume.from_arrays(**small(copy=True))
    given["velocity"][:] = 0
    assert copied.codes("velocity").any() and not volume.codes("velocity").any()
    # The view outlives the volume.
    del volume, given
    assert codes.sum() == 0


def test_the_geometry_and_the_scale_are_as_given():
    turned = np.array([[0.0, 1.0, 0.0], [-1.0, 0.0, 0.0], [0.0, 0.0, 1.0]])
    volume = narrows.Volume.from_arrays(**small(directions=turned, apex_mm=(0, 0, -50), baseline_m_s=0.1, rr_s=0.8))
    assert volume.shape == (3, 6, 7, 8) and volume.channels == ("velocity",)
    assert (volume.spacing_mm == (0.5, 0.6, 0.7)).all() and (volume.origin_mm == (1, 2, 3)).all()
    assert np.allclose(volume.directions, turned) and (volume.apex_mm == (0, 0, -50)).all()
    assert (volume.times_s == [0.0, 0.04, 0.08]).all() and volume.nyquist_m_s == 0.6
    low, high = volume.velocity_limits_m_s
    assert abs((low + high) / 2 - 0.1) < 0.01 and abs(volume.baseline_m_s - 0.1) < 0.003
    velocity = volume.velocity_m_s(1)
    assert velocity.shape == (6, 7, 8) and np.nanmin(velocity) >= low - 1e-6 and np.nanmax(velocity) <= high + 1e-6
    assert len(volume.blake3) == 64 and volume.file == "arrays" and volume.format == "arrays"


def test_reals_become_codes_and_the_loss_is_told():
    random = np.random.default_rng(2)
    real = random.uniform(-0.59, 0.59, (3, 6, 7, 8))
    for kind in (np.float64, np.float32, ">f8"):
        volume = narrows.Volume.from_arrays(**small(velocity=real.astype(kind)))
        back = volume.velocity_m_s()
        assert np.nanmax(np.abs(back - real)) < 2e-5
        assert any("rounded to 16-bit codes" in line for line in volume.assumed)
    real[0, 0, 0, 0] = np.nan
    volume = narrows.Volume.from_arrays(**small(velocity=real, nan_is_no_colour=True))
    assert np.isnan(volume.velocity_m_s(0)[0, 0, 0])


def test_a_plane_interpolates_phases():
    codes = np.full((1, 9, 9, 9), 253, np.uint8)
    codes[..., 5:] = 3
    volume = narrows.Volume.from_arrays(codes, spacing_mm=(1, 1, 1), nyquist_m_s=0.6)
    plane = volume.plane((4.5, 4.0, 4.0), (0, 0, 1), side_mm=2, pixel_mm=1)
    assert plane.velocity_m_s.shape == plane.points_mm().shape[:2] and plane.power is None
    middle = tuple(n // 2 for n in plane.velocity_m_s.shape)
    # Between two velocities on either side of the wrap lies the Nyquist velocity, not zero.
    assert abs(abs(plane.velocity_m_s[middle]) - 0.6) < 0.02 and plane.coherence[middle] > 0.9
    assert np.allclose(plane.points_mm()[middle], (4.5, 4.0, 4.0)) and np.allclose(np.cross(plane.u, plane.v), (0, 0, 1))
    assert np.isnan(volume.plane((400, 0, 0), (0, 0, 1), side_mm=2).velocity_m_s).all()


ARRAY_ERRORS = {
    "an axis too few": dict(velocity=np.zeros((7, 8), np.uint8)),
    "an axis too many": dict(velocity=np.zeros((1, 1, 3, 4, 5), np.uint8)),
    "no entries": dict(velocity=np.zeros((0, 3, 4, 5), np.uint8)),
    "an empty list": dict(velocity=[]),
    "no array": dict(velocity=None),
    "words": dict(velocity=np.full((3, 6, 7, 8), "x")),
    "complex": dict(velocity=np.zeros((3, 6, 7, 8), complex)),
    "truths": dict(velocity=np.zeros((3, 6, 7, 8), bool)),
    "64-bit codes": dict(velocity=np.zeros((3, 6, 7, 8), np.int64)),
    "ragged": dict(velocity=[[1], [2, 3]]),
    "masked": dict(velocity=np.ma.zeros((3, 6, 7, 8), np.uint8)),
    "another shape": dict(power=np.zeros((3, 6, 7, 9), np.uint8)),
    "NaN": dict(velocity=np.full((3, 6, 7, 8), np.nan)),
    "infinity": dict(velocity=np.full((3, 6, 7, 8), np.inf, np.float32)),
    "NaN in power": dict(power=np.full((3, 6, 7, 8), np.nan)),
    "velocities in cm/s": dict(velocity=np.linspace(-60, 60, 3 * 6 * 7 * 8).reshape(3, 6, 7, 8)),
    "Nyquist in cm/s": dict(nyquist_m_s=60.0),
    "no Nyquist": dict(nyquist_m_s=0.0),
    "Nyquist NaN": dict(nyquist_m_s=float("nan")),
    "Nyquist a word": dict(nyquist_m_s="0.6"),
    "spacing in metres": dict(spacing_mm=(5e-6, 6e-6, 7e-6)),
    "spacing in micrometres": dict(spacing_mm=(500, 600, 700)),
    "two spacings": dict(spacing_mm=(0.5, 0.6)),
    "no spacing": dict(spacing_mm=()),
    "spacing zero": dict(spacing_mm=(0.5, 0.0, 0.7)),
    "spacing negative": dict(spacing_mm=(0.5, -0.6, 0.7)),
    "spacing NaN": dict(spacing_mm=(0.5, float("nan"), 0.7)),
    "spacing one number": dict(spacing_mm=0.5),
    "origin NaN": dict(origin_mm=(0, float("nan"), 0)),
    "origin beyond measure": dict(origin_mm=(0, 1e12, 0)),
    "directions skewed": dict(directions=[[1, 0, 0], [1, 1, 0], [0, 0, 1]]),
    "directions nought": dict(directions=np.zeros((3, 3))),
    "directions two": dict(directions=[[1, 0, 0], [0, 1, 0]]),
    "directions NaN": dict(directions=np.full((3, 3), np.nan)),
    "no times": dict(times_s=None),
    "an empty list of times": dict(times_s=[]),
    "a time too few": dict(times_s=[0.0, 0.04]),
    "times that fall": dict(times_s=[0.08, 0.04, 0.0]),
    "times NaN": dict(times_s=[0.0, float("nan"), 0.08]),
    "times in ms": dict(times_s=[0.0, 40.0, 80.0]),
    "apex of two": dict(apex_mm=(0, 0)),
    "baseline beyond the cycle": dict(baseline_m_s=2.0),
    "power step zero": dict(power=np.zeros((3, 6, 7, 8), np.uint8), power_db=(0.0, -40.0)),
    "R-R negative": dict(rr_s=-1.0),
}


@pytest.mark.parametrize("changes", ARRAY_ERRORS.values(), ids=ARRAY_ERRORS.keys())
def test_what_makes_no_volume_is_told(changes):
    with pytest.raises(narrows.ArrayError) as told:
        narrows.Volume.from_arrays(**small(**changes))
    assert len(told.value.message) > 10 and "\n" not in told.value.message
    assert isinstance(told.value, ValueError) and isinstance(told.value, narrows.Error)
    assert pickle.loads(pickle.dumps(told.value)).args == told.value.args


def test_arrays_that_lie_otherwise_are_copied_or_refused():
    whole = np.random.default_rng(1).integers(0, 256, (3, 12, 7, 8), dtype=np.uint8)
    given = small()["velocity"]
    read_only = given.copy()
    read_only.flags.writeable = False
    assert np.shares_memory(narrows.Volume.from_arrays(**small(velocity=read_only)).codes("velocity"), read_only)
    apart = {
        "every other slice": whole[:, ::2],
        "backward": whole[:, :6, ::-1],
        "Fortran order": np.asfortranarray(given),
        "big-endian": given.astype(">u2"),
        "transposed": np.ascontiguousarray(given.transpose(3, 2, 1, 0)).transpose(3, 2, 1, 0),
        "broadcast": np.broadcast_to(given[:1], (3, 6, 7, 8)),
    }
    for name, array in apart.items():
        volume = narrows.Volume.from_arrays(**small(velocity=array))
        assert (volume.codes("velocity") == array).all(), name
        with pytest.raises(narrows.ArrayError, match="would have to be copied"):
            narrows.Volume.from_arrays(**small(velocity=array, copy=False))
    narrows.Volume.from_arrays(**small(copy=False))
    with pytest.raises(narrows.ArrayError, match="reals become codes"):
        narrows.Volume.from_arrays(**small(velocity=np.zeros((3, 6, 7, 8)), copy=False))
    for signed in (np.int8, np.int16):
        array = np.ones((3, 6, 7, 8), signed)
        assert not np.shares_memory(narrows.Volume.from_arrays(**small(velocity=array)).codes("velocity"), array)
        with pytest.raises(narrows.ArrayError, match="signed codes become unsigned"):
            narrows.Volume.from_arrays(**small(velocity=array, copy=False))
    with pytest.raises(ValueError):
        narrows.Volume.from_arrays(**small()).codes("velocity")[0, 0, 0, 0] = 1


def refused(kind, hint, call, *arguments, **named):
    with pytest.raises(kind) as told:
        call(*arguments, **named)
    assert isinstance(told.value, narrows.Error) and told.value.hint, told.value.message
    assert re.search(hint, told.value.hint), (told.value.message, told.value.hint)
    assert "--" not in str(told.value)


def test_every_error_has_its_kind_and_its_hint(volume, results, tmp_path):
    (tmp_path / "text.dcm").write_text("no volume")
    refused(narrows.FormatError, "check the name", narrows.open, tmp_path / "none.dcm")
    refused(narrows.FormatError, "DICOM", narrows.open, tmp_path / "text.dcm")
    refused(narrows.OptionError, "path", narrows.open, [])
    refused(narrows.OptionError, "path", narrows.open, 3)
    refused(narrows.OptionError, "path", narrows.open, [None])
    refused(narrows.OptionError, "m/s", narrows.open, ROUND, nyquist_m_s=60)
    refused(narrows.OptionError, "unit", volume.measure, cw_peak=510)
    refused(narrows.OptionError, "unit", volume.measure, cw_vti=1.4)
    refused(narrows.OptionError, "number", volume.measure, cw_peak=float("nan"))
    refused(narrows.OptionError, "ms", volume.measure, cw_duration=-3)
    refused(narrows.OptionError, "systole", volume.measure, systole=(0.05, 0.37))
    refused(narrows.OptionError, "2 numbers", volume.measure, systole=(50,))
    refused(narrows.OptionError, "number", volume.measure, cw_peak=10**400)
    refused(narrows.OptionError, "x, y, z", volume.measure, ap=np.array(1.0))
    refused(narrows.EvidenceError, "path", volume.measure, evidence=[1])
    long = tmp_path / "long.toml"
    long.write_text("#" * (1 << 20) + "\n")
    refused(narrows.EvidenceError, "path", volume.measure, evidence=long)
    refused(narrows.EvidenceError, "path", volume.measure, criteria=long)
    assert "longer than" in subprocess.run([BIN, "measure", ROUND, "--evidence", long], capture_output=True, text=True).stderr
    refused(narrows.MeasureError, "systole=", volume.measure, systole=(2000, 2900))
    refused(narrows.OptionError, "three", volume.measure, ap=(0, 0, 0))
    refused(narrows.OptionError, "x, y, z", volume.measure, ap=(0, 1))
    refused(narrows.OptionError, "x, y, z", volume.measure, ap=())
    refused(narrows.EvidenceError, "", volume.measure, evidence={"lv_ef": 55})
    refused(narrows.EvidenceError, "", volume.measure, evidence={"cw_peak_m_s": float("nan")})
    refused(narrows.EvidenceError, "path", volume.measure, evidence=tmp_path / "none.toml")
    refused(narrows.EvidenceError, "", volume.measure, criteria="ase-1999")
    refused(narrows.EvidenceError, "path", volume.measure, criteria=tmp_path / "none.toml")
    refused(narrows.OptionError, "channels are", volume.codes, "colour")
    refused(narrows.OptionError, "it has", narrows.Volume.from_arrays(**small()).codes, "power")
    refused(narrows.OptionError, "from 0", volume.velocity_m_s, 999)
    refused(narrows.OptionError, "from 0", volume.velocity_m_s, -1)
    refused(narrows.OptionError, "frames are", volume.plane, (0, 0, 0), (0, 0, 1), frame=999)
    refused(narrows.OptionError, "frames are", volume.plane, (0, 0, 0), (0, 0, 1), frame=10**30)
    refused(narrows.OptionError, "frames are", volume.velocity_m_s, np.zeros(2))
    refused(narrows.OptionError, "path", volume.save, 3)
    refused(narrows.OptionError, "path", results.report, 3)
    refused(narrows.OptionError, "en-face", results.svg, view=3)
    refused(narrows.OptionError, "workers|1 or 2", narrows.cohort, ROUND, workers=1.5)
    readings = {"volume": [1], "reader": ["a"], "value": [1.0]}
    refused(narrows.OptionError, "whole number", narrows.agree, readings, seed=-1)
    refused(narrows.OptionError, "grades=", narrows.agree, readings, grades="mild")

    class Broken:
        def __array__(self, *_, **__):
            raise RuntimeError("no memory")

    refused(narrows.ArrayError, "array", narrows.Volume.from_arrays, **small(velocity=Broken()))
    refused(narrows.OptionError, "", volume.plane, (0, 0), (0, 0, 1))
    refused(narrows.OptionError, "three", volume.plane, (0, 0, 0), (0, 0, 0))
    refused(narrows.OptionError, "number", volume.plane, (0, 0, float("inf")), (0, 0, 1))
    refused(narrows.OptionError, "side", volume.plane, (0, 0, 0), (0, 0, 1), side_mm=1e6)
    refused(narrows.OptionError, "side", volume.plane, (0, 0, 0), (0, 0, 1), pixel_mm=1e-9)
    refused(narrows.FormatError, "names end in", volume.save, tmp_path / "a.xyz")
    refused(narrows.OptionError, "tilt", narrows.sweep, volume, "angle")
    refused(narrows.OptionError, "jet=", narrows.sweep, volume, "tilt", [0], jet=9)
    refused(narrows.OptionError, "number", narrows.sweep, volume, "tilt", [float("nan")])
    refused(narrows.OptionError, "open", narrows.sweep, ROUND, "tilt")
    refused(narrows.OptionError, "jet", results.svg, jet=9)
    refused(narrows.OptionError, "en-face", results.svg, "sideways")
    refused(narrows.OptionError, "frame=", results.svg, frame=999)
    refused(narrows.OptionError, "jets", results.to_pandas, "rows")
    refused(narrows.OptionError, "mm2", results.to_pandas, units="inches")
    (tmp_path / "full").mkdir()
    (tmp_path / "full" / "index.html").write_text("mine")
    refused(narrows.ReportError, "as out", results.report, tmp_path / "full", progress=False)
    refused(narrows.PhantomError, "default", narrows.phantom, {"grid": {"shape": [0, 0, 0]}})
    refused(narrows.PhantomError, "default", narrows.phantom, {"grit": {}})
    refused(narrows.PhantomError, "", narrows.phantom, {"seed": None})
    refused(narrows.PhantomError, "numbers", narrows.phantom, {"seed": float("nan")})
    refused(narrows.PhantomError, "TOML", narrows.phantom, tmp_path / "none.toml")
    refused(narrows.FlowError, "flows stand", narrows.flow, "no-such-flow")
    refused(narrows.FlowError, "check the name", narrows.flow, tmp_path / "none.flow")
    refused(narrows.FlowError, "names", narrows.flow, 3)
    refused(narrows.StudyError, "columns|row", narrows.agree, pd.DataFrame({"a": [1]}))
    refused(narrows.StudyError, "row", narrows.agree, pd.DataFrame({"volume": [], "reader": [], "value": []}))
    refused(narrows.StudyError, "frame", narrows.agree, 3)
    refused(narrows.StudyError, "entry", narrows.agree, {"volume": [1], "reader": []})
    refused(narrows.StudyError, "CSV", narrows.agree, tmp_path / "none.csv")
    refused(narrows.StudyError, "two readers", narrows.agree, {"volume": [1], "reader": ["a"], "value": [1.0]})
    refused(narrows.OptionError, "reference=", narrows.agree, {"volume": [1], "reader": ["a"], "value": [1.0]}, severe=1)
    refused(narrows.StudyError, "folder", narrows.cohort, tmp_path / "full")
    refused(narrows.OptionError, "path", narrows.cohort, [])
    refused(narrows.OptionError, "workers|1 to", narrows.cohort, ROUND, workers=0)
    refused(narrows.OptionError, "both", narrows.cohort, ROUND, table="rows")
    with pytest.raises(TypeError):
        narrows.Volume()
    with pytest.raises(AttributeError):
        volume.shape = (1, 2, 3, 4)
    no_velocity = volume.to_xarray().drop_vars("velocity")
    refused(narrows.MeasureError, "velocity", narrows.Volume.from_xarray(no_velocity).measure)


# ---- other packages ----


def same(a, b):
    assert a.shape == b.shape and a.channels == b.channels
    assert np.allclose(a.spacing_mm, b.spacing_mm) and np.allclose(a.origin_mm, b.origin_mm)
    assert np.allclose(a.directions, b.directions) and np.allclose(a.times_s, b.times_s)
    for channel in a.channels:
        assert (a.codes(channel) == b.codes(channel)).all()


TURNED = [[0.6, 0.8, 0.0], [-0.8, 0.6, 0.0], [0.0, 0.0, 1.0]]


def test_xarray_there_and_back():
    xarray = pytest.importorskip("xarray")
    given = small(directions=TURNED, power=np.ones((3, 6, 7, 8), np.uint8), power_db=(0.3, -40.0), apex_mm=(1, 2, -60))
    volume = narrows.Volume.from_arrays(**given)
    data = volume.to_xarray()
    assert data["velocity"].dims == ("time", "z", "y", "x") and data["x"].attrs["units"] == "mm"
    back = narrows.Volume.from_xarray(data)
    same(back, volume)
    assert back._said == volume._said and pickle.loads(pickle.dumps(volume))._said == volume._said
    # Arguments override what the attribute says, and leave the rest of it.
    other = narrows.Volume.from_xarray(data, nyquist_m_s=0.5, rr_s=0.9, copy=True, name="mine")
    assert other.file == "mine" and other.nyquist_m_s == 0.5 and other._said["rr_s"] == 0.9
    kept = ("grid", "power", "apex_mm", "times_s", "channels")
    assert {key: other._said[key] for key in kept} == {key: volume._said[key] for key in kept}
    assert other.baseline_m_s == volume.baseline_m_s and not np.shares_memory(other.codes("velocity"), given["velocity"])
    with pytest.raises(TypeError, match="colour"):
        narrows.Volume.from_xarray(data, colour=1)
    refused(narrows.ArrayError, "to_xarray", narrows.Volume.from_xarray, data.assign_attrs(narrows="{}"))
    in_ms = data.assign_coords(time=("time", [0.0, 40.0, 80.0], {"units": "ms"}))
    refused(narrows.ArrayError, "in s", narrows.Volume.from_xarray, in_ms)
    # A part keeps its place.
    part = narrows.Volume.from_xarray(data.isel(x=slice(2, 7), z=slice(1, 5), time=slice(1, 3)))
    assert np.allclose(part.origin_mm, volume.origin_mm + 2 * 0.5 * np.array(TURNED[0]) + 0.7 * np.array(TURNED[2]))
    assert part.shape == (2, 4, 7, 5) and list(part.times_s) == [0.04, 0.08]
    plain = xarray.DataArray(
        given["velocity"], dims=("time", "z", "y", "x"),
        coords={"time": [0.0, 0.04, 0.08], "z": 0.7 * np.arange(6), "y": 0.6 * np.arange(7), "x": 1 + 0.5 * np.arange(8)},
    )  # fmt: skip
    made = narrows.Volume.from_xarray(plain.transpose("x", "y", "z", "time"), nyquist_m_s=0.6)
    assert np.allclose(made.origin_mm, (1, 0, 0)) and (made.codes("velocity") == given["velocity"]).all()
    for wrong in (plain.drop_vars("x"), plain.assign_coords(x=np.arange(8) ** 2), plain.rename(z="depth")):
        refused(narrows.ArrayError, "", narrows.Volume.from_xarray, wrong, nyquist_m_s=0.6)
    refused(narrows.ArrayError, "nyquist_m_s", narrows.Volume.from_xarray, plain)
    refused(narrows.ArrayError, "DataArray", narrows.Volume.from_xarray, 3)


def test_simpleitk_there_and_back():
    sitk = pytest.importorskip("SimpleITK")
    volume = narrows.Volume.from_arrays(**small(directions=TURNED, power=np.ones((3, 6, 7, 8), np.uint8)))
    image = volume.to_sitk()
    assert image.GetSize() == (8, 7, 6, 3)
    one = volume.to_sitk("velocity", 1)
    place = one.TransformIndexToPhysicalPoint((3, 2, 1))
    expected = volume.origin_mm + np.array([3, 2, 1]) * volume.spacing_mm @ volume.directions
    assert np.allclose(place, expected)
    told = {"nyquist_m_s": 0.6, "times_s": volume.times_s}
    same(narrows.Volume.from_sitk(image, power=volume.to_sitk("power"), **told), volume)
    listed = [volume.to_sitk("velocity", frame) for frame in range(3)]
    assert (narrows.Volume.from_sitk(listed, **told).codes("velocity") == volume.codes("velocity")).all()
    refused(narrows.ArrayError, "", narrows.Volume.from_sitk, 3, **told)
    refused(narrows.ArrayError, "image", narrows.Volume.from_sitk, [], **told)
    refused(narrows.ArrayError, "grid", narrows.Volume.from_sitk, [one, sitk.Image(8, 7, 6, sitk.sitkUInt8)], **told)
    refused(narrows.OptionError, "frames are", volume.to_sitk, "velocity", 9)
    turned = sitk.Image(volume.to_sitk("power"))
    turned.SetDirection(np.eye(4).ravel().tolist())
    refused(narrows.ArrayError, "grid", narrows.Volume.from_sitk, image, power=turned, **told)
    with pytest.warns(UserWarning, match="uneven"):
        narrows.Volume.from_arrays(**small(times_s=[0.0, 0.04, 0.1])).to_sitk()


def test_nibabel_there_and_back(tmp_path):
    nibabel = pytest.importorskip("nibabel")
    volume = narrows.Volume.from_arrays(**small(directions=TURNED, power=np.ones((3, 6, 7, 8), np.uint8)))
    nibabel.save(volume.to_nibabel(), tmp_path / "v.nii.gz")
    image = nibabel.load(tmp_path / "v.nii.gz")
    told = {"nyquist_m_s": 0.6, "times_s": volume.times_s}
    same(narrows.Volume.from_nibabel(image, power=volume.to_nibabel("power"), **told), volume)
    # Its header says times and units: they need not be said again.
    assert np.allclose(narrows.Volume.from_nibabel(image, nyquist_m_s=0.6).times_s, volume.times_s)
    image.header.set_xyzt_units("meter", "msec")
    scaled = nibabel.Nifti1Image(image.dataobj, np.diag([1e-3, 1e-3, 1e-3, 1.0]) @ image.affine, image.header)
    scaled.header["pixdim"][4], scaled.header["toffset"] = 40.0, 20.0
    made = narrows.Volume.from_nibabel(scaled, nyquist_m_s=0.6)
    assert np.allclose(made.spacing_mm, volume.spacing_mm) and np.allclose(made.times_s, [0.02, 0.06, 0.1])
    # The program's own reader puts it in the same place.
    opened = narrows.open(tmp_path / "v.nii.gz", nyquist_m_s=0.6)
    assert np.allclose(opened.origin_mm, volume.origin_mm, atol=1e-4) and np.allclose(opened.times_s, volume.times_s)
    refused(narrows.ArrayError, "", narrows.Volume.from_nibabel, 3, **told)


@pytest.mark.parametrize(
    "package, call",
    [
        ("pandas", lambda v, r: r.to_pandas()),
        ("matplotlib.pyplot", lambda v, r: r.plot()),
        ("xarray", lambda v, r: v.to_xarray()),
        ("SimpleITK", lambda v, r: v.to_sitk()),
        ("nibabel", lambda v, r: v.to_nibabel()),
    ],
)
def test_a_package_that_is_missing_is_named(monkeypatch, volume, results, package, call):
    monkeypatch.setitem(sys.modules, package, None)
    with pytest.raises(narrows.MissingPackage, match="pip install"):
        call(volume, results)


def test_nothing_optional_is_imported():
    code = "import sys, narrows; print(*[m for m in sys.modules if '.' not in m])"
    done = subprocess.run([sys.executable, "-c", code], capture_output=True, text=True, check=True)
    loaded = set(done.stdout.split())
    assert not loaded & {"numpy", "pandas", "matplotlib", "xarray", "SimpleITK", "nibabel", "tqdm", "scipy"}


# ---- phantoms and flows ----


def test_a_phantom_is_that_of_the_command_line(tmp_path):
    text = (ROOT / "sample-volumes" / "round.toml").read_text()
    recipe = tomllib.loads(text)
    recipe.setdefault("beat", {})["frames"] = 2
    recipe.setdefault("grid", {})["shape"] = [24, 24, 24]
    volume, truth = narrows.phantom(recipe, progress=False)
    assert truth == volume.truth and volume.shape == (2, 24, 24, 24)
    volume.save(tmp_path / "a.nrrd")
    same(narrows.open(tmp_path / "a.nrrd"), volume)
    assert narrows.phantom(recipe, progress=False)[0].blake3 == volume.blake3
    restored = pickle.loads(pickle.dumps(volume))
    same(restored, volume)
    assert restored.truth == truth


def test_a_pickled_volume_is_the_same_file_or_none(few, tmp_path, monkeypatch):
    shutil.copy(few[2], tmp_path / "a.nrrd")
    for beside in few[2].parent.iterdir():
        shutil.copy(beside, tmp_path / beside.name.replace("few", "a"))
    monkeypatch.chdir(tmp_path)
    kept = pickle.dumps(narrows.open("a.nrrd"))
    monkeypatch.chdir(ROOT)
    assert pickle.loads(kept).blake3 == narrows.open(tmp_path / "a.nrrd").blake3
    narrows.open(CRESCENT).save(tmp_path / "a.nrrd")
    refused(narrows.FormatError, "anew", pickle.loads, kept)


def test_a_flow_is_what_its_header_says():
    names = narrows.flow_names()
    assert "round-20" in names
    flow = narrows.flow("round-20")
    assert flow.mean_m_s.shape == (len(flow.w_mm), len(flow.v_mm), len(flow.u_mm), 3)
    assert flow.covariance_m2_s2.shape[:3] == flow.wall.shape == flow.mean_m_s.shape[:3]
    level = int(np.argmin(np.abs(flow.w_mm - flow.truth["vc_level_mm"])))
    speed = flow.mean_m_s[level] @ np.array(flow.truth["axis"])
    assert abs(speed.max() - flow.truth["core_m_s"]) < 0.05 * flow.truth["core_m_s"]
    cell = (flow.u_mm[1] - flow.u_mm[0]) ** 2
    effective = np.clip(speed, 0, None).sum() * cell / flow.truth["core_m_s"]
    assert abs(effective - flow.truth["effective_mm2"]) < 0.15 * flow.truth["effective_mm2"]
    variances = flow.covariance_m2_s2[..., :3]
    assert (variances >= 0).all() and flow.wall.min() >= 0 and flow.wall.max() <= 1
    by_path = narrows.flow(ROOT / "sample-volumes" / "flows" / "round-20.flow")
    assert (by_path.mean_m_s == flow.mean_m_s).all()


# ---- threads, progress, interruption ----


def test_the_lock_is_released_and_threads_agree(few):
    volume, wanted, _ = few
    made = [None, None]

    def work(at):
        made[at] = volume.measure(cw_peak=5.0, progress=False).to_json()

    threads = [threading.Thread(target=work, args=(at,)) for at in range(2)]
    turns = 0
    for thread in threads:
        thread.start()
    while any(thread.is_alive() for thread in threads):
        time.sleep(0.001)
        turns += 1
    assert made == [wanted, wanted]
    # This thread was not kept for the measurement: with the lock held it would have had no turn but between two.
    assert turns > 10


def test_any_number_of_threads_gives_the_same_bits(few):
    _, wanted, path = few
    code = f"import narrows; print(narrows.open({str(path)!r}).measure(cw_peak=5.0).to_json(), end='')"
    one = {**os.environ, "RAYON_NUM_THREADS": "1"}
    done = subprocess.run([sys.executable, "-c", code], env=one, capture_output=True, text=True, check=True)
    assert done.stdout == wanted


def test_progress_is_told(few):
    volume, wanted, _ = few
    heard = []
    assert volume.measure(cw_peak=5.0, progress=lambda *step: heard.append(step)).to_json() == wanted
    assert heard and all(isinstance(stage, str) and 0 <= done <= total for stage, done, total in heard)

    def stop(stage, done, total):
        raise RuntimeError("enough")

    with pytest.raises(RuntimeError, match="enough"):
        volume.measure(progress=stop)


def test_a_bar_is_shown_where_tqdm_is(few, capfd, monkeypatch):
    volume, wanted, _ = few
    assert volume.measure(cw_peak=5.0, progress=True).to_json() == wanted
    assert re.search(r"\d+/\d+", capfd.readouterr().err)
    monkeypatch.setitem(sys.modules, "tqdm.auto", None)
    assert volume.measure(cw_peak=5.0, progress=True).to_json() == wanted
    assert capfd.readouterr().err == ""


@pytest.fixture
def interruptible():
    """What is started in the background may have interrupts ignored"""
    before = signal.signal(signal.SIGINT, signal.default_int_handler)
    yield
    signal.signal(signal.SIGINT, before)


def test_an_interrupt_stops_cleanly(few, interruptible):
    volume, wanted, _ = few

    def interrupt(stage, done, total):
        _thread.interrupt_main()

    with pytest.raises(KeyboardInterrupt):
        volume.measure(progress=interrupt)
    timer = threading.Timer(0.1, _thread.interrupt_main)
    timer.start()
    with pytest.raises(KeyboardInterrupt):
        while True:
            volume.measure(progress=False)
    # Nothing is spoilt.
    assert volume.measure(cw_peak=5.0, progress=False).to_json() == wanted


@pytest.mark.skipif(not hasattr(os, "fork"), reason="there is no fork")
@pytest.mark.filterwarnings("ignore:.*fork.*:DeprecationWarning")
def test_a_forked_child_measures(few):
    volume, wanted, _ = few
    read, write = os.pipe()
    child = os.fork()
    if child == 0:
        try:
            made = volume.measure(cw_peak=5.0, progress=False).to_json() == wanted
            os.write(write, b"1" if made else b"0")
        finally:
            os._exit(0)
    os.close(write)
    assert os.read(read, 1) == b"1"
    os.waitpid(child, 0)


# ---- what is written about it ----


def test_the_documents_follow_the_schemas():
    sys.path.insert(0, str(ROOT / "python"))
    try:
        maker = importlib.import_module("make_documents")
    finally:
        sys.path.pop(0)
    for path, text in maker.made().items():
        assert path.read_text() == text, f"run python3 python/make_documents.py: {path.name}"


def test_the_stubs_name_what_is_compiled():
    from narrows import _narrows

    stub = (ROOT / "python" / "narrows" / "_narrows.pyi").read_text()
    functions = set(re.findall(r"^def (\w+)", stub, re.M))
    assert functions == {name for name, _ in inspect.getmembers(_narrows, inspect.isbuiltin)}
    # Parameters have the same names in the same order.
    for definition in ast.walk(ast.parse(stub)):
        if isinstance(definition, ast.FunctionDef):
            told = [one.arg for one in (*definition.args.args, *definition.args.kwonlyargs)]
            home = _narrows.Volume if told[:1] == ["self"] else _narrows
            assert list(inspect.signature(getattr(home, definition.name)).parameters) == told, definition.name
    methods = set(re.findall(r"^    def (\w+)", stub, re.M))
    assert methods == {name for name in vars(_narrows.Volume) if not name.startswith("_")}
    assert (pathlib.Path(narrows.__file__).parent / "py.typed").exists()


def test_every_public_name_is_described():
    assert "Not a medical device" in narrows.__doc__
    for name in narrows.__all__:
        thing = getattr(narrows, name)
        assert inspect.getdoc(thing), name
        if inspect.isfunction(thing):
            check(thing)
        for method, function in vars(thing).items() if inspect.isclass(thing) else ():
            function = getattr(function, "__func__", function)
            if inspect.isfunction(function) and not method.startswith("_"):
                assert inspect.getdoc(function), f"{name}.{method}"
                check(function)


def check(function):
    """The parameters that are described are those that there are; what is returned is said"""
    text = inspect.getdoc(function)
    there = {name for name in inspect.signature(function).parameters if name not in ("self", "cls")}
    described = re.search(r"Parameters\n-+\n(.*?)(?:\n\n\w+\n-+\n|\Z)", text, re.S)
    lines = re.findall(r"^(\S.*?) ?(?::.*)?$", described[1], re.M) if described else []
    assert {one.strip(" *") for line in lines for one in line.split(",")} == there, function.__qualname__
    returned = inspect.signature(function).return_annotation
    assert not there or returned == "None" or "Returns\n-------" in text, function.__qualname__


def test_a_type_checker_is_content(tmp_path):
    (tmp_path / "use.py").write_text(
        "import narrows\n"
        "results = narrows.open('a.dcm').measure(cw_peak=5.0)\n"
        "low: float = results.jets[0].vca_mm2.low\n"
        "shape: tuple[int, ...] = results.jets[0].tracing_mm.shape\n"
        "reveal_type(results.total.vca_mm2)\n"
    )
    package = ROOT / "python" / "narrows"
    command = [sys.executable, "-m", "mypy", "--ignore-missing-imports", "--cache-dir", tmp_path / "c", "use.py", package]
    done = subprocess.run(command, cwd=tmp_path, capture_output=True, text=True)
    assert done.returncode == 0 and "Interval" in done.stdout, done.stdout + done.stderr


def test_the_lines_of_the_readme_run(tmp_path):
    blocks = re.findall(r"^```python\n(.*?)^```$", README.read_text(), re.M | re.S)
    assert len(blocks) == 1 and len(blocks[0].strip().splitlines()) == 8
    shutil.copytree(ROOT / "sample-volumes", tmp_path / "sample-volumes", ignore=shutil.ignore_patterns("flows"))
    environment = {**os.environ, "MPLBACKEND": "Agg"}
    command = [sys.executable, "-W", "error::DeprecationWarning:__main__", "-c", blocks[0]]
    done = subprocess.run(command, cwd=tmp_path, env=environment, capture_output=True, text=True, timeout=300)
    assert done.returncode == 0, done.stderr


NOTEBOOKS = sorted((ROOT / "docs" / "python").glob("*.ipynb"))


def test_there_are_notebooks():
    assert [path.stem for path in NOTEBOOKS] == ["cohort", "one-volume", "tilted-plane"]


@pytest.mark.parametrize("path", NOTEBOOKS, ids=lambda path: path.stem)
def test_every_notebook_runs(path, tmp_path):
    import nbclient
    import nbformat

    # As from a clone: run where it lies, on what is beside it.
    (tmp_path / "docs" / "python").mkdir(parents=True)
    shutil.copytree(ROOT / "sample-volumes", tmp_path / "sample-volumes")
    book = nbformat.read(path, as_version=4)
    nbformat.validate(book)
    folder = {"metadata": {"path": str(tmp_path / "docs" / "python")}}
    nbclient.NotebookClient(book, timeout=900, kernel_name="python3", resources=folder).execute()
    kinds = {output.output_type for cell in book.cells for output in cell.get("outputs", [])}
    assert "error" not in kinds and kinds & {"display_data", "execute_result"}


def test_the_wheel_is_measured_with_alone(few, tmp_path):
    """Built as `maturin develop` builds, so that nothing is compiled again."""
    done = subprocess.run(
        [pathlib.Path(sys.executable).parent / "maturin", "build", "--quiet", "--out", tmp_path],
        cwd=ROOT, capture_output=True, text=True, timeout=900,
    )  # fmt: skip
    assert done.returncode == 0, done.stderr
    (wheel,) = tmp_path.glob("*.whl")
    assert "-cp310-abi3-" in wheel.name
    names = zipfile.ZipFile(wheel).namelist()
    assert "narrows/_narrows.pyi" in names and "narrows/py.typed" in names
    # Neither the program nor volumes go along.
    assert all(name.startswith(("narrows/", "narrows-", "narrows.libs/")) for name in names)
    assert not [name for name in names if "/bin/" in name or "/scripts/" in name or name.endswith((".dcm", ".wgsl"))]
    venv.create(tmp_path / "venv", with_pip=True)
    python = tmp_path / "venv" / "bin" / "python"
    subprocess.run([python, "-m", "pip", "install", "--quiet", wheel], check=True, timeout=300)
    code = f"import narrows; print(narrows.open({str(few[2])!r}).measure(cw_peak=5.0).to_json(), end='')"
    done = subprocess.run([python, "-I", "-c", code], cwd=tmp_path, capture_output=True, text=True, timeout=300)
    assert done.stdout == few[1], done.stderr

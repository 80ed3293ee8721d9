"""Tables and statistics of a study held against statsmodels, scipy and pyarrow.

Needs the program built; NARROWS_BIN names it.
"""

import csv
import io
import json
import os
import pathlib
import signal
import subprocess
import sys
import time

import numpy as np
import pandas
import pyarrow.parquet as parquet
import pytest
import stand_in
from scipy import optimize, special, stats
from statsmodels.formula.api import ols
from statsmodels.stats import inter_rater
from statsmodels.stats.anova import anova_lm

ROOT = pathlib.Path(__file__).resolve().parents[2]
BIN = pathlib.Path(os.environ.get("NARROWS_BIN", ROOT / "target" / "debug" / "narrows")).resolve()
SNAKEMAKE = pathlib.Path(sys.executable).with_name("snakemake")


def narrows(*arguments, cwd=None, status=0):
    done = subprocess.run([str(BIN), *map(str, arguments)], capture_output=True, text=True, cwd=cwd, timeout=600)
    assert done.returncode == status, (done.returncode, done.stderr)
    return done


def agree(folder, text, *options):
    table = folder / "readings.csv"
    table.write_text(text)
    out = folder / "out"
    narrows("agree", table, "--out", out, *options)
    return json.loads((out / "agreement.json").read_text())


def random_readings(volumes=23, readers=4, seed=5):
    random = np.random.default_rng(seed)
    size = random.uniform(10, 60, volumes)
    offset = random.normal(0, 2, readers)
    return size[:, None] + offset + random.normal(0, 3, (volumes, readers))


def long_table(values):
    lines = ["volume,reader,value"]
    for volume, row in enumerate(values):
        for reader, value in enumerate(row):
            lines.append(f"v{volume:03},r{reader},{float(value)!r}")
    return "\n".join(lines) + "\n"


# ---- readers ----------------------------------------------------------------------------------


@pytest.mark.parametrize("shape", [(23, 4), (8, 2), (60, 3)])
def test_mean_squares_and_correlations(tmp_path, shape):
    values = random_readings(*shape, seed=sum(shape))
    found = agree(tmp_path, long_table(values))["reliability"]
    n, k = shape
    frame = pandas.DataFrame(
        [(i, j, values[i, j]) for i in range(n) for j in range(k)], columns=["volume", "reader", "value"]
    )
    table = anova_lm(ols("value ~ C(volume) + C(reader)", frame).fit())
    between, judges, rest = (table["sum_sq"] / table["df"])[["C(volume)", "C(reader)", "Residual"]]
    one_way = anova_lm(ols("value ~ C(volume)", frame).fit())
    within = (one_way["sum_sq"] / one_way["df"])["Residual"]
    squares = found["mean_squares"]
    assert squares["between_volumes"] == pytest.approx(between, rel=1e-9)
    assert squares["between_readers"] == pytest.approx(judges, rel=1e-9)
    assert squares["residual"] == pytest.approx(rest, rel=1e-9)
    assert squares["within_volumes"] == pytest.approx(within, rel=1e-9)
    # Shrout & Fleiss 1979; intervals of forms 1 and 3 from the F distribution.
    by_name = {icc["name"]: icc for icc in found["coefficients"]}
    expected = {
        "ICC(1,1)": (between - within) / (between + (k - 1) * within),
        "ICC(2,1)": (between - rest) / (between + (k - 1) * rest + k * (judges - rest) / n),
        "ICC(3,1)": (between - rest) / (between + (k - 1) * rest),
        f"ICC(1,{k})": (between - within) / between,
        f"ICC(2,{k})": (between - rest) / (between + (judges - rest) / n),
        f"ICC(3,{k})": (between - rest) / between,
    }
    for name, value in expected.items():
        assert by_name[name]["value"] == pytest.approx(value, rel=1e-9)
    for form, error, df in [(1, within, n * (k - 1)), (3, rest, (n - 1) * (k - 1))]:
        low = between / error / stats.f.ppf(0.975, n - 1, df)
        high = between / error * stats.f.ppf(0.975, df, n - 1)
        ends = [(f - 1) / (f + k - 1) for f in (low, high)]
        assert by_name[f"ICC({form},1)"]["interval"] == pytest.approx(ends, rel=1e-8)
        assert by_name[f"ICC({form},{k})"]["interval"] == pytest.approx([1 - 1 / low, 1 - 1 / high], rel=1e-8)


def test_the_interval_of_absolute_agreement_covers(tmp_path):
    """Form 2 has no outside implementation here: its interval must hold the truth as often as it says."""
    random = np.random.default_rng(11)
    held, tables = 0, 120
    for number in range(tables):
        values = (
            random.normal(0, 3, (15, 1)) + random.normal(0, 1, (1, 5)) + random.normal(0, 1.5, (15, 5)) + 30
        )
        folder = tmp_path / str(number)
        folder.mkdir()
        (folder / "t.csv").write_text(long_table(values))
        rows = list(csv.DictReader(io.StringIO(narrows("agree", folder / "t.csv").stdout)))
        row = next(row for row in rows if row["statistic"] == "ICC(2,1)")
        truth = 9 / (9 + 1 + 2.25)
        held += float(row["low"]) <= truth <= float(row["high"])
    # 95 % of 120 is 114; fewer than 105 would come by chance once in ten thousand times.
    assert held >= 105


def test_differences(tmp_path):
    values = random_readings(31, 2)
    pair = agree(tmp_path, long_table(values), "--unit", "mm2")["pairs"][0]
    difference = values[:, 0] - values[:, 1]
    n, sd = len(difference), difference.std(ddof=1)
    assert pair["bias"] == pytest.approx(difference.mean())
    assert pair["standard_deviation"] == pytest.approx(sd)
    assert pair["bias_interval"] == pytest.approx(
        stats.t.interval(0.95, n - 1, difference.mean(), sd / np.sqrt(n)), rel=1e-9
    )
    z = stats.norm.ppf(0.975)
    assert pair["upper"]["value"] == pytest.approx(difference.mean() + z * sd)
    exact = difference.mean() + stats.nct.ppf([0.025, 0.975], n - 1, z * np.sqrt(n)) * sd / np.sqrt(n)
    assert pair["upper"]["exact"] == pytest.approx(exact, rel=1e-7)
    mirrored = 2 * difference.mean() - exact[::-1]
    assert pair["lower"]["exact"] == pytest.approx(mirrored, rel=1e-7)
    fit = stats.linregress(values.mean(axis=1), difference)
    half = stats.t.ppf(0.975, n - 2) * fit.stderr
    assert pair["slope"] == pytest.approx([fit.slope, fit.slope - half, fit.slope + half], rel=1e-8)
    share = 100 * np.abs(difference) / values.mean(axis=1)
    assert pair["percent_error"]["mean"] == pytest.approx(share.mean())
    assert pair["percent_error"]["standard_deviation"] == pytest.approx(share.std(ddof=1))


def test_within_readers(tmp_path):
    random = np.random.default_rng(3)
    lines, squares, df = ["volume,reader,repeat,value"], 0.0, 0
    for volume in range(20):
        values = random.normal(40, 2, 3 if volume % 2 else 2)
        squares += ((values - values.mean()) ** 2).sum()
        df += len(values) - 1
        lines += [f"{volume},a,{i},{float(v)!r}" for i, v in enumerate(values)]
    found = agree(tmp_path, "\n".join(lines))["within"][0]
    sd = found["standard_deviation"]
    assert found["degrees_of_freedom"] == df
    assert sd["value"] == pytest.approx(np.sqrt(squares / df))
    assert [sd["high"], sd["low"]] == pytest.approx(np.sqrt(squares / stats.chi2.ppf([0.025, 0.975], df)), rel=1e-9)
    assert found["repeatability"]["value"] == pytest.approx(stats.norm.ppf(0.975) * np.sqrt(2) * sd["value"])


def test_kappa(tmp_path):
    random = np.random.default_rng(8)
    names = ["none", "mild", "moderate", "severe"]
    true = random.integers(0, 4, 60)
    grades = np.clip(true[:, None] + random.integers(-1, 2, (60, 3)) * (random.random((60, 3)) < 0.5), 0, 3)
    lines = ["volume,reader,grade"]
    lines += [f"{v},r{r},{names[grades[v, r]]}" for v in range(60) for r in range(3)]
    found = agree(tmp_path, "\n".join(lines))["grades"]
    assert found["names"] == names
    table = np.zeros((4, 4))
    for a, b in grades[:, :2]:
        table[a, b] += 1
    for pair in found["pairs"][:3]:
        weights = {"none": None, "linear": "linear", "quadratic": "quadratic"}[pair["weights"]]
        expected = inter_rater.cohens_kappa(table, wt=weights)
        assert pair["table"] == table.astype(int).tolist()
        assert pair["value"] == pytest.approx(expected.kappa, rel=1e-9)
        assert pair["interval"] == pytest.approx(
            [expected.kappa_low, min(expected.kappa_upp, 1.0)], rel=1e-6
        )
    counts, _ = inter_rater.aggregate_raters(grades)
    assert found["all"]["value"] == pytest.approx(inter_rater.fleiss_kappa(counts), rel=1e-9)
    low, high = found["all"]["interval"]
    assert low < found["all"]["value"] < high


def test_a_reference_by_ways_of_their_own(tmp_path):
    """Deming's line as the minimum of its loss, jackknifed; DeLong's variance from midranks (Sun and Xu 2014)."""
    random = np.random.default_rng(16)
    truth = random.lognormal(3.4, 0.5, 40)
    reference = truth + random.normal(0, 3, 40)
    reader = np.round(1.1 * truth - 2 + random.normal(0, 6, 40))  # with ties
    lines = ["volume,reader,value"]
    lines += [f"{v},{name},{float(x)!r}" for name, xs in (("gold", reference), ("r", reader)) for v, x in enumerate(xs)]
    found = agree(tmp_path, "\n".join(lines), "--reference", "gold", "--severe", 35)["references"][0]

    def line(x, y):
        loss = lambda p: ((y - p[0] - p[1] * x) ** 2).sum() / (1 + p[1] ** 2)
        return optimize.minimize(loss, [0, 1], method="Nelder-Mead", options={"xatol": 1e-10, "fatol": 1e-12, "maxiter": 4000}).x

    all_of_them = line(reference, reader)
    n = len(reader)
    pseudo = np.array(
        [n * all_of_them - (n - 1) * line(np.delete(reference, i), np.delete(reader, i)) for i in range(n)]
    )
    half = stats.t.ppf(0.975, n - 2) * stats.sem(pseudo)
    for name, value, wide in zip(("intercept", "slope"), all_of_them, half):
        assert found[name]["value"] == pytest.approx(value, rel=1e-5)
        assert found[name]["interval"] == pytest.approx([value - wide, value + wide], rel=1e-3, abs=1e-3)

    cases, controls = reader[reference >= 35], reader[reference < 35]
    m, k = len(cases), len(controls)
    ranks = stats.rankdata(np.concatenate([cases, controls]))
    area = (ranks[:m].sum() - m * (m + 1) / 2) / (m * k)
    v10 = (ranks[:m] - stats.rankdata(cases)) / k
    v01 = 1 - (ranks[m:] - stats.rankdata(controls)) / m
    half = stats.norm.ppf(0.975) * np.sqrt(v10.var(ddof=1) / m + v01.var(ddof=1) / k)
    roc = found["roc"]
    assert (roc["severe"], roc["not_severe"]) == (m, k)
    assert roc["area"]["value"] == pytest.approx(area, rel=1e-12)
    assert area == pytest.approx(stats.mannwhitneyu(cases, controls).statistic / (m * k))
    assert roc["area"]["interval"] == pytest.approx([area - half, min(area + half, 1.0)], rel=1e-9)


def test_patients_ratios_and_a_plan(tmp_path):
    """Variance components by statsmodels; limits of logarithms; the number of volumes by search."""
    random = np.random.default_rng(17)
    lines, rows = ["patient,volume,reader,value"], []
    for patient in range(14):
        own = random.normal(0, 3)
        for jet in range(1 + patient % 3):
            size = random.uniform(20, 60)
            a, b = size * random.lognormal(0, 0.05), size * random.lognormal(0.05, 0.05) + own
            rows.append((patient, a, b))
            lines += [f"p{patient},v{len(rows)},a,{a!r}", f"p{patient},v{len(rows)},b,{b!r}"]
    document = agree(tmp_path, "\n".join(lines), "--plan", 2)
    frame = pandas.DataFrame(rows, columns=["patient", "a", "b"])
    frame["d"] = frame.a - frame.b
    table = anova_lm(ols("d ~ C(patient)", frame).fit())
    between, within = table["sum_sq"] / table["df"]
    sizes = frame.groupby("patient").size()
    n = len(frame)
    usual = (n - (sizes**2).sum() / n) / (len(sizes) - 1)
    found = document["clusters"][0]
    assert (found["patients"], found["volumes"]) == (len(sizes), n)
    assert found["within"] == pytest.approx(within, rel=1e-9)
    assert found["between"] == pytest.approx(max((between - within) / usual, 0), rel=1e-9)
    sd = np.sqrt(found["between"] + within)
    z = stats.norm.ppf(0.975)
    assert found["limits"] == pytest.approx([frame.d.mean() - z * sd, frame.d.mean() + z * sd], rel=1e-9)
    ratio = document["pairs"][0]["ratio"]
    logs = np.log(frame.a / frame.b)
    assert ratio["value"] == pytest.approx(np.exp(logs.mean()), rel=1e-9)
    mean = stats.t.interval(0.95, len(logs) - 1, loc=logs.mean(), scale=stats.sem(logs))
    assert ratio["interval"] == pytest.approx(np.exp(mean), rel=1e-9)
    ends = np.exp(logs.mean() + np.array([-z, z]) * logs.std(ddof=1))
    assert [ratio["lower"][0], ratio["upper"][0]] == pytest.approx(ends, rel=1e-9)
    plan = document["plan"]
    enough = lambda k: stats.t.ppf(0.975, k - 1) * np.sqrt(3 / k) * plan["standard_deviation"] <= 2
    assert enough(plan["volumes"]) and not enough(plan["volumes"] - 1)


def test_ac1_where_nearly_all_are_of_one_grade(tmp_path):
    """Gwet's formula, and his example of 118, 5, 2 and 0: kappa -0.0234, AC1 0.9408."""
    cells = [("mild", "mild", 118), ("mild", "severe", 5), ("severe", "mild", 2)]
    pairs = [(a, b) for a, b, count in cells for _ in range(count)]
    lines = ["volume,reader,grade"]
    lines += [f"{v},{r},{grade}" for v, both in enumerate(pairs) for r, grade in zip("xy", both)]
    pair = agree(tmp_path, "\n".join(lines), "--grades", "mild,severe")["grades"]["pairs"][0]
    share = (123 + 120) / 250
    chance = 2 * share * (1 - share)
    assert pair["ac1"]["value"] == pytest.approx((118 / 125 - chance) / (1 - chance), rel=1e-12)
    assert pair["ac1"]["value"] == pytest.approx(0.9408, abs=1e-4)
    assert pair["value"] == pytest.approx(inter_rater.cohens_kappa([[118, 5], [2, 0]]).kappa, rel=1e-9)


def test_the_order_of_rows_changes_no_byte(tmp_path):
    text = long_table(random_readings(9, 3))
    head, *rows = text.splitlines()
    outputs = []
    for name, lines in [("a", rows), ("b", rows[::-1])]:
        (tmp_path / name).mkdir()
        table = tmp_path / name / "t.csv"
        table.write_text("\n".join([head, *lines]) + "\n")
        outputs.append(narrows("agree", table).stdout)
    assert outputs[0] == outputs[1]


@pytest.mark.parametrize(
    "text, words",
    [
        ("", "no rows"),
        ("volume,reader\nv,a\n", "no column `value`"),
        ("volume,reader,value\nv,a,many\n", "is not a number"),
        ("volume,reader,value\nv,a,1\nv,a,2\n", "stands there twice"),
        ("volume,reader,value\nv,a\n", "reading the table"),
        ("volume,reader,value\nv,a,1\n", "nothing can be said"),
    ],
)
def test_wrong_tables_are_refused_with_a_hint(tmp_path, text, words):
    (tmp_path / "t.csv").write_text(text)
    done = narrows("agree", tmp_path / "t.csv", status=2)
    assert words in done.stderr and "hint:" in done.stderr and done.stdout == ""


# ---- cohort -----------------------------------------------------------------------------------

RECIPE = """
name = "small {seed}"
seed = {seed}
[grid]
shape = [40, 40, 40]
[beat]
frames = {frames}
"""


@pytest.fixture(scope="module")
def volumes(tmp_path_factory):
    folder = tmp_path_factory.mktemp("volumes")
    (folder / "deep").mkdir()
    for seed, name in enumerate(["b.dcm", "a.dcm", "deep/c.dcm", "d.dcm", "e.dcm"]):
        recipe = folder / "recipe.toml"
        recipe.write_text(RECIPE.format(seed=seed + 1, frames=4))
        narrows("phantom", recipe, "-o", folder / name)
    (folder / "broken.dcm").write_bytes((folder / "a.dcm").read_bytes()[:4000])
    (folder / "text.dcm").write_text("this is no volume")
    (folder / "empty.dcm").write_bytes(b"")
    return folder


def tables(out):
    return {p.name: p.read_bytes() for p in out.parent.iterdir() if not p.name.endswith(".journal")}


@pytest.fixture(scope="module")
def whole(volumes, tmp_path_factory):
    out = tmp_path_factory.mktemp("whole") / "t.csv"
    done = narrows("cohort", volumes, "--out", out)
    assert "8 volumes, 5 jets, 3 not measured; 7 worked on now" in done.stderr, done.stderr
    return out


def test_one_row_a_jet_and_one_a_volume(volumes, whole):
    rows = list(csv.DictReader(io.StringIO(whole.read_text())))
    assert [row["file"] for row in rows] == ["a.dcm", "b.dcm", "d.dcm", "deep/c.dcm", "e.dcm"]
    by_file = list(csv.DictReader(io.StringIO(whole.with_suffix(".volumes.csv").read_text())))
    assert [row["file"] for row in by_file] == [
        "a.dcm", "b.dcm", "broken.dcm", "d.dcm", "deep/c.dcm", "e.dcm", "empty.dcm", "text.dcm",
    ]
    assert {row["file"] for row in by_file if row["error"]} == {"broken.dcm", "empty.dcm", "text.dcm"}
    # The same numbers as measured one by one.
    one = json.loads(narrows("measure", volumes / "deep" / "c.dcm", "--json", "-").stdout)
    row = next(row for row in rows if row["file"] == "deep/c.dcm")
    jet = one["jets"][0]
    assert float(row["vca_mm2"]) == jet["vca_mm2"]["value"]
    assert float(row["vca_low_mm2"]) == jet["vca_mm2"]["low"]
    assert float(row["solidity"]) == jet["shape"]["solidity"]
    assert row["blake3"] == one["source"]["blake3"]
    dictionary = list(csv.DictReader(io.StringIO(whole.with_suffix(".dictionary.csv").read_text())))
    assert [d["column"] for d in dictionary if d["table"] == "jets"] == list(rows[0])
    assert [d["column"] for d in dictionary if d["table"] == "volumes"] == list(by_file[0])


def test_a_killed_run_goes_on_to_the_same_bytes(volumes, whole, tmp_path):
    out = tmp_path / "t.csv"
    journal = tmp_path / "t.csv.journal"
    for wanted in (2, 4):
        run = subprocess.Popen([str(BIN), "cohort", str(volumes), "--out", str(out)], stderr=subprocess.DEVNULL)
        deadline = time.monotonic() + 300
        while time.monotonic() < deadline and run.poll() is None:
            if journal.exists() and journal.read_bytes().count(b"\n") > wanted:
                break
            time.sleep(0.005)
        assert run.poll() is None, "the run ended before it could be killed"
        run.send_signal(signal.SIGKILL)
        run.wait()
        assert not out.exists()
        # As if the kill had come in the middle of a line.
        with journal.open("ab") as file:
            file.write(b'{"key":"12')
    done_before = len({json.loads(line)["key"] for line in journal.read_bytes().splitlines()[1:-1]})
    done = narrows("cohort", volumes, "--out", out)
    assert tables(out) == tables(whole)
    keys = [json.loads(line)["key"] for line in journal.read_text().splitlines()[1:]]
    # Nothing was measured twice: five volumes, and the two that are readable and no volumes.
    assert len(keys) == len(set(keys)) == 7
    assert f"{7 - done_before} worked on now" in done.stderr
    assert "0 worked on now" in narrows("cohort", volumes, "--out", out).stderr
    assert tables(out) == tables(whole)


def test_workers_and_lists_change_no_byte(volumes, whole, tmp_path):
    out = tmp_path / "two" / "t.csv"
    out.parent.mkdir()
    narrows("cohort", volumes, "--out", out, "--workers", 2)
    assert tables(out) == tables(whole)
    names = [row["file"] for row in csv.DictReader(io.StringIO(whole.with_suffix(".volumes.csv").read_text()))]
    listed = volumes / "list.txt"
    listed.write_text("\n".join(names))
    out = tmp_path / "list" / "t.csv"
    out.parent.mkdir()
    narrows("cohort", listed, "--out", out, "--with", tmp_path / "two" / "t.csv.journal")
    listed.unlink()
    assert tables(out) == tables(whole)


def test_parquet_holds_what_the_text_holds(volumes, whole, tmp_path):
    out = tmp_path / "t.parquet"
    narrows("cohort", volumes, "--out", out, "--with", str(whole) + ".journal")
    for name in ("t", "t.volumes"):
        table = parquet.read_table(tmp_path / f"{name}.parquet")
        text = list(csv.DictReader(io.StringIO((whole.parent / f"{name}.csv").read_text())))
        assert table.column_names == list(text[0]) and table.num_rows == len(text)
        for row, expected in zip(table.to_pylist(), text):
            for column, value in row.items():
                cell = expected[column]
                if value is None:
                    assert cell == "", column
                elif isinstance(value, bool):
                    assert cell == str(value).lower(), column
                elif isinstance(value, (int, float)):
                    assert float(cell) == value, column
                else:
                    assert cell == value, column
        dictionary = json.loads(table.schema.metadata[b"narrows.dictionary"])
        assert [d["column"] for d in dictionary] == table.column_names


def test_a_folder_without_a_measurable_volume_is_an_error(tmp_path):
    (tmp_path / "v").mkdir()
    done = narrows("cohort", tmp_path / "v", "--out", tmp_path / "t.csv", status=2)
    assert "no volume was found" in done.stderr
    (tmp_path / "v" / "a.dcm").write_text("no")
    done = narrows("cohort", tmp_path / "v", "--out", tmp_path / "t.csv", status=2)
    assert "none of the volumes" in done.stderr
    assert (tmp_path / "t.volumes.csv").exists()


@pytest.mark.skipif(not SNAKEMAKE.exists(), reason="snakemake is not installed")
def test_a_workflow_gives_the_same_bytes(volumes, whole, tmp_path):
    names = [row["file"] for row in csv.DictReader(io.StringIO(whole.with_suffix(".volumes.csv").read_text()))]
    listed = tmp_path / "list.txt"
    for name in names:
        target = tmp_path / "in" / name
        target.parent.mkdir(parents=True, exist_ok=True)
        target.write_bytes((volumes / name).read_bytes())
    listed.write_text("\n".join(f"in/{name}" for name in names) + "\nin/missing.dcm\n")
    out = tmp_path / "cluster" / "t.csv"
    out.parent.mkdir()
    done = subprocess.run(
        [
            str(SNAKEMAKE), "-s", str(ROOT / "docs/cluster/Snakefile"),
            "--workflow-profile", str(ROOT / "docs/cluster/profiles/local"),
            "--config", f"list={listed}", f"out={out}", f"narrows={BIN}",
        ],
        capture_output=True, text=True, cwd=tmp_path, timeout=900, env={**os.environ, "HOME": str(tmp_path)},
    )
    assert done.returncode == 0, done.stderr
    assert len(list((out.parent / "t.csv.parts").glob("*.journal"))) == 9
    single = tmp_path / "single" / "t.csv"
    single.parent.mkdir()
    narrows("cohort", listed, "--out", single)
    found = {p.name: p.read_bytes() for p in out.parent.iterdir() if p.suffix in (".csv", ".json")}
    assert found == tables(single)
    # All but the missing one and the empty one came from the jobs.
    assert (out.parent / "t.csv.journal").read_bytes().count(b"\n") == 1


# ---- shapes -----------------------------------------------------------------------------------


def test_effects_between_groups(tmp_path):
    random = np.random.default_rng(21)
    a, b = random.normal(2.2, 0.5, 14), random.normal(3.0, 0.7, 18)
    columns = [
        "vca_mm2", "axis_ratio", "solidity", "crescent_index", "circularity",
        "single_width_error_percent", "single_width_missed_mm2",
    ]
    lines = ["file,jet,shape,single_width_misleads," + ",".join(columns)]
    groups = ["file,mechanism"]
    for name, values in [("primary", a), ("functional", b)]:
        for i, value in enumerate(values):
            lines.append(f"{name}{i},1,elliptical,{'true' if i < 5 else 'false'}" + f",{float(value)!r}" * 7)
            groups.append(f"{name}{i},{name}")
    (tmp_path / "jets.csv").write_text("\n".join(lines))
    (tmp_path / "groups.csv").write_text("\n".join(groups))
    narrows("shapes", tmp_path / "jets.csv", "--groups", f"{tmp_path / 'groups.csv'}:mechanism", "--out", tmp_path / "s")
    found = json.loads((tmp_path / "s" / "shapes.json").read_text())
    ratio = next(v for v in found["variables"] if v["column"] == "axis_ratio")
    effect = ratio["effects"][0]
    assert (effect["first"], effect["second"]) == ("functional", "primary")
    n, m = len(b), len(a)
    df = n + m - 2
    pooled = np.sqrt(((n - 1) * b.var(ddof=1) + (m - 1) * a.var(ddof=1)) / df)
    t = stats.ttest_ind(b, a).statistic
    factor = special.gamma(df / 2) / (np.sqrt(df / 2) * special.gamma((df - 1) / 2))
    assert effect["hedges_g"]["value"] == pytest.approx((b.mean() - a.mean()) / pooled * factor)
    scale = np.sqrt(1 / n + 1 / m) * factor
    for end, p in [("low", 0.975), ("high", 0.025)]:
        shift = optimize.brentq(lambda d: stats.nct.cdf(t, df, d) - p, t - 8, t + 8)
        assert effect["hedges_g"][end] == pytest.approx(shift * scale, rel=1e-6)
    assert effect["median_difference"]["value"] == pytest.approx(np.median(b) - np.median(a))
    boot = stats.bootstrap(
        (b, a), lambda x, y, axis: np.median(x, axis=axis) - np.median(y, axis=axis),
        method="percentile", n_resamples=4000, random_state=1, vectorized=True,
    ).confidence_interval
    # Two draws of the same bootstrap differ a little.
    spread = boot.high - boot.low
    assert effect["median_difference"]["low"] == pytest.approx(boot.low, abs=0.1 * spread)
    assert effect["median_difference"]["high"] == pytest.approx(boot.high, abs=0.1 * spread)
    share = next(g for g in found["groups"] if g["name"] == "functional")["misleads"]
    expected = stats.binomtest(5, n).proportion_ci(method="wilson")
    assert [share["low"], share["high"]] == pytest.approx([expected.low, expected.high])


# ---- sweeps and lists -------------------------------------------------------------------------


def test_a_sweep_of_a_simulated_volume(volumes, tmp_path):
    volume = volumes / "a.dcm"
    out = tmp_path / "tilt"
    done = narrows("sweep", volume, "--over", "tilt", "--values", "0,20,40", "--out", out, "--wide")
    rows = list(csv.DictReader(io.StringIO(done.stdout)))
    document = json.loads((out / "sweep.json").read_text())
    truth = json.loads((volumes / "a.dcm.truth.json").read_text())["jets"][0]["frames"][document["frame"]]
    for row, tilt in zip(rows, (0, 20, 40)):
        law = document["chosen_vca_mm2"]["value"] / np.cos(np.radians(tilt))
        assert float(row["law_mm2"]) == pytest.approx(law)
        error = 100 * (float(row["vca_mm2"]) / truth["effective_area_mm2"] - 1)
        assert float(row["error_percent"]) == pytest.approx(error)
    assert float(rows[0]["change_percent"]) == pytest.approx(0, abs=1.0)
    # The network corrects for the tilt that it sees: a tube would show 1/cos of it.
    areas = [float(row["vca_mm2"]) for row in rows]
    assert max(areas) < 1.5 * min(areas)
    assert sorted(p.name for p in out.iterdir()) == ["manifest.json", "sweep.csv", "sweep.json", "sweep.png", "sweep.svg"]


def test_a_sealed_list_and_what_was_read(volumes, tmp_path):
    good = tmp_path / "good.txt"
    good.write_text("\n".join(str(volumes / name) for name in ("a.dcm", "b.dcm", "d.dcm", "e.dcm")))
    make = ["readings", "make", good, "--readers", "ann,bo", "--repeats", 2, "--seed", 99173]
    narrows(*make, "--out", tmp_path / "list.json")
    listed = json.loads((tmp_path / "list.json").read_text())
    key = json.loads((tmp_path / "list.key.json").read_text())
    assert "a.dcm" not in (tmp_path / "list.json").read_text()
    reviews = tmp_path / "reviews"
    expected = {}
    for item in key["items"]:
        own = tmp_path / "list-volumes" / item["reader"] / f"{item['id']}.dcm"
        assert own.read_bytes() == pathlib.Path(item["volume"]).read_bytes()
        side = 4 + len(expected) * 0.25
        expected[item["id"]] = side * side
        if item["id"] == listed["readers"][0]["order"][3]:
            expected[item["id"]] = None
            continue
        review = {
            "schema": "narrows/review/1", "version": "0",
            "source": {
                "file": own.name, "path": "", "blake3": item["blake3"], "grid": [40, 40, 40], "frames": 4,
                "start": {"centre": [0, 0, 0], "u": [1, 0, 0], "v": [0, 1, 0]},
            },
            "work": {
                "next_tracing": 1,
                "tracings": [{
                    "id": 0, "jet": "free", "frame": 1,
                    "cut": {"centre": [0, 0, 0], "u": [1, 0, 0], "v": [0, 1, 0]},
                    "points_mm": [[0, 0], [side, 0], [side, side], [0, side]],
                    "drawn": "by_hand", "closed": "closed",
                }],
            },
        }
        path = reviews / item["reader"] / f"{item['id']}.review.json"
        path.parent.mkdir(parents=True, exist_ok=True)
        path.write_text(json.dumps(review))
    collect = ["readings", "collect", tmp_path / "list.json", "--reviews", reviews, "--out", tmp_path / "r.csv"]
    done = narrows(*collect, "--key", tmp_path / "list.key.json")
    assert "16 readings, 1 of them missing" in done.stderr
    rows = list(csv.DictReader((tmp_path / "r.csv").open()))
    for row in rows:
        if expected[row["review"]] is None:
            assert row["value"] == "" and row["remark"] == "there is no review"
        else:
            assert float(row["value"]) == pytest.approx(expected[row["review"]])
    found = agree(tmp_path, (tmp_path / "r.csv").read_text())
    assert len(found["design"]["missing"]) == 1 and len(found["within"]) == 3
    other = tmp_path / "other.key.json"
    other.write_text((tmp_path / "list.key.json").read_text() + " ")
    assert "sealed" in narrows(*collect, "--key", other, status=2).stderr
    assert "there already" in narrows(*make, "--out", tmp_path / "list.json", status=2).stderr


# ---- practice ---------------------------------------------------------------------------------

CASE = """
name = "secret-{name}"
seed = {seed}
[grid]
shape = [40, 40, 36]
voxel_mm = [0.7, 0.7, 0.7]
[beat]
frames = 2
interval_s = 0.1
first_s = 0.15
[[orifice]]
shape = {shape}
effective_area_mm2 = 36.0
[practice]
title = "hidden {name}"
grade = {grade}
teaches = "something"
"""


def test_practice_from_recipes_to_the_class(tmp_path):
    recipes = tmp_path / "recipes"
    recipes.mkdir()
    oval = '{ kind = "elliptical", long_mm = 11.0, short_mm = 5.5 }'
    (recipes / "a.toml").write_text(CASE.format(name="oval", seed=2, grade=2, shape=oval))
    (recipes / "b.toml").write_text(CASE.format(name="disc", seed=1, grade=1, shape='{ kind = "round", diameter_mm = 7 }'))
    narrows("practice", "make", recipes, "--out", tmp_path / "class")
    given = tmp_path / "class"
    assert sorted(path.name for path in given.iterdir()) == ["case-1.dcm", "case-2.dcm", "practice.json"]
    for path in given.iterdir():
        # What learners are given tells nothing of what is in it.
        held = path.read_bytes()
        assert not any(word in held for word in (b"secret", b"hidden", b"truth", b"elliptical"))
    listed = json.loads((given / "practice.json").read_text())
    assert [case["grade"] for case in listed["cases"]] == [1, 2] and "not a certificate" in listed["about"]
    key_path = tmp_path / "class.key.json"
    key = json.loads(key_path.read_text())
    assert [case["recipe"] for case in key["cases"]] == ["b.toml", "a.toml"]
    # The same set again is refused, nothing is written over.
    narrows("practice", "make", recipes, "--out", given, status=2)

    # Ann lays her first cut 20 degrees off the true axis, through the true neck, and lets the program trace; later
    # she lays it right. Bo enters the true width of the oval, and reads nothing else.
    reviews = tmp_path / "reviews"
    disc, oval = (given / case["file"] for case in key["cases"])
    jet = key["cases"][0]["truth"]["jets"][0]
    best = jet["peak_frame"]
    axis, neck = np.array(jet["axis"]), np.array(jet["frames"][best]["neck_mm"])
    neck = neck - 0.53 * axis
    side = np.cross(axis, [1.0, 0.0, 0.0])
    side /= np.linalg.norm(side)
    for name, degrees, time in [("second", 0, 2_000), ("first", 20, 1_000)]:
        leaning = np.cos(np.radians(degrees)) * axis + np.sin(np.radians(degrees)) * side
        work = {"added": [{"id": "A", "cut": stand_in.pose(neck, leaning)}], "dismissed": ["1"]}
        path = reviews / "ann" / f"{name}.review.json"
        stand_in.save(disc, path, work, {"frame": best, "jet": "A"})
        os.utime(path, (time, time))
    truth = key["cases"][1]["truth"]["jets"][0]
    width = truth["frames"][0]["short_mm"]
    work = {"evidence": {"schema": "narrows/evidence/1", "vc_width_mm": width}}
    stand_in.save(oval, reviews / "bo" / "oval.review.json", work, {"frame": truth["peak_frame"], "jet": "1"})
    (reviews / "bo" / "broken.review.json").write_text("{")

    told = narrows("practice", "score", reviews, "--key", key_path, "--out", tmp_path / "scores.csv").stdout
    assert "not a certificate" in told and "broken.review.json is passed over" in told
    rows = list(csv.DictReader((tmp_path / "scores.csv").open()))
    assert [(row["learner"], row["case"], row["attempt"]) for row in rows] == [
        ("ann", "case-1", "1"),
        ("ann", "case-1", "2"),
        ("bo", "case-2", "1"),
    ]
    assert rows[0]["saved"] == "1970-01-01T00:16:40Z"
    causes = ["blooming", "frame", "tilt", "level", "shape", "outline", "jets"]
    for row in rows:
        parts = [float(row[f"{cause}_mm2"]) for cause in causes]
        assert sum(parts) == pytest.approx(float(row["error_mm2"]), abs=1e-9)
        assert float(row["reported_mm2"]) - float(row["truth_mm2"]) == pytest.approx(sum(parts), abs=1e-9)
    first, second, width_only = rows
    # The law of a tube, met to within 5 % of the area: a jet is none.
    assert float(first["tilt_mm2"]) / 36 == pytest.approx(1 / np.cos(np.radians(20)) - 1, abs=0.15)
    assert float(first["tilt_deg"]) == pytest.approx(20, abs=0.1)
    assert abs(float(second["error_percent"])) < 30
    for cause in ("frame", "tilt", "level", "shape", "outline", "jets"):
        assert abs(float(second[f"{cause}_mm2"])) < 0.15 * 36, (cause, second)
    # The circle on the width of an ellipse twice as long as wide is half of it.
    assert float(width_only["reported_mm2"]) == pytest.approx(np.pi / 4 * width**2, rel=1e-9)
    assert float(width_only["shape_mm2"]) == pytest.approx(-18, abs=8)
    learners = list(csv.DictReader((tmp_path / "scores.learners.csv").open()))
    assert [(row["learner"], row["sight"]) for row in learners] == [("ann", "open"), ("bo", "open")]
    assert {row["sight"] for row in rows} == {"open"}
    assert float(learners[0]["first_percent"]) == pytest.approx(abs(float(first["error_percent"])))
    assert float(learners[0]["last_percent"]) == pytest.approx(abs(float(second["error_percent"])))
    assert learners[1]["first_percent"] == ""
    document = json.loads((tmp_path / "scores.json").read_text())
    assert document["schema"] == "narrows/practice-scores/1" and len(document["attempts"]) == 3
    assert "case, raised" in (tmp_path / "scores.svg").read_text()

    # A learner alone, by their own folder; a key that was changed; reviews of something else.
    alone = narrows("practice", "score", reviews / "bo", "--key", key_path).stdout
    assert "bo, case-2, attempt 1, read open: hidden oval" in alone and "the circle on" in alone
    key_path.write_text(key_path.read_text().replace("hidden disc", "hidden disk"))
    assert "seal" in narrows("practice", "score", reviews, "--key", key_path, status=2).stderr
    (tmp_path / "empty").mkdir()
    (given / "practice.json").unlink()
    narrows("practice", "score", tmp_path / "empty", "--key", key_path, status=2)

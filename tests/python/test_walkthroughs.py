"""The commands of README.md and docs/walkthroughs, copied from the pages and run.

Needs the program built; NARROWS_BIN names it. A fence `sh` is run as it stands; a fence `sh window` needs a
window and is not: what a reader would save there is written by a stand-in, which traces as the program
does, a little off.
"""

import json
import os
import pathlib
import re
import shutil
import subprocess

import numpy as np
import pytest
from stand_in import BIN, ROOT, traced

PAGES = sorted((ROOT / "docs" / "walkthroughs").glob("*.md"))
BLOCK = re.compile(r"^```(sh(?: window)?)\n(.*?)^```$|^<!-- saves (.*?) -->$", re.M | re.S)


def stand_in(order, folder):
    """Writes what the reader at the window would have saved"""
    alone = re.fullmatch(r"(\S+) from (\S+) scaled (\S+)", order)
    if alone:
        traced(folder / alone[2], folder / alone[1], float(alone[3]))
        return
    key = folder / re.fullmatch(r"reviews of (\S+)", order)[1]
    document = json.loads(key.read_text())
    random = np.random.default_rng(3)
    if document["schema"].startswith("narrows/readings-key/"):
        for item in document["items"]:
            volume = folder / "list-volumes" / item["reader"] / f"{item['id']}.dcm"
            to = folder / "reviews" / item["reader"] / f"{item['id']}.review.json"
            traced(volume, to, random.normal(1.0, 0.03))
        return
    for learner, scale in [("ann", 1.1), ("bo", 0.95)]:
        for case in document["cases"]:
            to = folder / "reviews" / learner / f"{case['id']}.review.json"
            traced(folder / "class" / case["file"], to, scale)


def promised(text):
    """The files of the page's last paragraph that says what one has"""
    paragraph = re.search(r"^What you have: (.*?)(?:\n\n|\Z)", text, re.M | re.S)[1]
    return re.findall(r"`([^`]+)`", paragraph)


def test_there_are_pages():
    assert [page.stem for page in PAGES] == ["a-class", "a-review", "a-study"]


@pytest.mark.parametrize("page", PAGES, ids=lambda page: page.stem)
def test_every_command_of_the_page_works(page, tmp_path):
    text = page.read_text()
    if "sample-volumes" in text:
        shutil.copytree(ROOT / "sample-volumes", tmp_path / "sample-volumes")
    environment = {**os.environ, "PATH": f"{BIN.parent}{os.pathsep}{os.environ['PATH']}"}
    # No window opens in a test, whatever the machine has.
    environment.pop("DISPLAY", None)
    environment.pop("WAYLAND_DISPLAY", None)
    ran = 0
    for fence, command, order in BLOCK.findall(text):
        if order:
            stand_in(order, tmp_path)
        elif fence == "sh":
            done = subprocess.run(
                ["bash", "-euo", "pipefail", "-c", command],
                cwd=tmp_path,
                env=environment,
                capture_output=True,
                text=True,
                timeout=300,
            )
            assert done.returncode == 0, f"{command}\n{done.stdout}\n{done.stderr}"
            ran += 1
    assert ran >= 3
    files = promised(text)
    assert len(files) >= 4
    for name in files:
        assert (tmp_path / name).stat().st_size > 0, name
    # Every verb that the page names is one of the program's.
    helped = subprocess.run([BIN, "--help"], capture_output=True, text=True, check=True).stdout
    for verb in set(re.findall(r"^\s*narrows ([a-z]+)", text, re.M)):
        assert re.search(rf"^  {verb} ", helped, re.M), verb


def test_the_pages_are_linked():
    study = (ROOT / "docs" / "study.md").read_text()
    for page in PAGES:
        assert f"walkthroughs/{page.name}" in study


# ---- README.md, in a clone and nothing else ----

README = ROOT / "README.md"
#: Run by itself: this test is a part of it
NOT_RUN = {"bash tests/run.sh"}
EXAMPLES = pathlib.Path(os.environ.get("NARROWS_EXAMPLES", ROOT / "target" / "debug" / "examples")).resolve()

#: Stands for cargo: the program and its examples are built already. Accuracy is measured on one acquisition of
#: eighty, since all take an hour.
CARGO = f"""#!/bin/sh
[ "$1 $2" = "run --release" ] || exit 64
shift 2
if [ "$1" = --example ]; then
    example=$2
    shift 2
    [ "$1" = -- ] && shift
    exec "{EXAMPLES}/$example" --seeds 5000..5001 "$@"
fi
exec "{BIN}" "$@"
"""


@pytest.fixture(scope="module")
def clone(tmp_path_factory):
    """What a clone holds, and the program where a build puts it."""
    folder = tmp_path_factory.mktemp("clone")
    listed = subprocess.run(["git", "ls-files", "-z"], cwd=ROOT, capture_output=True, text=True, check=True).stdout
    for name in filter(None, listed.split("\0")):
        if (ROOT / name).is_file():
            (folder / name).parent.mkdir(parents=True, exist_ok=True)
            shutil.copyfile(ROOT / name, folder / name)
    (folder / "target" / "release").mkdir(parents=True)
    (folder / "target" / "release" / "narrows").symlink_to(BIN)
    (folder / "bin").mkdir()
    (folder / "bin" / "cargo").write_text(CARGO)
    (folder / "bin" / "cargo").chmod(0o755)
    return folder


def readme_commands():
    lines = "\n".join(body for fence, body, _ in BLOCK.findall(README.read_text()) if fence == "sh").splitlines()
    return [line for line in lines if line.strip() and not line.startswith("#")]


def test_the_commands_of_the_readme_are_found():
    assert len(readme_commands()) >= 22 and NOT_RUN <= set(readme_commands())
    # Only such fences hold commands; test_package.py runs the lines of Python.
    assert set(re.findall(r"^```(.*)$", README.read_text(), re.M)) == {"sh", "python", ""}


@pytest.mark.parametrize("command", [c for c in readme_commands() if c not in NOT_RUN])
def test_every_command_of_the_readme_runs_as_printed(clone, command):
    environment = {**os.environ, "PATH": f"{clone / 'bin'}{os.pathsep}{os.environ['PATH']}"}
    environment.pop("DISPLAY", None)
    environment.pop("WAYLAND_DISPLAY", None)
    done = subprocess.run(
        ["bash", "-euo", "pipefail", "-c", command], cwd=clone, env=environment, capture_output=True, text=True, timeout=900
    )
    # 1: done, with a finding or a difference to be told.
    # 1 is a reservation about an acquisition; of a review it says that it no longer holds.
    good = (0,) if "recheck" in command else (0, 1)
    assert done.returncode in good, f"{command}\n{done.stdout}\n{done.stderr}"

"""What `tests/soak.sh` runs: see there. Needs nothing but Python and the built program."""

import contextlib
import hashlib
import json
import os
import pathlib
import random
import shutil
import signal
import subprocess
import sys
import tempfile
import time

SECONDS, SEED = float(sys.argv[1]), int(sys.argv[4])
PROGRAM, EXAMPLES = (pathlib.Path(word).resolve() for word in sys.argv[2:4])
RANDOM = random.Random(SEED)
RECIPE = 'name = "soak"\nseed = {seed}\n[grid]\nshape = [36, 36, 36]\n[beat]\nframes = 2\n'
QUIET = {"stdin": subprocess.DEVNULL, "stdout": subprocess.DEVNULL, "stderr": subprocess.DEVNULL}


def fail(text):
    sys.exit(f"soak: FAILED: {text} (seed {SEED})")


def run(*words, cwd=None, may=(0, 1)):
    done = subprocess.run([str(word) for word in words], cwd=cwd, capture_output=True, text=True, timeout=600)
    if done.returncode not in may:
        fail(f"{' '.join(map(str, words))}: status {done.returncode}\n{done.stderr}")
    return done


def tree(folder):
    """Every file of a folder with its hash; nothing where there is none."""
    files = sorted(path for path in folder.rglob("*") if path.is_file())
    return {str(path.relative_to(folder)): hashlib.sha256(path.read_bytes()).hexdigest() for path in files}


def killed(words, cwd, longest, environment=None):
    """Starts a command and kills it, and all it started, at a random moment; whether it was still at work."""
    process = subprocess.Popen([str(word) for word in words], cwd=cwd, start_new_session=True, env=environment, **QUIET)
    try:
        process.wait(RANDOM.uniform(0, longest))
        return False
    except subprocess.TimeoutExpired:
        return True
    finally:
        with contextlib.suppress(ProcessLookupError):
            os.killpg(process.pid, signal.SIGKILL)
        process.wait()


def leftovers(folder):
    return [path.name for path in folder.rglob(".narrows-*")]


def corpus(folder):
    """A small file for every reader."""
    files = []
    for bits in (8, 16):
        for syntax in ("native", "rle", "jpeg-ls", "deflated"):
            files.append(folder / f"{bits}-{syntax}.dcm")
            run(EXAMPLES / "made_volume", bits, syntax, "apex", files[-1])
    for name in ("a.nii", "a.nii.gz", "a.nrrd", "packed.nrrd", "a.mha", "packed.mha"):
        syntax = ["--syntax", "deflated"] if name.startswith("packed") else []
        run(PROGRAM, "convert", files[0], folder / name, *syntax)
        files.append(folder / name)
    return files


class Soak:
    def __init__(self, folder):
        self.folder = folder
        self.counts = {}
        self.volumes = []
        for seed in (1, 2, 3):
            recipe = folder / f"{seed}.toml"
            recipe.write_text(RECIPE.format(seed=seed))
            self.volumes.append(folder / "volumes" / f"{seed}.dcm")
            self.volumes[-1].parent.mkdir(exist_ok=True)
            run(PROGRAM, "phantom", recipe, "-o", self.volumes[-1])
        self.originals = tree(folder / "volumes")

    def count(self, verb, was_killed):
        done = self.counts.setdefault(verb, [0, 0])
        done[0 if was_killed else 1] += 1

    def prepare(self):
        """Undisturbed runs: what they leave, and how long they take."""
        self.reports, self.seconds = [], {}
        for number, volume in enumerate(self.volumes[:2]):
            began = time.monotonic()
            run(PROGRAM, "measure", volume, "--out", self.folder / f"report{number}")
            self.seconds["measure"] = time.monotonic() - began
            self.reports.append(tree(self.folder / f"report{number}"))
        self.converted = []
        for volume in self.volumes[:2]:
            began = time.monotonic()
            run(PROGRAM, "convert", volume, self.folder / "whole.dcm", "--syntax", "jpeg-ls")
            self.seconds["convert"] = time.monotonic() - began
            self.converted.append((self.folder / "whole.dcm").read_bytes())
        began = time.monotonic()
        run(PROGRAM, "cohort", self.folder / "volumes", "--out", self.folder / "whole.csv")
        self.seconds["cohort"] = time.monotonic() - began
        self.tables = self.read_tables("whole")

    def read_tables(self, stem):
        return [(self.folder / f"{stem}.{ending}").read_bytes() for ending in ("csv", "volumes.csv", "dictionary.csv")]

    def measure(self):
        """A report in the place of another volume's: all of the one, or all of the other."""
        out = self.folder / "report"
        number = RANDOM.randrange(2)
        before = tree(out)
        mine = out / "mine.txt"
        if out.exists() and not mine.exists():
            mine.write_text("mine")
            before = tree(out)
        command = [PROGRAM, "measure", self.volumes[number], "--out", out]
        self.count("measure", killed(command, self.folder, 1.1 * self.seconds["measure"]))
        after = tree(out)
        wanted = dict(self.reports[number])
        if "mine.txt" in before:
            wanted["mine.txt"] = before["mine.txt"]
        if after not in (before, wanted):
            fail(f"a killed measure left a mixture: {sorted(set(after.items()) ^ set(wanted.items()))[:6]}")

    def convert(self):
        out = self.folder / "converted.dcm"
        number = RANDOM.randrange(2)
        before = out.read_bytes() if out.exists() else None
        command = [PROGRAM, "convert", self.volumes[number], out, "--syntax", "jpeg-ls"]
        self.count("convert", killed(command, self.folder, 1.1 * self.seconds["convert"]))
        after = out.read_bytes() if out.exists() else None
        if after not in (before, self.converted[number]):
            fail("a killed convert left a part of a file")

    def cohort(self):
        """Killed as often as it takes, the tables are those of an undisturbed run."""
        for path in self.folder.glob("table.*"):
            path.unlink()
        command = [PROGRAM, "cohort", self.folder / "volumes", "--out", self.folder / "table.csv"]
        for _ in range(RANDOM.randrange(1, 4)):
            self.count("cohort", killed(command, self.folder, 1.1 * self.seconds["cohort"]))
        run(*command)
        if self.read_tables("table") != self.tables:
            fail("the tables of a cohort that was killed differ from those of one that was not")

    def view(self):
        """Killed at any moment, the viewer leaves the volume alone and what it put away can be read."""
        home = self.folder / "home"
        environment = {**os.environ, "HOME": str(home), "XDG_STATE_HOME": str(home), "XDG_DATA_HOME": str(home)}
        command = ["xvfb-run", "-a", PROGRAM, "view", self.volumes[0]]
        self.count("view", killed(command, self.folder, 6.0, environment))
        for path in home.rglob("*.json"):
            json.loads(path.read_text())

    def has_viewer(self):
        if not shutil.which("xvfb-run"):
            return False
        told = subprocess.run([PROGRAM, "view", self.volumes[0]], capture_output=True, text=True, env={"PATH": os.environ["PATH"]})
        return "without the viewer" not in told.stderr

    def end(self):
        """After a last undisturbed run nothing is left of the killed ones."""
        run(PROGRAM, "measure", self.volumes[0], "--out", self.folder / "report")
        run(PROGRAM, "convert", self.volumes[0], self.folder / "converted.dcm", "--syntax", "jpeg-ls")
        after = tree(self.folder / "report")
        after.pop("mine.txt", None)
        if after != self.reports[0]:
            fail("an undisturbed measure after killed ones differs from the first")
        if leftovers(self.folder):
            fail(f"left behind: {leftovers(self.folder)}")
        if tree(self.folder / "volumes") != self.originals:
            fail("a volume was changed")


def main():
    end = time.monotonic() + SECONDS
    with tempfile.TemporaryDirectory(prefix="soak-") as name:
        folder = pathlib.Path(name)
        files = folder / "files"
        files.mkdir()
        readers = subprocess.Popen(
            [EXAMPLES / "mutate", str(max(1.0, 0.9 * SECONDS)), str(SEED), *corpus(files)],
            stdout=subprocess.PIPE,
            stderr=subprocess.PIPE,
            text=True,
        )
        try:
            soak = Soak(folder)
            soak.prepare()
            verbs = [soak.measure, soak.convert, soak.convert, soak.cohort]
            if soak.has_viewer():
                verbs.append(soak.view)
            else:
                print("soak: no display or no viewer: `view` is left out")
            while time.monotonic() < end:
                RANDOM.choice(verbs)()
            soak.end()
            said, complained = readers.communicate(timeout=SECONDS + 60)
        finally:
            readers.kill()
        if readers.returncode:
            fail(complained.strip())
        print(f"soak: {said.strip()}")
        for verb, (cut, whole) in sorted(soak.counts.items()):
            print(f"soak: {verb}: killed {cut} times at work, {whole} times it was done before")
        print(f"soak: passed, {SECONDS:.0f} s, seed {SEED}")


main()

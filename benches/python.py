"""What the Python package costs beside the program: time, memory, import.

    python3 benches/python.py --program target/release/narrows [--runs 5] [VOLUME]

Each way is run in turn in a process of its own: the program, and Python that opens and measures the same volume. Told are
the medians of processor time (user and system) and of wall time, and the most memory resident. A bare interpreter is
measured too, since Python brings it along. Ends with 1 where a cost is beyond its limit (our own choice).
"""

import argparse
import os
import pathlib
import resource
import statistics
import subprocess
import sys
import time

ROOT = pathlib.Path(__file__).resolve().parents[1]

MEASURE = "import sys, narrows; sys.stdout.write(narrows.open(sys.argv[1]).measure(progress=False).to_json())"


def one(command):
    """Processor seconds, wall seconds, most MB resident, and what was printed"""
    began = time.perf_counter()
    child = subprocess.Popen(command, stdout=subprocess.PIPE)
    text = child.stdout.read()
    _, status, usage = os.wait4(child.pid, 0)
    child.returncode = os.waitstatus_to_exitcode(status)
    assert child.returncode in (0, 1), command
    return usage.ru_utime + usage.ru_stime, time.perf_counter() - began, usage.ru_maxrss / 1024, text


def main():
    asked = argparse.ArgumentParser(description=__doc__.splitlines()[0])
    asked.add_argument("volume", nargs="?", default=str(ROOT / "sample-volumes" / "crescent.dcm"))
    asked.add_argument("--program", default=str(ROOT / "target" / "release" / "narrows"))
    asked.add_argument("--runs", type=int, default=5)
    given = asked.parse_args()
    ways = {
        "program": [given.program, "measure", given.volume, "--json", "-"],
        "package": [sys.executable, "-c", MEASURE, given.volume],
        "import": [sys.executable, "-c", "import narrows"],
        "interpreter": [sys.executable, "-c", "pass"],
    }
    found = {name: [] for name in ways}
    for _ in range(given.runs):
        for name, command in ways.items():
            found[name].append(one(command))
    texts = {made[3] for name in ("program", "package") for made in found[name]}
    assert len(texts) == 1, "the results differ"
    print(f"{'':12} {'processor s':>12} {'wall s':>8} {'most MB':>8}")
    middle = {}
    for name, runs in found.items():
        middle[name] = [statistics.median(run[at] for run in runs) for at in range(3)]
        print(f"{name:12} {middle[name][0]:12.3f} {middle[name][1]:8.3f} {middle[name][2]:8.1f}")
    program, package, loaded, bare = (middle[name] for name in ("program", "package", "import", "interpreter"))
    costs = [
        ("processor time, times the program's", package[0] / program[0], 1.05),
        ("wall time, times the program's", package[1] / program[1], 1.05),
        ("memory without the bare interpreter, times", (package[2] - bare[2]) / program[2], 1.1),
        ("import over the bare interpreter, s", loaded[1] - bare[1], 0.1),
    ]
    for name, cost, limit in costs:
        print(f"{name}: {cost:.3f}, at most {limit}{'' if cost <= limit else ': TOO MUCH'}")
    if any(cost > limit for _, cost, limit in costs):
        sys.exit(1)


if __name__ == "__main__":
    resource.setrlimit(resource.RLIMIT_CORE, (0, 0))
    main()

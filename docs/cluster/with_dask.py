"""The same on a Dask cluster: python with_dask.py SCHEDULER LIST OUT.csv"""

import subprocess
import sys
from pathlib import Path

from dask.distributed import Client

scheduler, listed, out = sys.argv[1], Path(sys.argv[2]), Path(sys.argv[3])
parts = out.parent / f"{out.name}.parts"
parts.mkdir(exist_ok=True)
lines = dict.fromkeys(line.strip() for line in listed.read_text().splitlines())
volumes = [listed.parent / line for line in lines if line and not line.startswith("#")]


def measure(number, volume):
    command = ["narrows", "cohort", str(volume), "--out", str(parts / f"{number}.csv")]
    return subprocess.run(command, capture_output=True).returncode


if __name__ == "__main__":
    client = Client(scheduler)  # every worker needs the program and the shared folder
    client.gather(client.map(measure, range(len(volumes)), volumes, pure=False, retries=2))
    subprocess.run(["narrows", "cohort", str(listed), "--out", str(out), "--with", str(parts)], check=True)

"""Processes killed at random instants: recording, filer, recovery, companion, bench, certificate.

    PYTHONPATH=. .venv/bin/python tests/campaigns/faults/kills.py --number 500 --seed 1

Each trial does a job in a process of its own and kills it (SIGKILL) at an instant drawn evenly
over the time that the job takes when it is let alone. A recording is killed whole, with its
filer, or loses its filer alone; then it has to go on to a sealed file by itself. Afterwards the
person's next step is done: recover, open, write once more. Printed: tried, survived and lost.
Exit code 1 when anything acknowledged is lost, or the next step fails.
"""

from __future__ import annotations

import argparse
import contextlib
import os
import random
import signal
import sys
import time
from collections.abc import Sequence
from pathlib import Path
from typing import Final

from tests.campaigns.faults.held import lost
from tests.campaigns.faults.jobs import JobName
from tests.campaigns.faults.places import Child, Places, places
from tests.campaigns.faults.tally import Tally, tell

__all__ = ["kill_once", "main"]

WHOLE: Final = "the whole job"
FILER: Final = "the filer alone"
SHARES: Final = {
    (JobName.RECORD, WHOLE): 0.24,
    (JobName.RECORD, FILER): 0.06,
    (JobName.RECOVER, WHOLE): 0.20,
    (JobName.COMPANION, WHOLE): 0.20,
    (JobName.BENCH, WHOLE): 0.20,
    (JobName.CERTIFICATE, WHOLE): 0.10,
}


def takes_s(job: JobName, at: Places) -> float:
    """How long a job takes that is let alone; it has to succeed."""
    folder, acks = at.fresh(job)
    began = time.monotonic()
    child = Child(job, folder, acks, at.seed)
    code = child.wait()
    took = time.monotonic() - began
    if code:
        msg = f"{job} fails unharmed: {child.said}"
        raise RuntimeError(msg)
    at.done(folder)
    return took


def children(pid: int) -> list[int]:
    """Processes started by one, as Linux tells them."""
    with contextlib.suppress(OSError):
        return [
            int(word)
            for task in Path(f"/proc/{pid}/task").iterdir()
            for word in (task / "children").read_text().split()
        ]
    return []


def filer_of(pid: int) -> int | None:
    """The filer of a recording, while there is one."""
    for child in children(pid):
        with contextlib.suppress(OSError):
            if b"filer" in Path(f"/proc/{child}/cmdline").read_bytes():
                return child
    return None


def kill_once(job: JobName, whom: str, after_s: float, at: Places, seed: int) -> list[str]:
    """One job killed so many seconds after its beginning; what is lost."""
    folder, acks = at.fresh(job)
    child = Child(job, folder, acks, seed)
    child.ended_within(after_s)
    found = []
    if whom == FILER:
        filer = filer_of(child.pid)
        if filer is not None:
            os.kill(filer, signal.SIGKILL)
        code = child.wait()
        if code or "sealed" not in child.told():
            last = f"{child.told()[-1:]} {child.said[-300:]}"
            found.append(f"the recording ended with {code}, {last}")
    else:
        child.kill()
        child.wait()
    told = [*at.before(job)[1], *child.told()]
    found += lost(job, folder, told, seed)
    at.done(folder)
    return found


def main(arguments: Sequence[str] | None = None) -> int:
    """Kill, look, print."""
    parser = argparse.ArgumentParser(description=__doc__.split("\n", maxsplit=1)[0])
    parser.add_argument("--number", type=int, default=500, help="kills in all")
    parser.add_argument("--seed", type=int, default=1)
    parser.add_argument("--job", action="append", choices=[str(job) for job in JobName])
    given = parser.parse_args(arguments)
    chosen = {k: v for k, v in SHARES.items() if not given.job or str(k[0]) in given.job}
    tally, chance = Tally(), random.Random(given.seed)
    with places(given.seed) as at:
        for (job, whom), share in chosen.items():
            took = takes_s(job, at)
            tell(f"{job}: {took:.2f} s let alone")
            for i in range(round(given.number * share / sum(chosen.values()))):
                after_s, seed = chance.uniform(0.0, 1.02 * took), given.seed + i
                found = kill_once(job, whom, after_s, at, seed)
                tally.add(job, whom, found, f"seed {seed}, after {after_s:.3f} s")
    tell(tally.table())
    return tally.exit_code


if __name__ == "__main__":
    sys.exit(main())

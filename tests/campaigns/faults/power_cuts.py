"""Power cuts at any instant of recording, recovery, companion, bench session and certificate.

    PYTHONPATH=. .venv/bin/python tests/campaigns/faults/power_cuts.py --number 1200 --seed 1

Each job is done once under ``strace`` for a few seeds; its log says what was written, synced,
named and acknowledged, in order. At instants drawn at random (every second one of them right
after a sync or an acknowledgement, where a promise has just been made) the folder is written as a
cut might leave it, in one of six ways, and the person's next step is done on it: recover, open,
write once more. Printed: tried, survived and lost, by job and by what became of that which was
not synced. Exit code 1 when anything acknowledged is lost, or the next step fails.

``--job`` takes one job; ``--jobs N`` is how many seeds of each are logged.
"""

from __future__ import annotations

import argparse
import random
import sys
from collections.abc import Sequence
from pathlib import Path
from typing import Final

from tests.campaigns.faults.disk import Cut, Disk
from tests.campaigns.faults.held import lost
from tests.campaigns.faults.io_log import Ack, Op, Sync, has_strace, logged, read_log
from tests.campaigns.faults.jobs import JobName
from tests.campaigns.faults.places import Places, places
from tests.campaigns.faults.tally import Tally, tell

__all__ = ["cut_job", "main"]

SHARES: Final = {
    JobName.RECORD: 0.35,
    JobName.RECOVER: 0.10,
    JobName.COMPANION: 0.20,
    JobName.BENCH: 0.20,
    JobName.CERTIFICATE: 0.15,
}
"""Of the cuts, by job; a recording has by far the most instants."""


def instants(ops: Sequence[Op], number: int, chance: random.Random) -> list[int]:
    """How many operations have been done at each cut: half of them just after a promise."""
    promised = [i for i, op in enumerate(ops, 1) if isinstance(op, Sync | Ack)]
    return sorted(
        chance.choice(promised) if promised and chance.random() < 0.5
        else chance.randint(0, len(ops))
        for _ in range(number)
    )  # fmt: skip


def cut_job(
    job: JobName,
    ops: Sequence[Op],
    folder: Path,
    at: Places,
    tally: Tally,
    number: int,
    seed: int,
) -> None:
    """Cut one logged job so many times."""
    chance = random.Random(f"{job} {seed}")
    before, earlier = at.before(job)
    disk, done = Disk(before, folder), 0
    for instant in instants(ops, number, chance):
        while done < instant:
            disk.take(ops[done])
            done += 1
        cut = chance.choice(list(Cut))
        place = at.empty()
        disk.leave(place, cut, chance)
        acks = [*earlier, *disk.acks]
        found = lost(job, place, acks, seed)
        what = "sealing" if job is JobName.RECORD and "stopping" in acks else str(job)
        tally.add(what, cut, found, f"seed {seed}, operation {instant} of {len(ops)}")
        at.done(place)


def log_job(job: JobName, at: Places, seed: int) -> tuple[list[Op], Path]:
    """Do a job under ``strace``; what it did to the disk, and where."""
    folder, acks = at.fresh(job)
    log = at.root / f"{job}-{seed}.strace"
    logged(job, folder, acks, log, seed=seed)
    ops = read_log(log, folder, acks, at.before(job)[0])
    log.unlink()
    at.done(folder)
    return ops, folder


def main(arguments: Sequence[str] | None = None) -> int:
    """Log, cut, print."""
    parser = argparse.ArgumentParser(description=__doc__.split("\n", maxsplit=1)[0])
    parser.add_argument("--number", type=int, default=1200, help="cuts in all")
    parser.add_argument("--seed", type=int, default=1)
    parser.add_argument("--jobs", type=int, default=2, help="seeds of each job")
    parser.add_argument("--job", action="append", choices=[str(job) for job in JobName])
    given = parser.parse_args(arguments)
    if not has_strace():
        tell("power_cuts: strace is not there; install the package strace")
        return 2
    chosen = [JobName(name) for name in given.job or JobName]
    share = sum(SHARES[job] for job in chosen)
    tally = Tally()
    with places(given.seed) as at:
        for job in chosen:
            for seed in range(given.seed, given.seed + given.jobs):
                ops, folder = log_job(job, at, seed)
                syncs = sum(isinstance(op, Sync) for op in ops)
                tell(f"{job}, seed {seed}: {len(ops)} operations, {syncs} syncs")
                number = round(given.number * SHARES[job] / share / given.jobs)
                cut_job(job, ops, folder, at, tally, number, seed)
    tell(tally.table())
    return tally.exit_code


if __name__ == "__main__":
    sys.exit(main())

"""Writes that fail: every n-th write, sync and truncation, with four errors, and locks held.

    PYTHONPATH=. .venv/bin/python tests/campaigns/faults/write_faults.py --number 600 --seed 1

A library loaded before the C library (``fault_shim.c``, compiled with ``cc``) makes calls of one
kind fail from the n-th on: once, three times, or for good, with EIO (damaged disk), ENOSPC (full),
EDQUOT (quota) or EINTR. Each job is done once unharmed to count its calls; then trials are spread
evenly over them. Besides, another process holds the journal's lock for seconds. Every trial has
to go on to its end, or to end in one plain line; nothing acknowledged may be lost. Printed:
tried, survived, lost, and how many went on to their end. Exit code 1 on any loss.

"""

from __future__ import annotations

import argparse
import errno
import mmap
import os
import random
import shutil
import sqlite3
import struct
import subprocess
import sys
import time
from collections import Counter
from collections.abc import Sequence
from enum import IntEnum
from pathlib import Path
from typing import Final

from tests.campaigns.faults.held import lost
from tests.campaigns.faults.jobs import JOURNAL, JobName
from tests.campaigns.faults.places import Child, Places, places
from tests.campaigns.faults.tally import Tally, tell

__all__ = ["PLAN", "Call", "Plan", "compiled", "main"]

ERRORS: Final = (errno.EIO, errno.ENOSPC, errno.EDQUOT, errno.EINTR)
FOR_GOOD: Final = 10**9
LONGEST_EINTR: Final = 200
"""An interruption passes; SQLite tries again as long as it lasts."""
TIMES: Final = (1, 3, FOR_GOOD)
LOCKS_S: Final = (0.5, 2.0, 6.0, 12.0)
"""How long another process holds the journal."""
NOT_WORDS: Final = ("Traceback", "internal error", "HDF5-DIAG")
"""Signs that a mistake of the program reached the person."""
LOCK_SHARE: Final = 0.02
SHARES: Final = {
    JobName.RECORD: 0.45,
    JobName.RECOVER: 0.20,
    JobName.COMPANION: 0.14,
    JobName.BENCH: 0.11,
    JobName.CERTIFICATE: 0.10,
}
PLAN: Final = struct.Struct("7q")


class Call(IntEnum):
    """The calls that can fail, as the library numbers them."""

    NONE = -1
    WRITE = 0
    SYNC = 1
    TRUNCATE = 2


class Plan:
    """What is to fail: memory that the library reads in every process of a trial."""

    def __init__(self, path: Path) -> None:
        with path.open("r+b") as file:
            self._shared = mmap.mmap(file.fileno(), PLAN.size)
        self.set(Call.NONE)

    def set(
        self, call: Call, *, first: int = FOR_GOOD, times: int = 0, error: int = 0, us: int = 0
    ) -> None:
        """From now on."""
        PLAN.pack_into(self._shared, 0, call, first, times, error, us, 0, 0)

    @property
    def seen(self) -> int:
        """Calls of the kind since it was set."""
        return int(PLAN.unpack_from(self._shared)[5])

    @property
    def failed(self) -> int:
        """And how many of them failed."""
        return int(PLAN.unpack_from(self._shared)[6])


class Trials:
    """The campaign: places, plan and tally."""

    def __init__(self, at: Places, plan: Plan, seed: int) -> None:
        self.at, self.plan, self.seed = at, plan, seed
        self.tally = Tally()
        self.went_on: Counter[str] = Counter()
        self.ended: Counter[str] = Counter()

    def begun(self, job: JobName, call: Call, **fault: int) -> tuple[Child, Path]:
        """A job set going with a fault before it."""
        folder, acks = self.at.fresh(job)
        os.environ["FAULT_FOLDER"] = f"{folder}/"
        self.plan.set(call, **fault)
        return Child(job, folder, acks, self.seed), folder

    def count(self, job: JobName, call: Call) -> int:
        """How many such calls an unharmed job makes."""
        child, folder = self.begun(job, call)
        code, seen = child.wait(), self.plan.seen
        self.plan.set(Call.NONE)
        if code:
            msg = f"{job} fails unharmed: {child.said}"
            raise RuntimeError(msg)
        self.at.done(folder)
        return seen

    def fail(self, job: JobName, call: Call, first: int, times: int, error: int) -> None:
        """One trial."""
        if error == errno.EINTR:
            times = min(times, LONGEST_EINTR)
        child, folder = self.begun(job, call, first=first, times=times, error=error)
        code, failed = child.wait(), self.plan.failed
        self.plan.set(Call.NONE)
        name = f"{errno.errorcode[error]} on {call.name.lower()}"
        again = f"seed {self.seed}, call {first}, {times} times ({failed} failed)"
        self.judge(job, name, again, (child, folder, code))

    def judge(self, job: JobName, how: str, again: str, trial: tuple[Child, Path, int]) -> None:
        """What is lost, and whether it went on or ended in words."""
        child, folder, code = trial
        found = []
        if code not in {0, 2} or any(sign in child.said for sign in NOT_WORDS):
            found.append(f"ended with {code}: {child.said.strip()[-300:]}")
        told = [*self.at.before(job)[1], *child.told()]
        ended = [line for line in told if line.startswith("ended ")]
        went_on = code == 0 and all(line.split()[1] == "0" for line in ended)
        (self.went_on if went_on else self.ended)[f"{job}, {how}"] += 1
        found += lost(job, folder, told, self.seed)
        self.tally.add(job, how, found, again)
        self.at.done(folder)

    def lock(self, seconds: float, after: int) -> None:
        """Another process holds the journal so long, after so many acknowledgements."""
        child, folder = self.begun(JobName.RECORD, Call.NONE)
        while len(child.told()) < after and not child.ended_within(0.01):
            pass
        held = sqlite3.connect(folder / JOURNAL, isolation_level=None, timeout=5.0)
        held.execute("BEGIN IMMEDIATE")
        time.sleep(seconds)
        held.execute("ROLLBACK")
        held.close()
        how = f"locked for {seconds:g} s"
        self.judge(JobName.RECORD, how, f"after {after}", (child, folder, child.wait()))


def compiled(place: Path) -> Path | None:
    """The library, made now; None where there is no compiler."""
    compiler = shutil.which("cc") or shutil.which("gcc")
    if compiler is None:
        return None
    source = Path(__file__).with_name("fault_shim.c")
    subprocess.run(
        [compiler, "-O2", "-shared", "-fPIC", "-o", str(place), str(source), "-ldl"], check=True
    )
    return place


def load_library() -> None:
    """Begin this program again with the library loaded; returns where it is already."""
    if "FAULTS" in os.environ:
        return
    with places(0) as at:
        library = compiled(at.root / "faults.so")
        if library is None:
            tell("write_faults: there is no C compiler; install the package gcc")
            raise SystemExit(2)
        plan = at.root / "plan"
        plan.write_bytes(bytes(PLAN.size))
        env = {**os.environ, "LD_PRELOAD": str(library), "FAULTS": str(plan)}
        code = subprocess.run([sys.executable, *sys.argv], env=env, check=False).returncode
    raise SystemExit(code)


def run_trials(trials: Trials, chosen: Sequence[JobName], number: int, seed: int) -> None:
    """Faults spread over the calls of every job, then locks."""
    chance = random.Random(seed)
    share = sum(SHARES[job] for job in chosen)
    for job in chosen:
        calls = {call: trials.count(job, call) for call in Call if call is not Call.NONE}
        tell(f"{job}: " + ", ".join(f"{n} × {call.name.lower()}" for call, n in calls.items()))
        wanted = [call for call, n in calls.items() if n]
        for i in range(round(number * SHARES[job] / share)):
            call = wanted[i % len(wanted)]
            times, error = TIMES[i // len(wanted) % len(TIMES)], chance.choice(ERRORS)
            trials.fail(job, call, chance.randint(1, calls[call]), times, error)
    if JobName.RECORD in chosen:
        for i in range(max(round(LOCK_SHARE * number), len(LOCKS_S))):
            trials.lock(LOCKS_S[i % len(LOCKS_S)], chance.randint(20, 150))


def main(arguments: Sequence[str] | None = None) -> int:
    """Fail, look, print."""
    parser = argparse.ArgumentParser(description=__doc__.split("\n", maxsplit=1)[0])
    parser.add_argument("--number", type=int, default=600, help="faults in all")
    parser.add_argument("--seed", type=int, default=1)
    parser.add_argument("--job", action="append", choices=[str(job) for job in JobName])
    given = parser.parse_args(arguments)
    load_library()
    chosen = [JobName(name) for name in given.job or JobName]
    with places(given.seed) as at:
        trials = Trials(at, Plan(Path(os.environ["FAULTS"])), given.seed)
        run_trials(trials, chosen, given.number, given.seed)
    tell(trials.tally.table())
    for what in sorted({*trials.went_on, *trials.ended}):
        on, over = trials.went_on[what], trials.ended[what]
        tell(f"{what}: {on} went on to the end, {over} ended in words")
    return trials.tally.exit_code


if __name__ == "__main__":
    sys.exit(main())

"""Processes frozen or starved for seconds: what is lost, is it told, are times still honest.

    PYTHONPATH=. .venv/bin/python tests/campaigns/stalls/freezes.py --out FREEZES
    PYTHONPATH=. .venv/bin/python tests/campaigns/stalls/freezes.py --out FREEZES --longest

Each trial records a feed on real ports (four channels at 2 kHz, wheel, receiver; 60 s, or
``--seconds``) and stops one process for a while (SIGSTOP, SIGCONT): the recording, its filer, the
feed, a window. Or it starves the recording: nice 19 and one processor, shared with two busy loops.
Where there is a C compiler, one sync of the journal may take as long instead (``disk``).
How long nothing is lost while nobody reads depends on what the port holds: ``--transport pty``
has the few kilobytes of a serial line, TCP has megabytes. ``--longest`` stalls recording and disk
ever longer and says which was the longest that lost nothing.
Printed: samples lost, how many of them are in no gap, the latest sample beyond its receipt, marks
kept. Exit code 1 when a loss is not told, a sample is dated after its receipt, an acknowledged
mark is gone, or the recording does not end sealed.
"""

from __future__ import annotations

import argparse
import contextlib
import os
import random
import shutil
import signal
import subprocess
import sys
import time
from collections.abc import Iterator, Sequence
from contextlib import contextmanager
from dataclasses import dataclass
from enum import StrEnum
from pathlib import Path
from typing import Final
from unittest import mock

import psutil

from recorder.acquisition.process.launch import RecordingProcess, start_recording
from recorder.machine.child_process import child_environment, python_command
from simulated_feeds.outing.truth import TRUTH, write_truth
from simulated_feeds.serving.feed_process import FeedProcess
from simulated_feeds.serving.serving import start_feed
from tests.campaigns.faults.jobs import surroundings
from tests.campaigns.faults.tally import tell
from tests.campaigns.faults.write_faults import PLAN, Call, Plan, compiled
from tests.campaigns.stalls.against_truth import Held, hold

__all__ = ["main"]

RATE_HZ: Final = 2000
BUSY: Final = "while True: pass"
LONGEST_S: Final = (1.0, 5.0, 10.0, 20.0, 30.0, 40.0, 60.0, 90.0)


class Whom(StrEnum):
    """What is stopped."""

    RECORDING = "recording"
    FILER = "filer"
    FEED = "feed"
    WINDOW = "window"
    STARVED = "starved"
    DISK = "disk"


USUAL: Final = (
    (Whom.RECORDING, 1.0), (Whom.RECORDING, 5.0), (Whom.RECORDING, 20.0),
    (Whom.RECORDING, 40.0), (Whom.FILER, 20.0), (Whom.FILER, 40.0), (Whom.FEED, 5.0),
    (Whom.FEED, 40.0), (Whom.WINDOW, 40.0), (Whom.STARVED, 40.0), (Whom.DISK, 20.0),
)  # fmt: skip


@dataclass(frozen=True, slots=True, kw_only=True)
class Trial:
    """One recording that is disturbed once."""

    whom: Whom
    for_s: float
    at_s: float
    seconds: float
    seed: int
    transport: str


@contextmanager
def _window(recording: RecordingProcess) -> Iterator[int]:
    child = subprocess.Popen(
        python_command(
            "recorder.window.qt.frame.app", "--seconds", "600", "--session",
            str(recording.session_path),
        ),
        env=child_environment(QT_QPA_PLATFORM="offscreen"), stdout=subprocess.DEVNULL,
        stderr=subprocess.DEVNULL,
    )  # fmt: skip
    try:
        yield child.pid
    finally:
        child.kill()
        child.wait()


@contextmanager
def _starved(pid: int) -> Iterator[None]:
    """Least share of one processor, beside two loops that want all of it."""
    loops = [subprocess.Popen([sys.executable, "-c", BUSY]) for _ in range(2)]
    try:
        for task in Path(f"/proc/{pid}/task").iterdir():
            os.setpriority(os.PRIO_PROCESS, int(task.name), 19)
            os.sched_setaffinity(int(task.name), {0})
        for loop in loops:
            os.sched_setaffinity(loop.pid, {0})
        yield
    finally:
        for loop in loops:
            loop.kill()
            loop.wait()


def _filer(pid: int) -> int:
    for child in psutil.Process(pid).children(recursive=True):
        if any("filer" in word for word in child.cmdline()):
            return int(child.pid)
    msg = "the recording has no filer"
    raise RuntimeError(msg)


@contextmanager
def _slow_disk(place: Path) -> Iterator[Plan]:
    """For processes started meanwhile: syncs of the run's journal can be made to take long."""
    library = compiled(place / "faults.so")
    if library is None:
        msg = "there is no C compiler; install the package gcc"
        raise SystemExit(msg)
    path = place / "plan"
    path.write_bytes(bytes(PLAN.size))
    wanted = {
        "LD_PRELOAD": str(library), "FAULTS": str(path),
        "FAULT_FOLDER": str(place / "run.h5.journal"),
    }  # fmt: skip
    with mock.patch.dict(os.environ, wanted):
        yield Plan(path)


def _disturb(
    trial: Trial, recording: RecordingProcess, feed: FeedProcess, plan: Plan | None
) -> None:
    if plan is not None:
        plan.set(Call.SYNC, first=1, times=1, us=round(1e6 * trial.for_s))
        time.sleep(trial.for_s + 1.0)
        if not plan.failed:
            msg = "the disk never stalled: the library was not asked"
            raise RuntimeError(msg)
        return
    with contextlib.ExitStack() as held:
        if trial.whom is Whom.STARVED:
            held.enter_context(_starved(recording.pid))
            time.sleep(trial.for_s)
            return
        pids = {Whom.RECORDING: recording.pid, Whom.FEED: feed.pid}
        pid = pids.get(trial.whom, 0)
        if trial.whom is Whom.FILER:
            pid = _filer(recording.pid)
        elif trial.whom is Whom.WINDOW:
            pid = held.enter_context(_window(recording))
            time.sleep(3.0)
        os.kill(pid, signal.SIGSTOP)
        held.callback(_go_on, pid)
        time.sleep(trial.for_s)


def _go_on(pid: int) -> None:
    os.kill(pid, signal.SIGCONT)


def run_trial(trial: Trial, place: Path) -> tuple[Held | None, list[str], int]:
    """Record and disturb; what was held, what is wrong, and marks acknowledged."""
    place.mkdir(parents=True)
    marks: list[str] = []
    with start_feed(
        place / "feed",
        seed=trial.seed,
        seconds=trial.seconds + 120.0,
        truth_hz=50.0,
        transport=trial.transport,
    ) as feed:
        with contextlib.ExitStack() as slow:
            disk = trial.whom is Whom.DISK
            plan = slow.enter_context(_slow_disk(place)) if disk else None
            recording = start_recording(
                feed.sheets["car"], feed.sheets["trip"], place / "run.h5",
                seconds=trial.seconds, zero_seconds=0.0,
            )  # fmt: skip
        began = time.monotonic()
        started_ns = recording.session.header.started_monotonic_ns
        marks.append(recording.session.mark("remark", time.monotonic_ns(), "before").mark_id)
        time.sleep(max(trial.at_s - (time.monotonic() - began), 0.0))
        _disturb(trial, recording, feed, plan)
        with contextlib.suppress(Exception):  # it may have ended meanwhile: then none is kept
            marks.append(recording.session.mark("remark", time.monotonic_ns(), "after").mark_id)
        code = recording.wait(trial.seconds + 300.0)
        outcome = recording.outcome
    if code or outcome is None or not outcome.sealed:
        return None, [f"the recording ended with {code}: {outcome}"], len(marks)
    truth = None
    if trial.whom is not Whom.FEED:  # frozen, it sends late what no device would: no truth then
        truth = place / TRUTH
        write_truth(place / "feed", started_ns, truth)
    held = hold(place / "run.h5", marks, rate_hz=RATE_HZ, truth=truth)
    return held, list(held.findings), len(marks)


def run_all(trials: Sequence[Trial], out: Path) -> int:
    """One after the other; the exit code."""
    bad, longest = 0, dict[Whom, float]()
    tell(
        f"{'whom':10} {'for s':>6} {'samples':>8} {'lost':>7} {'untold':>6} {'gaps':>5}"
        f" {'beyond receipt s':>17} {'marks':>6}"
    )
    for i, trial in enumerate(trials):
        place = out / f"trial-{i}"
        held, findings, marks = run_trial(trial, place)
        if held is not None:
            tell(
                f"{trial.whom:10} {trial.for_s:6.1f} {held.records:8} {held.lost:7}"
                f" {held.untold:6} {len(held.gaps):5} {held.latest_s:17.6f} {marks:6}"
            )
            if not held.lost and not held.gaps:
                longest[trial.whom] = max(longest.get(trial.whom, 0.0), trial.for_s)
        for finding in findings:
            tell(f"{trial.whom} for {trial.for_s:g} s: {finding}")
        bad += bool(findings)
        if not findings:
            shutil.rmtree(place)
    for whom, seconds in longest.items():
        tell(f"longest without loss, {whom}: {seconds:g} s")
    tell(f"{len(trials)} tried, {len(trials) - bad} survived")
    return 1 if bad else 0


def main(arguments: Sequence[str] | None = None) -> int:
    """Freeze, look, print."""
    parser = argparse.ArgumentParser(description=__doc__.split("\n", maxsplit=1)[0])
    parser.add_argument("--seed", type=int, default=1)
    parser.add_argument("--number", type=int, default=99, help="of the usual trials at most")
    parser.add_argument("--seconds", type=float, default=60.0, help="of a recording at least")
    parser.add_argument("--whom", action="append", choices=[str(whom) for whom in Whom])
    parser.add_argument("--transport", choices=["tcp", "pty"], default="tcp")
    parser.add_argument("--longest", action="store_true", help="freeze it ever longer")
    parser.add_argument("--out", type=Path, required=True, help="a new folder")
    given = parser.parse_args(arguments)
    surroundings(given.out / "runtime")
    chance = random.Random(given.seed)
    ever_longer = [(whom, s) for whom in (Whom.DISK, Whom.RECORDING) for s in LONGEST_S]
    usual = ever_longer if given.longest else USUAL
    trials = [
        Trial(
            whom=whom, for_s=for_s, at_s=chance.uniform(4.0, 8.0),
            seconds=max(given.seconds, for_s + 20.0), seed=given.seed + i,
            transport=given.transport,
        )
        for i, (whom, for_s) in enumerate(usual[: given.number])
        if not given.whom or str(whom) in given.whom
    ]  # fmt: skip
    return run_all(trials, given.out)


if __name__ == "__main__":
    sys.exit(main())

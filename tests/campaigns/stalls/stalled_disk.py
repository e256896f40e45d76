"""How long a disk may stall before a record is lost, at the default rates: a campaign.

Each stall is a recording of its own, from the feed's ports; every commit hangs for so many seconds,
or fails as a lock does. A mark is keyed in the middle of it. Told: the room that was named when
it began, what was lost, and what became of the mark::

    PYTHONPATH=. python tests/campaigns/stalls/stalled_disk.py --seconds 10 60 --how frozen locked
"""

from __future__ import annotations

import argparse
import sqlite3
import sys
import tempfile
import threading
import time
from pathlib import Path
from typing import TYPE_CHECKING

from recorder.acquisition.control.client import LiveSession, attach
from recorder.acquisition.control.requests import KeyedMark, NotKeptYetError
from recorder.acquisition.preparation.settings import Outcome, RecordingSettings
from recorder.acquisition.process.recording import record
from recorder.acquisition.process.reports import Started
from recorder.acquisition.process.running import StopWish
from recorder.machine.clocks import now_ns
from simulated_feeds.serving.serving import start_feed
from tests.recorder.faulty_journal import ALWAYS, Faults
from tests.recorder.listener import Listener

if TYPE_CHECKING:
    from simulated_feeds.serving.feed_process import FeedProcess

BEFORE_S, AFTER_S = 5.0, 8.0
HOW = {"frozen": 0, "locked": sqlite3.SQLITE_BUSY, "failing": sqlite3.SQLITE_IOERR_FSYNC}


def stalled(feed: FeedProcess, out: Path, seconds: float, how: str) -> tuple[str, bool]:
    """One recording with one stall: in words, and whether nothing was lost."""
    faults, listener, stop = Faults(), Listener(), StopWish()
    ended: list[Outcome] = []
    settings = RecordingSettings(
        car_sheet=feed.sheets["car"].absolute(), trip_sheet=feed.sheets["trip"].absolute(),
        out=out, zero_seconds=0.0,
    )  # fmt: skip

    def run() -> None:
        ended.append(record(settings, listener, stop, connect=faults.connect))

    recording = threading.Thread(target=run)
    recording.start()
    listener.wait(Started)
    with attach(out) as session:
        listener.status(lambda s: s.t_s > BEFORE_S)
        room_s, mark = _stall(session, listener, faults, seconds, how)
        time.sleep(AFTER_S)
        stop.ask("over")
        recording.join()
    (outcome,) = ended
    words = (
        f"{how} for {seconds:g} s: room named {room_s:.0f} s; {outcome.gaps} gaps,"
        f" {outcome.lost_records} of {sum(outcome.records.values())} records lost; mark {mark};"
        f" {outcome.problem or 'sealed'}"
    )
    return words, not outcome.problem and not outcome.lost_records and outcome.marks == 1


def _stall(
    session: LiveSession, listener: Listener, faults: Faults, seconds: float, how: str
) -> tuple[float, str]:
    """The room that was named (-1: none), and what became of a mark keyed meanwhile."""
    until = time.monotonic() + seconds
    if how == "frozen":
        faults.freeze()
    else:
        faults.fail(HOW[how], times=ALWAYS)
    room_s = listener.status(lambda s: s.keeping.stalled).keeping.room_s
    keyed = KeyedMark(mark_id="0" * 32, kind="remark", keyed_monotonic_ns=now_ns(), value="x")
    try:
        session.take(keyed)
        answer = "kept"
    except NotKeptYetError:
        answer = "not kept yet"
    time.sleep(max(until - time.monotonic(), 0.0))
    faults.mend()
    answer += _then(session, keyed)
    listener.status(lambda s: not s.keeping.stalled)
    return -1.0 if room_s is None else room_s, answer


def _then(session: LiveSession, keyed: KeyedMark) -> str:
    """What the client learns once the disk is back, and how often the mark is there."""
    deadline = time.monotonic() + 20.0
    while time.monotonic() < deadline:
        if marks := [m for m in session.marks() if m.mark_id == keyed.mark_id]:
            again = session.take(keyed) == marks[0]
            return f", then kept {len(marks)} time" + ", told so again" * again
    return ", then NOT kept"


def main() -> int:
    """Run what is asked for, one after the other; 1 when anything was lost."""
    parser = argparse.ArgumentParser(description=__doc__)
    parser.add_argument("--seconds", type=float, nargs="+", default=[10.0, 60.0])
    parser.add_argument("--how", nargs="+", choices=sorted(HOW), default=["frozen"])
    parser.add_argument("--seed", type=int, default=5)
    args = parser.parse_args()
    lost = 0
    for how in args.how:
        for seconds in args.seconds:
            with tempfile.TemporaryDirectory() as folder:
                place = Path(folder)
                with start_feed(place / "feed", seed=args.seed, seconds=seconds + 60.0) as feed:
                    words, whole = stalled(feed, place / "run.h5", seconds, how)
            sys.stdout.write(f"{words}\n")
            sys.stdout.flush()
            lost += not whole
    return 1 if lost else 0


if __name__ == "__main__":
    sys.exit(main())

"""Recordings of lying devices, on real ports: name the lies, have the sealed runs.

To hold what came of a lie, or what is told of it, ask the fixture ``lying`` for the run of its
name, or record others with :func:`record_lies`.
"""

from __future__ import annotations

from collections.abc import Mapping
from contextlib import ExitStack
from dataclasses import dataclass, field
from pathlib import Path
from typing import Any, Final

import numpy as np

from recorder.acquisition.preparation.settings import RecordingSettings
from recorder.acquisition.process.launch import RecordingProcess
from recorder.run_file.hdf5.reader import open_run
from simulated_feeds.outing.scenario import Scenario, make_scenario
from simulated_feeds.outing.truth import read_feed_note
from simulated_feeds.serving.serving import start_feed

__all__ = ["LIES", "Lie", "LyingRun", "LyingRuns", "record_lies"]

SECONDS: Final = 20.0
TOGETHER: Final = 4
"""Recordings at a time: each is three processes, and a feed's must keep its time to milliseconds
on two processors."""

MOST_LATE_MS: Final = 250.0
"""A feed later than that was not what was asked for: on a busy machine it is, for a moment."""


@dataclass(frozen=True, kw_only=True)
class Lie:
    """What the devices of one recording do."""

    faults: tuple[str, ...]
    """As ``testcar feed --fault``."""
    pps: bool = False
    seconds: float = SECONDS
    seed: int = 7
    depart_s: float = 2.0
    """Simulated time at which the train begins to move: early, so that most of a run moves."""
    more: Mapping[str, Any] = field(default_factory=dict)
    """Other settings of the recording."""


# Those of one run are of different devices, or know nothing of each other.
LIES: Final = {
    # A minute each: what is wrong with these shows by half a minute of other witnesses.
    "leap seconds late, stuck": Lie(
        faults=("time-off=18@0+10", "stuck:drawbar@32+6", "stuck:wheel@39+12"), seconds=55.0
    ),
    "jump, half the pulses": Lie(faults=("time-off=3600@10", "slide=0.5@18+34"), seconds=55.0),
    "week rollover, spikes": Lie(faults=("date-off=-7168@0", "spikes@6+10")),
    "late sentences": Lie(faults=("late:clock=1.1@0",), pps=True),
    "wrong edge": Lie(faults=("pulse-late=0.2@0",), pps=True),
    "zda a day off, creep": Lie(faults=("zda-off=86400@0", "creep=2000@5+10"), depart_s=60.0),
    "holdover, rail": Lie(faults=("holdover=500@8", "railed@8+4")),
    "resonator": Lie(faults=("clock-rate=5000@0",)),
    "latency steps, leap seconds miscounted": Lie(
        faults=("late:drawbar=0.005@10", "late:wheel=0.005@10", "time-off=-14@0")
    ),
    "years back, faster": Lie(
        faults=("date-off=-7305@0", "faster:drawbar=1.25@0", "faster:wheel=1.25@0")
    ),
    "uneven, silent wheel": Lie(
        faults=("uneven:clock=0.3@0", "bursts:drawbar=0.002@0", "silence:wheel@8+1000")
    ),
    "warming up, silent receiver": Lie(
        faults=("clock-rate=20000@0", "clock-drift=100000@0", "silence:clock@8+1000")
    ),
    "late sentences alone, five per cent": Lie(
        faults=("late:clock=0.6@0", "clock-rate=50000@0", "late:wheel=0.0008@0"), depart_s=0.0
    ),
    "pulses numbered a second late": Lie(faults=("late:clock=1.0@0",), pps=True),
    "date a day ahead": Lie(faults=("date-off=1@0", "clock-rate=-20000@0")),
    "silent from the start": Lie(faults=("silence:clock@0+1000",)),
}


@dataclass(frozen=True, kw_only=True)
class LyingRun:
    """A sealed run, and the folder of the feed it was recorded from."""

    lie: Lie
    path: Path
    feed: Path

    @property
    def scenario(self) -> Scenario:
        """The instruments as they would be without the lie."""
        return make_scenario(
            self.lie.seed, utc0_ns=self.utc0_ns, pps=self.lie.pps, depart_t_s=self.lie.depart_s
        )

    @property
    def utc0_ns(self) -> int:
        """True UTC at simulated time 0."""
        return int(read_feed_note(self.feed)["utc0_ns"])

    @property
    def began_ns(self) -> int:
        """Host monotonic time of simulated time 0."""
        return int(read_feed_note(self.feed)["simulated0_monotonic_ns"])

    def records(self, device: str) -> np.ndarray:
        """Raw records of a device, as the file has them."""
        with open_run(self.path) as run:
            return run.devices[device].records()

    def received_s(self, device: str) -> tuple[np.ndarray, np.ndarray]:
        """(b,) index of the last record of each block, and the simulated time it was in hand."""
        with open_run(self.path) as run:
            blocks = run.devices[device].blocks()
            shift_s = (run.header.started_monotonic_ns - self.began_ns) / 1e9
        last = (blocks["first_record"] + blocks["n"]).astype(np.int64) - 1
        return last, blocks["received_s"] + shift_s


def record_lies(
    folder: Path, lies: Mapping[str, Lie], *, tries: int = 3
) -> dict[str, LyingRun]:
    """Record all of them at once, each with a feed of its own; sealed runs by name.

    On a machine that is too busy a feed falls behind, and its devices did not do what was asked
    of them. Those are recorded again, and in the end it is said.
    """
    runs, late_ms = _record_once(folder, lies)
    again = {name: lies[name] for name, late in late_ms.items() if late > MOST_LATE_MS}
    if again:
        assert tries > 1, f"the machine is too busy: feeds ran {late_ms} ms late"
        runs |= record_lies(folder / "again", again, tries=tries - 1)
    return runs


def _record_once(
    folder: Path, lies: Mapping[str, Lie]
) -> tuple[dict[str, LyingRun], dict[str, float]]:
    """Runs by name, and how late each feed was at worst, ms."""
    runs, feeds = {}, {}
    with ExitStack() as held:
        recordings = []
        for name, lie in lies.items():
            feed = held.enter_context(
                start_feed(
                    folder / name / "feed", seed=lie.seed, seconds=lie.seconds + 30.0,
                    pps=lie.pps, faults=lie.faults, depart_t_s=lie.depart_s,
                )
            )  # fmt: skip
            feeds[name] = feed
            run = LyingRun(lie=lie, path=folder / name / "run.h5", feed=feed.folder)
            settings = RecordingSettings(
                car_sheet=feed.sheets["car"].absolute(), trip_sheet=feed.sheets["trip"].absolute(),
                out=run.path, seconds=lie.seconds, **{"zero_seconds": 0.0, **lie.more},
            )  # fmt: skip
            recordings.append(held.enter_context(RecordingProcess(settings)))
            runs[name] = run
        for recording in recordings:
            assert recording.wait(lie.seconds + 60.0) == 0, recording.outcome
    ended = {name: feed.ended for name, feed in feeds.items()}
    return runs, {name: end.worst_late_ms for name, end in ended.items() if end is not None}


class LyingRuns:
    """Runs by the name of their lie, each recorded when it is first asked for, with its like."""

    def __init__(self, folder: Path, lies: Mapping[str, Lie]) -> None:
        self._folder, self._lies = folder, lies
        self._runs: dict[str, LyingRun] = {}

    def __getitem__(self, name: str) -> LyingRun:
        if name not in self._runs:
            first = list(self._lies).index(name) // TOGETHER * TOGETHER
            group = dict(list(self._lies.items())[first : first + TOGETHER])
            self._runs |= record_lies(self._folder, group)
        return self._runs[name]

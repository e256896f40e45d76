"""What the crew is told of its channels while the run goes on, from real rings."""

from __future__ import annotations

import itertools
import os
from collections.abc import Callable, Iterator

import numpy as np
import pytest

from calibration.certificates.certificate import Certificate
from calibration.clock.tick_line import TickLine
from recorder.acquisition.field.channel_watch import ChannelWatch
from recorder.acquisition.ring.ring import RingWriter
from recorder.run.parts.block import Block
from tests.recorder.made_runs import CELL, WHEEL
from tests.recorder.run.checks.health_cases import Train

_NUMBER = itertools.count()
CERTIFICATES: dict[str, Certificate] = {"certs/cell.json": CELL, "wheel": WHEEL}


class Rings:
    """A train's devices, each writing its own ring."""

    def __init__(self, train: Train) -> None:
        self.header = train.header()
        self.data = train.data
        self.warnings: list[str] = []
        self.writers = {
            d.name: RingWriter(
                f"tctest_h{os.getpid()}_{next(_NUMBER)}",
                dtype=d.record_dtype,
                capacity=2**22,
            )
            for d in self.header.devices
        }
        readers = {name: writer.reader(name) for name, writer in self.writers.items()}
        self.watch = ChannelWatch(self.header, CERTIFICATES, readers, self.warnings.append)

    def send(self, start_s: float, stop_s: float) -> None:
        """What came of every device in that time, in blocks of a tenth of a second."""
        for low in np.arange(start_s, stop_s, 0.1):
            for device in self.header.devices:
                t, columns = self.data[device.name]
                a, b = np.searchsorted(t, [low, low + 0.1])
                if a == b:
                    continue
                records = np.zeros(b - a, device.record_dtype)
                records["tick"] = np.rint(t[a:b] * 1e6).astype(np.uint64)
                for name, column in columns.items():
                    records[name] = column[a:b]
                line = TickLine(tick0=0, t0_s=0.0, s_per_tick=1e-6)
                block = Block(
                    device=device.name,
                    sequence=0,
                    first_record=int(a),
                    received_s=float(low) + 0.1,
                    line=line,
                    records=records,
                )
                self.writers[device.name].write(block)

    def run(self, seconds: int, start: int = 0) -> None:
        for second in range(start, start + seconds):
            self.send(second, second + 1)
            self.watch.second(second + 1.0)

    def close(self) -> None:
        self.watch.close()
        for writer in self.writers.values():
            writer.close()


@pytest.fixture
def rings() -> Iterator[Callable[[Train], Rings]]:
    made: list[Rings] = []

    def make(train: Train) -> Rings:
        made.append(Rings(train))
        return made[-1]

    yield make
    for one in made:
        one.close()


def standing(at: float, stop: float) -> Train:
    """A cell whose count stands from one time to another."""
    train = Train(seconds=90.0, stands_s=(-60.0, -50.0))
    t, counts = train.column("cell", "ch0")
    counts[(t >= at) & (t < stop)] = 4711
    return train


def test_a_sound_train_is_not_warned_of(rings: Callable[[Train], Rings]) -> None:
    held = rings(Train(seconds=60.0, stands_s=(20.0, 40.0)))
    held.run(60)
    assert held.warnings == []
    assert held.watch.unsound("cell") == ()


def test_once_an_episode_and_shown_while_it_lasts(rings: Callable[[Train], Rings]) -> None:
    held = rings(standing(30.0, 45.0))
    held.run(40)
    (words,) = held.warnings
    assert words.startswith("pull stuck since 30 s: the very same count")
    (shown,) = held.watch.unsound("cell")
    assert shown.startswith("pull stuck: ")
    assert held.watch.unsound("wheel") == ()
    held.run(20, start=40)
    assert len(held.warnings) == 1
    assert held.watch.unsound("cell") == ()


def test_samples_at_the_rails_are_counted_while_they_come(
    rings: Callable[[Train], Rings],
) -> None:
    train = Train(seconds=60.0, stands_s=(-60.0, -50.0))
    t, counts = train.column("cell", "ch0")
    counts[np.searchsorted(t, np.arange(30.5, 40.0))] = 2**23 - 1
    held = rings(train)
    held.run(34)
    # A single one at a rail is a spike as well.
    told = ["pull railed: 1 sample ", "pull spiking: 1 sample,"]
    assert all(map(str.startswith, held.watch.unsound("cell"), told))
    held.run(16, start=34)
    told = ["pull railed: 10 samples ", "pull spiking: 10 samples,"]
    assert all(map(str.startswith, held.watch.unsound("cell"), told))
    assert len(held.warnings) == 2


def test_it_is_told_within_seconds(rings: Callable[[Train], Rings]) -> None:
    """Two seconds of the same count, and three until a second is judged."""
    held = rings(standing(30.0, 90.0))
    held.run(37)
    assert len(held.warnings) == 1


def test_a_bug_of_the_watch_ends_the_watch_alone(rings: Callable[[Train], Rings]) -> None:
    held = rings(standing(30.0, 90.0))
    held.run(40)
    held.warnings.clear()
    held.watch._health = None  # type: ignore[assignment]  # noqa: SLF001 - the bug
    held.run(3, start=40)
    (words,) = held.warnings
    assert "no longer watched" in words
    assert "recording goes on" in words
    for device in ("cell", "wheel"):
        (shown,) = held.watch.unsound(device)
        assert "no longer watched" in shown, "what was known last is not what is"

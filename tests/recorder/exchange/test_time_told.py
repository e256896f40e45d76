"""Ticks that no clock can have kept, of short runs and of devices that are off alike."""

from __future__ import annotations

from dataclasses import replace
from pathlib import Path

import numpy as np
import pytest

from calibration.utc.utc_witnesses import UtcJudgement
from recorder.analysis.proof.clocks import prove_clocks
from recorder.exchange.time_told import ClockOfRun, clock_of, clock_words
from recorder.run.parts.block import BLOCK_DTYPE
from recorder.run.time.timeline import (
    NO_CLOCK,
    Segment,
    TieSource,
    impossible_ticks,
    tie_ticks,
)
from recorder.run.time.utc import UTC_DTYPE, UtcBy, UtcScale
from recorder.run_file.hdf5.reader import open_run
from recorder.run_file.proof.parts.proof import State
from tests.recorder.made_runs import gnss, header, load_cell

CELL = load_cell()


def blocks(seconds: float, pace: float, every_s: float = 0.1) -> np.ndarray:
    """Blocks whose ticks go ``pace`` times as fast as the computer's clock."""
    n = int(seconds / every_s)
    rows = [
        (i, 10 * i, 10, (i + 1) * every_s, 0, int((i + 1) * every_s * pace * 1e6), 0.0, 1e-6)
        for i in range(n)
    ]
    return np.array(rows, BLOCK_DTYPE)


@pytest.mark.parametrize("seconds", [1.5, 4.0, 60.0])
@pytest.mark.parametrize("pace", [10.0, 1.1, 0.2])
def test_ticks_that_contradict_the_computer_are_found_in_a_second(
    seconds: float, pace: float
) -> None:
    (tie,) = tie_ticks(CELL, header(CELL), blocks(seconds, pace), []).segments
    (words,) = impossible_ticks(tie)
    assert "contradict the computer's clock" in words
    assert "simulated_speed" in words


@pytest.mark.parametrize("seconds", [1.5, 4.0, 60.0])
def test_five_per_cent_off_is_a_clock(seconds: float) -> None:
    (tie,) = tie_ticks(CELL, header(CELL), blocks(seconds, 1.05), []).segments
    assert impossible_ticks(tie) == ()
    assert NO_CLOCK > 0.05


def test_a_stated_speed_that_was_not_kept_is_told_as_that() -> None:
    head = replace(header(CELL), simulated_speed=10.0)
    (tie,) = tie_ticks(CELL, head, blocks(30.0, 3.0), []).segments
    (words,) = impossible_ticks(tie)
    assert "did not keep the speed" in words


def test_an_unpaced_feed_has_no_clock_to_contradict() -> None:
    head = replace(header(CELL), simulated_speed=0.0)
    (tie,) = tie_ticks(CELL, head, blocks(30.0, 300.0), []).segments
    assert impossible_ticks(tie) == ()
    assert tie.source == "simulated"


def told_of(sealed: Path) -> ClockOfRun:
    with open_run(sealed) as run:
        return clock_of(run)


def test_a_computer_days_off_is_told_beside_a_known_utc(sealed: Path) -> None:
    clock = replace(told_of(sealed), computer_off_days=-3.0)
    assert any("-3.0 days off" in words for words in clock_words(clock))
    assert told_of(sealed).computer_off_days == 0.0


class FakeDevice:
    def __init__(self, *, host_clock: bool) -> None:
        self.header = gnss() if host_clock else CELL


class FakeRun:
    """Ties of two boxes and a receiver, as far as clocks go."""

    def __init__(self, ppm: tuple[float, float], fast_by: float) -> None:
        self.header = header(CELL)
        self.devices = {
            "a": FakeDevice(host_clock=False),
            "b": FakeDevice(host_clock=False),
            "clock": FakeDevice(host_clock=True),
        }
        self._ppm = ppm
        judgement = UtcJudgement(known=False, why="", fast_by=fast_by)
        nodes = np.array([(0.0, 0, np.nan)], UTC_DTYPE)
        self.utc = UtcScale(nodes, UtcBy.COMPUTER, judgement)
        self.duration_s, self.complete = 100.0, True

    def tick_ties(self) -> dict[str, tuple[Segment, ...]]:
        return {
            name: (
                Segment(
                    first_record=0,
                    stop_record=1,
                    source=TieSource.FIT,
                    u_s=0.001,
                    drift_ppm=ppm,
                    u_drift_ppm=1.0,
                ),
            )
            for name, ppm in zip("ab", self._ppm, strict=True)
        }


@pytest.mark.parametrize(
    ("ppm", "fast_by", "sound", "told"),
    [
        # Two boxes of one make with resonators alike: told, and the receiver keeps the computer's.
        ((50_000.0, 50_100.0), 0.0, True, True),
        # An accelerated feed of which nothing is stated: three against the computer.
        ((50_000.0, 50_000.0), 0.049, False, True),
        ((50_000.0, 20.0), 0.0, True, False),
        ((20.0, 21.0), 0.0, True, False),
    ],
)
def test_clocks_off_alike(
    ppm: tuple[float, float], fast_by: float, *, sound: bool, told: bool
) -> None:
    clock = clock_of(FakeRun(ppm, fast_by))  # type: ignore[arg-type]  # as much of a run as is asked
    assert (not clock.impossible) is sound
    assert any("alike" in words for words in clock.ticks) is told
    proof = prove_clocks(clock)
    assert (proof.state is State.CONTRADICTED) is not sound
    assert (proof.state is State.PROVED) is (sound and not clock.ticks)


class FakeUnpaced(FakeRun):
    """As fast as it went, with a receiver or without one, and a mark or none."""

    def __init__(self, *, receiver: bool, marks: int) -> None:
        super().__init__((0.0, 0.0), 0.0)
        self.header = replace(self.header, simulated_speed=0.0)
        self._receiver, self._marks = receiver, marks

    def tick_ties(self) -> dict[str, tuple[Segment, ...]]:
        simulated = Segment(
            first_record=0, stop_record=1, source=TieSource.SIMULATED, u_s=0.001, drift_ppm=0.0
        )
        ties: dict[str, tuple[Segment, ...]] = dict.fromkeys("ab", (simulated,))
        if self._receiver:
            ties["clock"] = (replace(simulated, source=TieSource.HOST_CLOCK),)
        return ties

    def marks(self) -> list[int]:
        return [0] * self._marks


@pytest.mark.parametrize(
    ("receiver", "marks", "who"),
    [(True, 0, "clock"), (True, 2, "clock and marks"), (False, 1, "marks"), (False, 0, "")],
)
def test_what_is_timed_by_receipt_in_an_unpaced_run_is_never_sound(
    receiver: bool, marks: int, who: str
) -> None:
    """Sentences and keys are timed by the computer, everything else by ticks that it outran."""
    clock = clock_of(FakeUnpaced(receiver=receiver, marks=marks))  # type: ignore[arg-type]  # as above
    assert [words.split(":")[0] for words in clock.impossible] == [who] * bool(who)
    assert (prove_clocks(clock).state is State.CONTRADICTED) is bool(who)

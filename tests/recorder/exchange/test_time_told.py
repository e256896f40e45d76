"""Ticks that no clock can have kept, of short runs and of devices that are off alike."""

from __future__ import annotations

from dataclasses import replace

import numpy as np
import pytest

from recorder.run.parts.block import BLOCK_DTYPE
from recorder.run.time.timeline import NO_CLOCK, impossible_ticks, tie_ticks
from tests.recorder.made_runs import header, load_cell

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

"""Each pulse per second once, however the records come, and none of before the recording."""

from __future__ import annotations

import numpy as np
import pytest
from hypothesis import given
from hypothesis import strategies as st

from recorder.run.time.new_pulses import NewPulses

SEEN = 4  # bit 2 of the flags, by the table of the protocol


def found(parts: list[tuple[list[int], list[int], list[int]]]) -> list[int]:
    """Ticks of the pulses found in records of (pulse, flags, own tick), part after part."""
    pulses, told = NewPulses(), []
    for edges, flags, ticks in parts:
        pps = np.array(edges, np.uint64)
        new = pulses.among(pps, np.array(flags, np.uint8), np.array(ticks, np.uint64))
        told += pps[new].tolist()
    return told


def test_each_once_and_not_what_the_first_record_tells_of() -> None:
    assert found(
        [([100, 100, 200], [5, 5, 5], [150, 190, 210]), ([200, 300], [4, 4], [290, 310])]
    ) == [
        200,
        300,
    ]


def test_the_first_pulse_of_an_input_that_was_dead_until_then_is_one() -> None:
    assert found([([0, 0], [1, 1], [100, 200]), ([250, 250], [5, 5], [300, 400])]) == [250]


def test_a_pulse_that_is_told_of_without_its_flag_is_none() -> None:
    assert found([([0, 250], [1, 1], [100, 300])]) == []


def test_a_pulse_from_before_a_restart_is_none() -> None:
    assert found([([100, 900, 900], [5, 5, 5], [150, 910, 20])]) == [900]
    assert found([([100, 900], [5, 5], [150, 20])]) == []


def test_no_records_tell_of_none() -> None:
    assert found([([], [], [])]) == []
    assert found([([100], [5], [150]), ([], [], []), ([200], [5], [250])]) == [200]


@given(data=st.data(), n=st.integers(1, 400))
@pytest.mark.parametrize("period", [7, 100])
def test_cuts_do_not_matter(data: st.DataObject, n: int, period: int) -> None:
    """Against the plain count: a pulse every period, told by the next record and all after."""
    ticks = np.arange(n) + 1000
    edges = ticks // period * period
    cuts = sorted(data.draw(st.lists(st.integers(0, n), max_size=6)))
    parts = [
        (edges[a:b].tolist(), [SEEN] * (b - a), ticks[a:b].tolist())
        for a, b in zip([0, *cuts], [*cuts, n], strict=True)
    ]
    first = int(edges[0])
    assert found(parts) == [e for e in range(first + 1, int(ticks[-1]) + 1) if e % period == 0]

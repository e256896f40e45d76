"""From when on a device is silent."""

from __future__ import annotations

import numpy as np
import pytest
from hypothesis import given
from hypothesis import strategies as st

from recorder.run.parts.silence import QUIET_S, Rhythm


def test_a_fast_device_is_silent_after_a_second_and_a_slow_one_after_three_intervals() -> None:
    assert Rhythm().quiet_after_s == QUIET_S
    assert Rhythm(0.01).quiet_after_s == QUIET_S
    assert Rhythm(2.0).quiet_after_s == pytest.approx(6.0)


def test_bursts_once_a_second_count_by_their_rest() -> None:
    rhythm = Rhythm(1 / 3)
    for second in range(10):
        for sentence in range(3):
            rhythm.heard(second + 0.08 * sentence)
    assert rhythm.usual_s == pytest.approx(0.84)
    assert rhythm.quiet_after_s == pytest.approx(2.52)


def test_a_few_pauses_say_nothing_yet() -> None:
    rhythm = Rhythm(0.1)
    for at_s in (0.0, 50.0, 100.0):
        rhythm.heard(at_s)
    assert rhythm.quiet_after_s == QUIET_S


@given(
    st.floats(0.01, 20.0),
    st.integers(20, 100),
    st.integers(0, 19),
    st.floats(100.0, 5000.0),
)
def test_one_long_silence_does_not_make_the_next_usual(
    interval_s: float, n: int, at: int, silence_s: float
) -> None:
    rhythm = Rhythm()
    for received_s in np.cumsum(np.where(np.arange(n) == at, silence_s, interval_s)):
        rhythm.heard(float(received_s))
    assert rhythm.usual_s == pytest.approx(interval_s, rel=1e-6)
    assert rhythm.last_s is not None

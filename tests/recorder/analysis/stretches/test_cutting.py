"""The moving part of a run in stretches: all of it, each once, ends where handling changes."""

from __future__ import annotations

import numpy as np
import pytest
from hypothesis import given
from hypothesis import strategies as st

from calibration.quantities import flags as flag_bits
from recorder.analysis.stretches.cutting import CutLimits, closed, cut_run, near_limit
from recorder.marks.mark import Mark
from tests.recorder.analysis.drawn_runs import drawn, mark


@st.composite
def runs(draw: st.DrawFn) -> tuple[np.ndarray, np.ndarray, tuple[Mark, ...]]:
    """Speed and pull of some minutes, with gaps, stops and any handling."""
    n = draw(st.integers(20, 4000))
    rng = np.random.default_rng(draw(st.integers(0, 2**32 - 1)))
    speed = np.abs(np.cumsum(rng.normal(0.0, draw(st.floats(0.0, 0.3)), n)))
    pull = rng.normal(60.0, 5.0, n)
    for _ in range(draw(st.integers(0, 4))):
        a = int(rng.integers(0, n))
        pull[a : a + int(rng.integers(1, 200))] = np.nan
    kinds = st.sampled_from(["throttle", "brake", "sand", "cutoff"])
    words = st.sampled_from(["", "full", "closed", "on", "off", "5", "40 %"])
    times = st.floats(0.0, n * 0.1)
    held = draw(st.lists(st.tuples(kinds, times, words), max_size=8))
    return speed, pull, tuple(mark(k, t, w) for k, t, w in held)


@given(runs())
def test_every_moving_bin_lies_in_exactly_one_stretch(
    case: tuple[np.ndarray, np.ndarray, tuple[Mark, ...]],
) -> None:
    speed, pull, marks = case
    series = drawn(speed, pull)
    inside = np.zeros(len(series), int)
    for stretch in cut_run(series, marks):
        inside[stretch.span] += 1
    moving = np.isfinite(pull) & (speed >= CutLimits().least_speed_m_s)
    assert np.array_equal(inside, moving.astype(int))


@given(runs())
def test_no_stretch_is_longer_than_the_limit_and_none_is_empty(
    case: tuple[np.ndarray, np.ndarray, tuple[Mark, ...]],
) -> None:
    speed, pull, marks = case
    for stretch in cut_run(drawn(speed, pull), marks):
        assert 0.0 < stretch.seconds <= CutLimits().longest_s + 0.1


@pytest.mark.parametrize("kind", ["throttle", "cutoff", "sand"])
def test_a_stretch_ends_at_a_mark_and_at_the_end_of_its_settling(kind: str) -> None:
    series = drawn(np.full(3000, 10.0), np.full(3000, 50.0))
    found = cut_run(series, (mark(kind, 100.0, "on"),))
    ends = [s.t_end_s for s in found]
    for wanted in (100.0, 100.0 + CutLimits().settle_s):
        assert min(abs(e - wanted) for e in ends) <= 0.1


def test_a_setting_keyed_again_is_no_change_to_settle_after() -> None:
    series = drawn(np.full(3000, 10.0), np.full(3000, 50.0))
    marks = (mark("throttle", 50.0, "full"), mark("throttle", 150.0, "full"))
    ends = [s.t_end_s for s in cut_run(series, marks)]
    assert min(abs(e - 160.0) for e in ends) > 1.0


def test_speed_that_changes_fast_is_cut_narrow_where_that_can_be() -> None:
    n = 3000
    series = drawn(np.linspace(2.0, 22.0, n), np.full(n, 50.0))
    for stretch in cut_run(series, ()):
        band = float(np.ptp(series.speed_m_s[stretch.span]))
        assert band <= CutLimits().speed_band_m_s or stretch.seconds < 2 * CutLimits().least_s


def test_railed_bins_are_a_stretch_of_their_own_and_lone_ones_are_joined() -> None:
    flags = np.zeros(3000, np.uint8)
    flags[1000:1040:8] = flag_bits.SATURATED
    series = drawn(np.full(3000, 10.0), np.full(3000, 50.0), flags=flags)
    railed = [s for s in cut_run(series, ()) if series.flags[s.span].any()]
    assert [(s.start, s.stop) for s in railed] == [(1000, 1033)]


def test_near_the_posted_limit_is_cut_apart_and_an_unknown_limit_is_not_near() -> None:
    speed = np.concatenate([np.full(1000, 10.0), np.full(1000, 19.5)])
    limit = np.full(2000, 20.0)
    series = drawn(speed, np.full(2000, 50.0), speed_limit_m_s=limit)
    assert any(s.start == 1000 for s in cut_run(series, ()))
    assert near_limit(series, CutLimits()).sum() == 1000
    unknown = drawn(speed, np.full(2000, 50.0), speed_limit_m_s=np.full(2000, np.nan))
    assert not near_limit(unknown, CutLimits()).any()


def test_holes_are_closed_only_between_held_bins() -> None:
    held = np.array([0, 1, 0, 0, 1, 0, 0, 0, 1, 0], bool)
    assert closed(held, 3).tolist() == [bool(x) for x in (0, 1, 1, 1, 1, 0, 0, 0, 1, 0)]

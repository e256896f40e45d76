"""A series that stands at one value while the train moves."""

from __future__ import annotations

from dataclasses import replace

import numpy as np
import pytest

from calibration.quantities import flags as flag_bits
from recorder.analysis.series.standing import settled_by_route, standing_bins
from recorder.run.checks.channel_health import Episode, HealthFault
from tests.recorder.analysis.drawn_runs import drawn

N = 6000
T = np.asarray((np.arange(N) + 0.5) * 0.1, np.float64)
MOVING = np.ones(N, bool)


def test_after_noise_it_stands_at_once() -> None:
    """Ten minutes at one speed: its own noise, before, is what tells."""
    rng = np.random.default_rng(1)
    pull = 122.4 + 0.01 * rng.standard_normal(N)
    pull[3000:] = 122.4
    found = standing_bins(T, pull, np.full(N, 10.0), MOVING)
    assert np.flatnonzero(found)[[0, -1]] == pytest.approx([3000, N - 1], abs=1)
    assert not standing_bins(T, pull, np.full(N, 10.0), ~MOVING).any()


def test_a_table_rounded_to_whole_kilonewtons_is_none() -> None:
    """One value a second, straight between: it often shows the same for half a minute."""
    rng = np.random.default_rng(2)
    second = np.arange(601.0)
    rounded = np.round(100.0 + 2.0 * np.sin(second / 60.0) + 0.1 * rng.standard_normal(601))
    assert np.diff(np.flatnonzero(np.diff(rounded))).max() > 20
    pull = np.interp(T, second, rounded)
    assert not standing_bins(T, pull, 10.0 + np.sin(T / 50.0), MOVING).any()


def test_without_noise_only_where_the_other_changes() -> None:
    pull = np.full(N, 80.0)
    assert standing_bins(T, pull, 10.0 + 4.0 * np.sin(T / 30.0), MOVING).all()
    assert not standing_bins(T, pull, np.full(N, 10.0), MOVING).any()


def test_what_is_not_known_stands_for_nothing() -> None:
    pull = np.full(N, np.nan)
    assert not standing_bins(T, pull, 10.0 + 4.0 * np.sin(T / 30.0), MOVING).any()
    assert standing_bins(T[:0], pull[:0], pull[:0], MOVING[:0]).shape == (0,)


def episode(fault: HealthFault, start_s: float, stop_s: float) -> Episode:
    return Episode(
        device="wheel", channels=("distance", "speed"), fault=fault, t_start_s=start_s,
        t_stop_s=stop_s, first_record=0, stop_record=1, samples=1, text="",
    )  # fmt: skip


def test_what_the_posts_have_settled_is_contradicted_no_more() -> None:
    """A wheel 4 % out was contradicted for the first half, and stood for a while; corrected by the
    route it agrees with the receiver, but what stood has still no speed."""
    flags = np.where(T < 300.0, flag_bits.UNSOUND, 0).astype(np.uint8)
    speed = 12.0 + np.sin(T / 50.0)
    series = replace(drawn(speed, np.full(N, 80.0)), gnss_speed_m_s=speed, flags=flags)
    held = [
        episode(HealthFault.DISAGREES, 0.0, 300.0),
        episode(HealthFault.STUCK, 100.0, 120.0),
    ]
    unsound = settled_by_route(series, held).flags != 0
    assert T[unsound][[0, -1]] == pytest.approx([100.0, 120.0], abs=0.11)
    not_yet = replace(series, speed_m_s=1.04 * speed)
    assert (settled_by_route(not_yet, held).flags == flags).all()
    assert (settled_by_route(replace(series, gnss_speed_m_s=None), held).flags == flags).all()

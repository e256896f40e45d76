"""The wheel's distance, thinned and joined."""

from __future__ import annotations

import numpy as np
import pytest

from recorder.track.placing.wheel_track import WheelTrack
from tests.recorder.track.placing.whole_tracks import track_of


def test_thinning_keeps_distance_to_millimetres_and_bounds_memory() -> None:
    t = np.arange(0.0, 600.0, 0.01)
    d = 5.0 * t + 40.0 * np.sin(t / 20.0)
    blocks = [(t[i : i + 777], d[i : i + 777]) for i in range(0, t.size, 777)]
    track = WheelTrack.from_blocks(blocks)
    assert track.t_s.size <= 6002
    probe = np.random.default_rng(1).uniform(0, 599.9, 500)
    assert track.distance(probe) == pytest.approx(5 * probe + 40 * np.sin(probe / 20), abs=2e-3)
    assert track.breaks == ()
    assert track.t_s[-1] == t[-1]


def test_reversals_are_found_and_rocking_is_not() -> None:
    t = np.arange(0.0, 400.0, 0.1)
    d = np.interp(t, [0, 100, 150, 200, 260, 400], [0, 500, 500, 300, 300, 900])
    d += 0.2 * np.sin(40.0 * t)
    track = track_of(t, d)
    assert track.turns_s.size == 2
    assert 100.0 <= track.turns_s[0] <= 150.0
    assert 199.0 <= track.turns_s[1] <= 261.0
    assert float(track.path(400.0)) > 1300.0


def test_a_counter_that_began_anew_is_joined_at_its_speed() -> None:
    t = np.arange(0.0, 100.0, 0.1)
    true = 20.0 * t
    seen = np.where(t < 50.0, true, true - 3000.0)
    keep = (t < 50.0) | (t > 58.0)
    track = track_of(t[keep], seen[keep])
    assert len(track.breaks) == 1
    assert float(track.distance(99.0)) == pytest.approx(1980.0, abs=0.5)
    assert track.breaks[0].u_m > 10.0
    assert track.raw() == pytest.approx(np.interp(track.t_s, t[keep], seen[keep]))


def test_a_restart_joined_by_the_recorder_gets_the_distance_it_missed() -> None:
    t = np.arange(0.0, 100.0, 0.1)
    keep = (t < 50.0) | (t > 58.0)
    t = t[keep]
    d = np.where(t < 50.0, 20.0 * t, 20.0 * t - 20.0 * 8.2)
    track = track_of(t, d, restarts_s=[58.1])
    assert len(track.breaks) == 1
    assert float(track.distance(99.0)) == pytest.approx(1980.0, abs=1.0)


def test_samples_that_are_no_numbers_or_go_back_in_time_are_left_out() -> None:
    track = track_of([0.0, 1.0, 0.5, 2.0, 3.0], [0.0, 1.0, 9.0, np.nan, 3.0])
    assert track.t_s.tolist() == [0.0, 1.0, 3.0]
    with pytest.raises(ValueError, match="no wheel distance"):
        track_of([0.0, np.nan], [np.nan, 1.0])
    with pytest.raises(ValueError, match="no wheel distance"):
        WheelTrack.from_blocks([])


def test_one_sample_is_a_track() -> None:
    track = track_of([5.0], [7.0])
    assert float(track.distance(99.0)) == 7.0
    assert track.turns_s.size == 0

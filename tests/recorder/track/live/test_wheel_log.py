"""The wheel as it comes: thinned, never backwards in time, with its direction."""

from __future__ import annotations

import pytest

from recorder.track.live.wheel_log import WheelLog


def log(*rows: tuple[float, float]) -> WheelLog:
    made = WheelLog()
    for row in rows:
        made.take(*row)
    return made


def test_nothing_is_known_at_first() -> None:
    made = WheelLog()
    assert made.empty
    assert (made.path_m, made.direction) == (0.0, 0)


def test_the_path_grows_both_ways_and_the_direction_turns() -> None:
    made = log((0.0, 100.0), (1.0, 110.0), (2.0, 105.0))
    assert made.path_m == pytest.approx(15.0)
    assert made.direction == -1
    assert (made.newest_s, made.newest_m) == (2.0, 105.0)


def test_rocking_is_no_change_of_direction() -> None:
    made = log((0.0, 0.0), (1.0, 10.0), (2.0, 8.5), (3.0, 10.0))
    assert made.direction == 1
    assert log((0.0, 0.0), (1.0, 1.0), (2.0, -0.5)).direction == 0


def test_what_is_older_than_the_newest_is_passed_over() -> None:
    made = log((0.0, 0.0), (10.0, 50.0), (5.0, 900.0))
    assert (made.newest_m, made.path_m) == (50.0, 50.0)


def test_a_track_begins_a_little_before_and_ends_at_the_newest() -> None:
    made = log(*((i * 0.1, i * 1.0) for i in range(101)))
    whole, all_of_it = made.track_from(-3.0)
    assert all_of_it
    assert (whole.t_s[0], whole.t_s[-1]) == (0.0, pytest.approx(10.0))
    part, all_of_it = made.track_from(7.0)
    assert not all_of_it
    assert 6.0 <= part.t_s[0] <= 7.0
    assert made.distance(5.25) == pytest.approx(52.5)


def test_it_grows_without_losing_its_beginning() -> None:
    made = log(*((float(i), 2.0 * i) for i in range(9000)))
    track, _ = made.track_from(0.0)
    assert track.t_s.size == 9000
    assert made.distance(4500.0) == pytest.approx(9000.0)


def test_one_record_is_a_track_too() -> None:
    track, _ = log((3.0, 7.0)).track_from(0.0)
    assert track.t_s.size == 2

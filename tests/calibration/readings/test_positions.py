"""Positions on a circle: a whole turn, and a little off, are the same one."""

from __future__ import annotations

import math

import numpy as np
import pytest
from hypothesis import given
from hypothesis import strategies as st

from calibration.readings.positions import by_position, position_index, same_position, turn_deg

ANGLES = st.floats(min_value=-720.0, max_value=720.0)


@given(ANGLES, st.floats(min_value=-9.9, max_value=9.9), st.integers(-2, 2))
def test_a_little_off_and_whole_turns_are_the_same(at: float, off: float, turns: int) -> None:
    assert same_position(at, at + off + 360.0 * turns)
    assert same_position(at + off + 360.0 * turns, at)


@given(ANGLES, st.floats(min_value=10.1, max_value=349.9), st.integers(-2, 2))
def test_anything_further_off_is_another(at: float, off: float, turns: int) -> None:
    assert not same_position(at, at + off + 360.0 * turns)


@given(st.lists(st.one_of(ANGLES, st.just(math.nan)), max_size=12))
def test_every_stated_angle_is_at_one_position(angles: list[float]) -> None:
    places = by_position(angles)
    stated = [i for i, at in enumerate(angles) if not math.isnan(at)]
    assert sorted(i for place in places for i in place) == stated
    assert all(same_position(angles[i], angles[place[0]]) for place in places for i in place)
    firsts = [angles[place[0]] for place in places]
    assert all(
        not same_position(one, other) for n, one in enumerate(firsts) for other in firsts[:n]
    )


@given(
    st.lists(st.one_of(ANGLES, st.integers(0, 12).map(float), st.just(math.nan)), max_size=12)
)
def test_the_index_says_the_same_as_the_groups(angles: list[float]) -> None:
    expected = np.full(len(angles), -1)
    for place, members in enumerate(by_position(angles)):
        expected[list(members)] = place
    assert position_index(np.array(angles)).tolist() == expected.tolist()


@given(ANGLES, ANGLES)
def test_a_turn_is_the_angle_between_two_directions(one: float, other: float) -> None:
    a, b = (np.exp(1j * np.radians(at)) for at in (one, other))
    assert turn_deg(one, other) == pytest.approx(abs(np.degrees(np.angle(a / b))), abs=1e-6)


def test_positions_of_a_programme() -> None:
    assert by_position([0.0, 360.0, 120.0, 0.4, 240.0]) == ((0, 1, 3), (2,), (4,))

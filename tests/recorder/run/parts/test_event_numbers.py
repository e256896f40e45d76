"""Numbers of an event that are none, as they are read."""

from __future__ import annotations

import math

import pytest

from recorder.run.parts.event_numbers import number, whole


@pytest.mark.parametrize("value", [True, None, "3", 2.0, 0, -1, 2**63, 2**80, float("nan"), []])
def test_what_is_no_count_is_none(value: object) -> None:
    assert whole(value) == 0


@pytest.mark.parametrize("value", [1, 7, 2**63 - 1])
def test_a_count_is_kept(value: int) -> None:
    assert whole(value) == value


@pytest.mark.parametrize("value", [True, None, "3", 10**400, float("inf"), {}])
def test_what_is_no_number_is_not_known(value: object) -> None:
    assert math.isnan(number(value))

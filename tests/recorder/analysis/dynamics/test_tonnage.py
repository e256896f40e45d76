"""Tonnage rating and balancing speed against the balance of forces they stand for."""

from __future__ import annotations

from dataclasses import replace

import pytest
from hypothesis import given
from hypothesis import strategies as st

from calibration.quantities.constants import G_M_S2
from recorder.analysis.dynamics.tonnage import (
    WEATHER,
    balancing_speed_m_s,
    rate,
    trailing_load,
)
from recorder.analysis.series.train import TrialTrain, Vehicles
from recorder.analysis.uncertainty.causes import CauseKind, UncertaintyCause
from recorder.analysis.uncertainty.measured import Measured
from tests.recorder.analysis.drawn_runs import cause, kN

TRAIN = TrialTrain(locomotive=Vehicles(mass_t=100.0), trailing=Vehicles(mass_t=1500.0))
CURVE, FIT = cause("curve"), cause("fit")


def pull_kN(speed_m_s: float) -> Measured:
    return Measured(250.0 - 6.0 * speed_m_s, "kN", {CURVE: 2.0})


def rolling(speed_km_h: float) -> Measured:
    return Measured(10.0 + 0.1 * speed_km_h + 0.003 * speed_km_h**2, "N/t", {FIT: 0.3})


@given(st.floats(0.0, 0.03), st.floats(3.0, 20.0))
def test_the_rated_load_is_what_the_pull_balances(grade: float, speed: float) -> None:
    rating = rate(pull_kN, rolling, TRAIN, grade=grade, curvature_per_m=0.0, speed_m_s=speed)
    assert rating is not None
    asked = rating.trailing_t.value * (rolling(3.6 * speed).value + 1000.0 * grade * G_M_S2)
    assert asked / 1000.0 == pytest.approx(rating.pull_on_grade_kN.value, rel=1e-9)
    own = 100.0 * G_M_S2 * grade
    assert rating.pull_on_grade_kN.value == pytest.approx(pull_kN(speed).value - own, rel=1e-9)


@given(st.floats(0.0, 0.02))
def test_a_steeper_grade_takes_less(grade: float) -> None:
    loads = [
        rate(pull_kN, rolling, TRAIN, grade=g, curvature_per_m=0.0, speed_m_s=8.0)
        for g in (grade, grade + 0.002)
    ]
    assert loads[0] is not None
    assert loads[1] is not None
    assert loads[1].trailing_t.value < loads[0].trailing_t.value


@pytest.mark.parametrize("off", [-0.2, 0.2])
def test_how_well_a_curve_is_known_is_in_the_load(off: float) -> None:
    """Were the curve's resistance so far off, the load would be off by that part of its
    uncertainty: by the constant moved, worked anew."""
    bend = 1.0 / 400.0

    def loaded(train: TrialTrain) -> Measured:
        found = rate(pull_kN, rolling, train, grade=0.01, curvature_per_m=bend, speed_m_s=8.0)
        assert found is not None
        return found.trailing_t

    stated = loaded(TRAIN)
    assumed = TRAIN.assumed
    moved = replace(assumed, curve_N_per_kN_m=assumed.curve_N_per_kN_m * (1.0 + off))
    change = loaded(replace(TRAIN, assumed=moved)).value - stated.value
    part = stated.parts[UncertaintyCause(CauseKind.CURVE)]
    assert change == pytest.approx(part * off / assumed.curve_rel, rel=0.05)


def test_colder_weather_takes_less() -> None:
    loads = []
    for weather in ("fair", "cold", "very cold", "bitter cold"):
        rating = rate(
            pull_kN, rolling, TRAIN, grade=0.01, curvature_per_m=0.0, speed_m_s=8.0,
            weather=weather,
        )  # fmt: skip
        assert rating is not None
        loads.append(rating.trailing_t.value)
    assert loads == sorted(loads, reverse=True)
    assert loads[1] / loads[0] == pytest.approx(WEATHER["cold"] / WEATHER["fair"])


@pytest.mark.parametrize("grade", [0.3, -0.02])
def test_where_it_cannot_climb_or_the_train_would_roll_there_is_no_rating(grade: float) -> None:
    assert (
        rate(pull_kN, rolling, TRAIN, grade=grade, curvature_per_m=0.0, speed_m_s=8.0) is None
    )


def test_weather_of_no_such_name_is_refused_with_what_is_allowed() -> None:
    with pytest.raises(ValueError, match="'mild'; allowed: fair"):
        rate(
            pull_kN, rolling, TRAIN, grade=0.0, curvature_per_m=0.0, speed_m_s=8.0,
            weather="mild",
        )  # fmt: skip


def test_without_the_locomotives_mass_nothing_is_rated() -> None:
    unknown = replace(TRAIN, locomotive=Vehicles())
    with pytest.raises(ValueError, match="mass is not in the trip sheet"):
        rate(pull_kN, rolling, unknown, grade=0.0, curvature_per_m=0.0, speed_m_s=8.0)


def test_a_resistance_of_nothing_is_refused() -> None:
    with pytest.raises(ValueError, match="above zero"):
        trailing_load(
            kN(100.0, a=1.0), Measured(0.0, "kN/t", {FIT: 0.1}), line_resistance=0.0, unit="t"
        )


@pytest.mark.parametrize("grade", [0.0, 0.004, 0.008])
def test_at_the_balancing_speed_forces_balance(grade: float) -> None:
    speed = balancing_speed_m_s(pull_kN, rolling, TRAIN, grade=grade, speeds_m_s=(1.0, 40.0))
    assert speed is not None
    v = speed.value
    asked = 1500.0 * (rolling(3.6 * v).value + 1000.0 * grade * G_M_S2) / 1000.0
    assert pull_kN(v).value - 100.0 * G_M_S2 * grade == pytest.approx(asked, rel=1e-6)
    assert speed.u > 0.0


def test_a_balance_outside_the_measured_speeds_is_not_guessed() -> None:
    assert (
        balancing_speed_m_s(pull_kN, rolling, TRAIN, grade=0.0, speeds_m_s=(1.0, 2.0)) is None
    )


def test_without_a_trailing_mass_there_is_no_balance() -> None:
    light = replace(TRAIN, trailing=Vehicles())
    assert (
        balancing_speed_m_s(pull_kN, rolling, light, grade=0.0, speeds_m_s=(1.0, 40.0)) is None
    )

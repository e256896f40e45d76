"""Corrections to level, straight track at constant speed: each adds what physics says, alone."""

from __future__ import annotations

from dataclasses import replace

import numpy as np
import pytest
from hypothesis import given
from hypothesis import strategies as st

from calibration.quantities.constants import G_M_S2
from recorder.analysis.series.corrections import (
    Switches,
    correct,
    locomotive_resistance_kN,
)
from recorder.analysis.series.series import Series
from recorder.analysis.series.train import Assumed, Side, TrialTrain, Vehicles
from tests.recorder.analysis.drawn_runs import drawn

TRAIN = TrialTrain(
    locomotive=Vehicles(mass_t=120.0, rotary=0.06),
    trailing=Vehicles(mass_t=900.0, rotary=0.04),
)


def level(pull_kN: float = 100.0, speed_m_s: float = 10.0, n: int = 200) -> Series:
    return drawn(np.full(n, speed_m_s), np.full(n, pull_kN))


def on_grade(slope: float) -> Series:
    series = level()
    rise = np.full(len(series), slope)
    return replace(series, locomotive_grade=rise, trailing_grade=rise)


def test_level_straight_steady_pull_is_the_pull_that_was_read() -> None:
    series = level()
    assert correct(series, TRAIN).equivalent_pull_kN == pytest.approx(series.pull_kN)


@given(st.floats(-0.03, 0.03))
def test_up_a_grade_the_locomotive_pulls_its_own_weight_too(slope: float) -> None:
    """One per cent is 98.0665 N a tonne (g 9.80665 m/s², exact)."""
    pull = correct(on_grade(slope), TRAIN).equivalent_pull_kN
    assert pull == pytest.approx(100.0 + 120.0 * G_M_S2 * slope, abs=1e-9)


@given(st.floats(-0.03, 0.03))
def test_the_train_resists_less_by_what_the_grade_asks(slope: float) -> None:
    resists = correct(on_grade(slope), TRAIN).trailing_resistance_kN
    assert resists == pytest.approx(100.0 - 900.0 * G_M_S2 * slope, abs=1e-9)


def test_gaining_speed_the_locomotive_moves_its_own_mass_too() -> None:
    series = replace(level(), acceleration_m_s2=np.full(200, 0.1))
    pull = correct(series, TRAIN).equivalent_pull_kN
    assert pull == pytest.approx(100.0 + 120.0 * 1.06 * 0.1)


@pytest.mark.parametrize("sign", [1.0, -1.0])
def test_a_curve_resists_to_either_hand(sign: float) -> None:
    """About 700/R N/kN, R in m (0.8 lb/ton a degree, common American practice)."""
    bend = np.full(200, sign / 500.0)
    series = replace(level(), locomotive_curvature_per_m=bend, trailing_curvature_per_m=bend)
    gained = correct(series, TRAIN).equivalent_pull_kN - 100.0
    weight_kN = 120.0 * G_M_S2
    assert gained == pytest.approx(weight_kN * 700.0 / 500.0 / 1000.0, rel=0.01)


@pytest.mark.parametrize("name", ["grade", "curve", "acceleration"])
def test_each_correction_can_be_switched_off_alone(name: str) -> None:
    rise = np.full(200, 0.01)
    series = replace(
        level(),
        locomotive_grade=rise,
        trailing_grade=rise,
        locomotive_curvature_per_m=rise / 5.0,
        trailing_curvature_per_m=rise / 5.0,
        acceleration_m_s2=rise,
    )
    every = correct(series, TRAIN)
    less = correct(series, TRAIN, Switches(**{name: False}))
    part = getattr(every.forces(Side.LOCOMOTIVE), f"{name}_kN")
    assert (every.equivalent_pull_kN - less.equivalent_pull_kN) == pytest.approx(part)


def test_without_a_mass_there_is_no_corrected_pull_on_a_grade() -> None:
    unknown = TrialTrain(trailing=Vehicles(mass_t=900.0))
    assert np.isnan(correct(on_grade(0.01), unknown).equivalent_pull_kN).all()


def test_an_unknown_pull_stays_unknown() -> None:
    series = level()
    pull = series.pull_kN.copy()
    pull[50:60] = np.nan
    worked = correct(replace(series, pull_kN=pull), TRAIN).equivalent_pull_kN
    assert np.flatnonzero(np.isnan(worked)).tolist() == list(range(50, 60))


@given(st.floats(0.1, 30.0))
def test_rim_effort_is_pull_and_the_locomotives_own_resistance(speed_m_s: float) -> None:
    train = replace(TRAIN, locomotive_resistance=(12.0, 0.1, 0.003))
    series = level(speed_m_s=speed_m_s)
    km_h = 3.6 * speed_m_s
    own = 120.0 * (12.0 + 0.1 * km_h + 0.003 * km_h**2) / 1000.0
    assert locomotive_resistance_kN(train, series.speed_m_s) == pytest.approx(own)
    assert correct(series, train).rim_effort_kN == pytest.approx(100.0 + own)


def test_a_locomotive_whose_resistance_is_not_stated_has_none() -> None:
    assert np.isnan(locomotive_resistance_kN(TRAIN, np.array([1.0, 20.0]))).all()


def test_what_is_assumed_is_above_zero() -> None:
    assumed = Assumed()
    for name in ("mass_rel", "rotary", "grade", "curve_rel"):
        assert getattr(assumed, name) > 0.0

"""Check values from elsewhere than this project; what is from memory says so."""

from __future__ import annotations

import math
from itertools import pairwise

import pytest

from simulated_feeds.physics.locomotive import (
    Diesel,
    Steam,
    adhesion_coefficient,
    starting_effort_N,
)
from simulated_feeds.physics.vehicles import (
    CURVE_N_PER_KN_M,
    FREIGHT,
    SHORT_TON_T,
    Vehicle,
    davis_N_per_t,
)

LBF_N = 4.4482216152605
INCH_M = 0.0254
PSI_PA = 6894.757293168361
MPH_KM_H = 1.609344

ENGINES = [
    # Rated starting efforts of engines of 1918 and 1919, from memory: each is the rule
    # 0.85 p d² s / D of its own bore, stroke, driver and pressure, rounded.
    ("light 2-8-2, 1918", 26, 30, 63, 200, 54_724, 0.5),
    ("light 4-6-2, 1919", 25, 28, 73, 200, 40_753, 0.5),
    ("0-8-0, 1918", 25, 28, 51, 175, 51_042, 0.5),
    ("0-6-0, 1918 (three figures)", 21, 28, 51, 190, 39_100, 5.0),
]


@pytest.mark.parametrize(
    ("bore", "stroke", "driver", "psi", "lbf", "within"),
    [row[1:] for row in ENGINES],
    ids=[row[0] for row in ENGINES],
)
def test_starting_effort_of_rated_engines(
    bore: float, stroke: float, driver: float, psi: float, lbf: float, within: float
) -> None:
    effort = starting_effort_N(psi * PSI_PA, bore * INCH_M, stroke * INCH_M, driver * INCH_M)
    assert effort / LBF_N == pytest.approx(lbf, abs=within)


def test_davis_form_worked_example() -> None:
    """7 200 tons of 143-ton four-axle cars at 50 mph: 9 360 + 5 840.6 + 16 200 + 5 538 lb, an
    example of 1970, from memory (c·A = 0.044: 88 sq ft).
    """
    mass_t = 143.0 * SHORT_TON_T
    a, b, c = davis_N_per_t(mass_t, 4, 88.0 * 0.3048**2, FREIGHT)
    train_t = 7200.0 * SHORT_TON_T
    v = 50.0 * MPH_KM_H
    assert a * train_t / LBF_N == pytest.approx(9360.0 + 5840.6, abs=0.1)
    assert b * v * train_t / LBF_N == pytest.approx(16_200.0, abs=0.1)
    assert c * v**2 * train_t / LBF_N == pytest.approx(5538.0, abs=1.0)


def test_davis_form_has_a_lower_end() -> None:
    """Below five short tons an axle the form takes other terms, from memory."""
    with pytest.raises(ValueError, match="too light"):
        davis_N_per_t(12.0, 4, 8.0)


def test_curve_resistance() -> None:
    """0.8 lb per short ton per degree, from memory, is 698.55/R N/kN with R in metres."""
    assert pytest.approx(698.55, abs=0.01) == CURVE_N_PER_KN_M


def test_grade_resistance_of_a_car() -> None:
    """20 lb per short ton per per cent, by arithmetic: exactly 1 % by the small-angle rule."""
    car = Vehicle(name="car", tare_t=SHORT_TON_T * 20.0, load_t=0.0)
    weight_lbf = car.mass_t * 1000.0 * 9.80665 / LBF_N
    assert 0.01 * weight_lbf / 20.0 == pytest.approx(20.0, rel=1e-9)


def test_diesel_effort_by_power() -> None:
    """375 lbf·mph a horsepower: 3 000 hp at 0.82 give 84 000 lb at 11 mph (308 hp a 1000)."""
    watts = 3000.0 * 745.6998715822702 * (308.0 / 375.0)
    engine = Diesel(power_kW=watts / 1000.0, starting_kN=500.0, adhesive_mass_t=120.0)
    assert engine.effort_N(11.0 * 0.44704) / LBF_N == pytest.approx(84_000.0, rel=1e-9)
    assert engine.effort_N(0.0) == 500_000.0


def test_steam_effort_falls_to_boiler_power() -> None:
    engine = Steam(
        boiler_pressure_Pa=1.3e6, bore_m=0.6, stroke_m=0.7, driver_diameter_m=1.5,
        adhesive_mass_t=90.0, boiler_power_kW=1500.0,
    )  # fmt: skip
    start = engine.effort_N(0.0)
    assert start == pytest.approx(starting_effort_N(1.3e6, 0.6, 0.7, 1.5))
    assert engine.effort_N(40.0) * 40.0 == pytest.approx(1.5e6, rel=0.01)
    efforts = [engine.effort_N(0.5 * i) for i in range(60)]
    assert all(a >= b for a, b in pairwise(efforts))


def test_adhesion_falls_with_speed() -> None:
    """About a third dry at a stand, a quarter when running, both from memory."""
    assert adhesion_coefficient(0.0, 0.33) == pytest.approx(0.33)
    assert 0.20 < adhesion_coefficient(20.0, 0.33) < 0.27
    assert math.isclose(adhesion_coefficient(-9.0, 0.3), adhesion_coefficient(9.0, 0.3))

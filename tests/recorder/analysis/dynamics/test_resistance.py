"""The figures of the trade against published ones; the source stands beside each check."""

import math
from dataclasses import replace

import numpy as np
import pytest
import statsmodels.api as sm
from scipy import signal

from calibration.quantities.constants import G_M_S2
from calibration.quantities.units import factor
from recorder.analysis.dynamics.published_resistance import (
    davis_1926_N_per_t,
    modified_davis_N_per_t,
)
from recorder.analysis.dynamics.resistance import fit_resistance
from recorder.analysis.dynamics.tonnage import WEATHER, trailing_load
from recorder.analysis.series.corrections import correct
from recorder.analysis.series.filters import savitzky_golay
from recorder.analysis.series.train import TrialTrain, Vehicles
from recorder.analysis.uncertainty.causes import CauseKind, UncertaintyCause
from recorder.analysis.uncertainty.measured import Measured
from tests.recorder.analysis.drawn_runs import make_outing

LBF_N = 4.4482216152605
MPH = 0.44704
SHORT_TON_T = 0.90718474
MILE_M = 1609.344


def test_grade_corrected_dynamometer_reading() -> None:
    """Published 1943 road test (Kratville's table, as quoted): 51 000 lb at 41.1 mph on
    +0.57 % corrects to 57 400 lb and 6 290 hp; 561.4 short tons of engine are computed."""
    outing = make_outing(1).run
    n = len(outing.series)
    flat = np.zeros(n)
    series = replace(
        outing.series,
        pull_kN=np.full(n, 51_000 * LBF_N / 1000.0),
        speed_m_s=np.full(n, 41.1 * MPH),
        acceleration_m_s2=flat,
        locomotive_grade=np.full(n, 0.0057),
        trailing_grade=np.full(n, 0.0057),
    )
    train = TrialTrain(locomotive=Vehicles(mass_t=561.4 * SHORT_TON_T))
    equivalent = correct(series, train).equivalent_pull_kN[0]
    assert equivalent * 1000.0 / LBF_N == pytest.approx(57_400, rel=5e-4)
    horsepower = equivalent * series.speed_m_s[0] / 0.7456998715822702
    assert horsepower == pytest.approx(6_290, rel=5e-4)


@pytest.mark.parametrize(
    ("seconds", "foot_pounds", "horsepower", "tolerance"),
    [
        (174, 24_116_233, 252, 0.0005),
        (82, 17_763_214, 398, 0.011),
        (76, 15_904_273, 383, 0.011),
        (71, 14_871_528, 382, 0.011),
    ],
)
def test_work_and_power_of_a_mile(
    seconds: float, foot_pounds: float, horsepower: float, tolerance: float
) -> None:
    """A. Sinclair, Locomotive Engine Running and Management, p. 120 (dynagraph car); times are
    whole seconds. The second mile's printed horsepower does not follow from its work."""
    work_kJ = foot_pounds * 0.3048 * LBF_N / 1000.0
    pull = Measured(work_kJ / MILE_M, "kN")
    power = pull.times(Measured(MILE_M / seconds, "m/s"), "kW")
    assert power.value / 0.7456998715822702 == pytest.approx(horsepower, rel=tolerance)


@pytest.mark.parametrize(
    ("effort", "tons", "weather", "rolling", "grade", "curve", "pull", "load"),
    [
        (36_000, 120, 0.80, 7, 30, 8, 33_600, 598),
        (37_850, 127, 0.90, 6, 30, 2, 35_310, 837),
    ],
)
def test_trailing_load_examples(
    effort: float,
    tons: float,
    weather: float,
    rolling: float,
    grade: float,
    curve: float,
    pull: float,
    load: int,
) -> None:
    """US Army Subcourse TR0603, examples 2.11 and 2.18; fractions go to the next whole ton."""
    drawbar = Measured(effort - 20 * tons, "lb")
    assert drawbar.value == pull
    rated = trailing_load(
        drawbar,
        Measured(rolling, "lb/ton"),
        line_resistance=grade + curve,
        weather_factor=weather,
        unit="ton",
    )
    assert math.ceil(rated.value) == load
    assert weather in WEATHER.values()


def test_davis_worked_example() -> None:
    """1970 locomotive cyclopedia, p. 842 (quoted): 7 200 t of 143 t four-axle cars at 50 mph,
    9 360 + 5 840.6 + 16 200 + 5 538 lb."""
    per_t = davis_1926_N_per_t(
        50 * 1.609344, axle_load_t=143 / 4 * SHORT_TON_T, axles=4, area_sq_ft=88.0
    )
    pounds = per_t / 4.903325 * 7200
    assert pounds == pytest.approx(9_360 + 5_840.6 + 16_200 + 5_538, rel=2e-4)


def test_modified_davis_against_arithmetic() -> None:
    """110 short tons, 4 axles, 40 mph: 2.74545 lb/ton, computed from the published form."""
    per_t = modified_davis_N_per_t(40 * 1.609344, axle_load_t=110 / 4 * SHORT_TON_T, axles=4)
    assert per_t / 4.903325 == pytest.approx(2.74545, abs=1e-5)


def test_grade_and_curve_constants() -> None:
    """20 lb per short ton per 1 % (AREA, US Army); 0.8 lb per short ton per degree of curve."""
    outing = make_outing(1).run
    series = replace(
        outing.series,
        pull_kN=np.zeros(len(outing.series)),
        acceleration_m_s2=np.zeros(len(outing.series)),
        locomotive_grade=np.full(len(outing.series), 0.01),
        locomotive_curvature_per_m=np.full(len(outing.series), 1 / (5729.651 * 0.3048)),
    )
    corrected = correct(series, TrialTrain(locomotive=Vehicles(mass_t=SHORT_TON_T)))
    assert corrected.locomotive.grade_kN[0] * 1000 / LBF_N == pytest.approx(20.0)
    assert corrected.locomotive.curve_kN[0] * 1000 / LBF_N == pytest.approx(0.8, rel=1e-4)


def test_acceleration_and_velocity_head() -> None:
    """1 mph/s on a short ton is 91.171 lb (computed); velocity head 0.03511 V² ft with 5 %
    rotary allowance, 14.05 ft at 20 mph (Webb, The Economics of Railroad Construction)."""
    outing = make_outing(1).run
    series = replace(
        outing.series,
        pull_kN=np.zeros(len(outing.series)),
        acceleration_m_s2=np.full(len(outing.series), MPH),
    )
    force = correct(series, TrialTrain(locomotive=Vehicles(mass_t=SHORT_TON_T, rotary=0.0)))
    pounds = force.locomotive.acceleration_kN[0] * 1000 / LBF_N
    assert pounds == pytest.approx(91.171, abs=1e-3)
    # The head is the work of the inertia force from rest, over the weight. Webb's g is 32.16
    # ft/s², which moves his figure by 0.04 %, and his coefficient has four figures.
    turning = correct(series, TrialTrain(locomotive=Vehicles(mass_t=1.0, rotary=0.05)))
    for mph, feet in ((20, 14.05), (30, 31.60)):
        metres = (mph * MPH) ** 2 / (2 * MPH)
        head_m = turning.locomotive.acceleration_kN[0] * metres / G_M_S2
        assert head_m / 0.3048 == pytest.approx(feet, rel=1e-3)


def _random(i: int) -> UncertaintyCause:
    return UncertaintyCause(CauseKind.RANDOM, f"{i}")


def test_regression_against_statsmodels() -> None:
    """With weights that differ and no outlier the fit is the weighted least-squares fit."""
    rng = np.random.default_rng(3)
    v = np.linspace(10, 80, 40)
    u = rng.uniform(0.5, 2.0, 40)
    noise = np.clip(rng.standard_normal(40), -1.0, 1.0) * u
    y = 10 + 0.1 * v + 0.003 * v**2 + noise
    values = [Measured(float(y[i]), "N/t", {_random(i): float(u[i])}) for i in range(40)]
    fit = fit_resistance(v, values)
    reference = sm.WLS(y, np.stack([np.ones(40), v, v**2], 1), weights=1 / u**2).fit()
    robust = sm.RLM(
        y / u, np.stack([1 / u, v / u, v**2 / u], 1), M=sm.robust.norms.HuberT(1.345)
    ).fit()
    for i, term in enumerate("ABC"):
        assert fit.coefficients[term].value == pytest.approx(robust.params[i], rel=0.02)
        assert abs(fit.coefficients[term].value - reference.params[i]) < 2 * reference.bse[i]


def test_an_outlier_does_not_move_the_fit() -> None:
    v = np.linspace(10, 80, 30)
    y = 10 + 0.1 * v + 0.003 * v**2
    y[7] += 500.0
    values = [Measured(float(x), "N/t", {_random(i): 0.5}) for i, x in enumerate(y)]
    fit = fit_resistance(v, values)
    assert fit.at(40.0).value == pytest.approx(10 + 4 + 4.8, abs=0.5)


def test_filters_against_their_closed_forms() -> None:
    """Quadratic slope weights (−2, −1, 0, 1, 2)/10 (Savitzky and Golay 1964)."""
    x = np.array([1.0, 4.0, 2.0, 7.0, 3.0])
    slope = savitzky_golay(x, window=5, step=1.0, derivative=1)[2]
    assert slope == pytest.approx(float(np.dot(x, [-2, -1, 0, 1, 2])) / 10)
    assert signal.savgol_coeffs(5, 2, deriv=1)[0] == pytest.approx(0.2)


def test_units_agree_with_the_calibration_room() -> None:
    assert factor("lbf") == pytest.approx(LBF_N, rel=1e-15)

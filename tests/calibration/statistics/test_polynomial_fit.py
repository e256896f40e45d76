from __future__ import annotations

import numpy as np
import pytest
import statsmodels.api as sm
from hypothesis import given, settings
from hypothesis import strategies as st

from calibration.statistics.polynomial_fit import (
    FitError,
    LackOfFit,
    fit_polynomial,
    invert,
    is_monotone,
    lack_of_fit,
    t_quantile,
)
from tests.calibration.bench_tables import rows


def pontius() -> tuple[np.ndarray, np.ndarray]:
    table = rows("nist_pontius.csv")
    return (
        np.array([float(r["load_x"]) for r in table]),
        np.array([float(r["deflection_y"]) for r in table]),
    )


def test_pontius_certified_values() -> None:
    """NIST StRD Linear Regression, dataset Pontius: certified values, to 12 digits."""
    fit = fit_polynomial(*pontius(), 2)
    assert fit.coefficients == pytest.approx(
        [0.673565789473684e-03, 0.732059160401003e-06, -0.316081871345029e-14], rel=1e-12
    )
    assert fit.standard_errors == pytest.approx(
        [0.107938612033077e-03, 0.157817399981659e-09, 0.486652849992036e-16], rel=1e-12
    )
    assert fit.residual_sd == pytest.approx(0.205177424076185e-03, rel=1e-12)
    assert fit.r_squared == pytest.approx(0.999999900178537, abs=2e-15)
    assert fit.regression_ss == pytest.approx(15.6040343244198, rel=1e-13)
    assert fit.residual_ss == pytest.approx(0.155761768796992e-05, rel=1e-12)
    assert fit.f_statistic == pytest.approx(185330865.995752, rel=1e-12)
    assert (fit.dof, fit.n, fit.degree) == (37, 40, 2)


def test_pontius_unscaled_covariance() -> None:
    """(X'X)^-1 of dataset Pontius as printed in a general numeric library's test."""
    fit = fit_polynomial(*pontius(), 2)
    unscaled = fit.covariance / fit.residual_sd**2
    expected = [
        [0.276754385964916, -3.59649122807024e-07, 9.74658869395731e-14],
        [-3.59649122807024e-07, 5.91630591630603e-13, -1.77210703526497e-19],
        [9.74658869395731e-14, -1.77210703526497e-19, 5.62573661988878e-26],
    ]
    assert unscaled == pytest.approx(np.array(expected), rel=1e-11)


def test_worked_inverse_of_the_handbook() -> None:
    """NIST/SEMATECH e-Handbook 4.6.1.10: deflection 1.239722 is a load of 1 705 106."""
    printed = (0.673618e-3, 0.732059e-6, -0.316081e-14)
    assert invert(printed, 1.239722, 0.0, 3e6) == pytest.approx(1_705_106, abs=0.5)


def test_gum_h3_thermometer() -> None:
    """GUM (JCGM 100:2008) H.3, table H.6: the correction at 30 °C is -0.1494 °C, u = 0.0041 °C,
    from y1 = -0.1712 (0.0029), y2 = 0.00218 (0.00067), r = -0.930, s = 0.0035, 9 dof."""
    t = np.array([21.521, 22.012, 22.512, 23.003, 23.507, 23.999, 24.513, 25.002, 25.503,
                  26.010, 26.511])  # fmt: skip
    b = -np.array([171, 169, 166, 159, 164, 165, 156, 157, 159, 161, 160]) / 1000.0
    fit = fit_polynomial(t - 20.0, b, 1)
    assert fit.coefficients == pytest.approx([-0.1712, 0.00218], abs=5e-5)
    assert fit.standard_errors == pytest.approx([0.0029, 0.00067], abs=5e-5)
    correlation = fit.covariance[0, 1] / np.prod(fit.standard_errors)
    assert correlation == pytest.approx(-0.930, abs=5e-4)
    assert fit.residual_sd == pytest.approx(0.0035, abs=5e-5)
    assert fit.dof == 9
    assert float(fit.predict(10.0)) == pytest.approx(-0.1494, abs=5e-5)


def test_straight_line_of_pontius_is_rejected_and_quadratic_accepted() -> None:
    """Line: public worked solution, 6.150e-03 and 7.221e-07; lack of fit computed."""
    x, y = pontius()
    line, curve = fit_polynomial(x, y, 1), fit_polynomial(x, y, 2)
    assert line.coefficients == pytest.approx([6.150e-3, 7.221e-7], rel=1e-4)
    assert line.standard_errors == pytest.approx([7.132e-4, 3.969e-10], rel=1e-3)
    for_line, for_curve = lack_of_fit(x, y, line), lack_of_fit(x, y, curve)
    assert isinstance(for_line, LackOfFit)
    assert isinstance(for_curve, LackOfFit)
    assert for_line.f == pytest.approx(214.7469, rel=1e-6)
    assert for_line.rejected
    assert for_curve.f == pytest.approx(0.810724, rel=1e-6)
    assert (for_curve.dof_lack, for_curve.dof_pure) == (17, 20)
    assert not for_curve.rejected


def test_second_nist_cell() -> None:
    """e-Handbook LOADCELL.DAT, quadratic: computed, agrees with the printed digits."""
    table = rows("nist_loadcell_3runs.csv")
    x = np.array([float(r["load_level_x"]) for r in table])
    y = np.array([float(r["response_y"]) for r in table])
    fit = fit_polynomial(x, y, 2)
    assert fit.coefficients == pytest.approx(
        [-1.8398047e-5, 0.100102485, 7.03186511e-6], rel=1e-7
    )
    assert fit.standard_errors == pytest.approx(
        [2.450720e-5, 4.838699e-6, 2.013613e-7], rel=1e-6
    )
    assert fit.residual_sd == pytest.approx(3.764029e-5, rel=1e-6)
    lack = lack_of_fit(x, y, fit)
    assert isinstance(lack, LackOfFit)
    assert lack.f == pytest.approx(0.347668, rel=1e-5)
    assert lack.pure_error_sd == pytest.approx(4.141439e-5, rel=1e-6)


def test_gum_h3_thermometer_line() -> None:
    """GUM (JCGM 100:2008) H.3: y1 = -0.1712 (0.0029), y2 = 0.00218 (0.00067), r = -0.930."""
    t = np.array([21.521, 22.012, 22.512, 23.003, 23.507, 23.999, 24.513, 25.002, 25.503,
                  26.010, 26.511])  # fmt: skip
    b = np.array([-171, -169, -166, -159, -164, -165, -156, -157, -159, -161, -160]) / 1000.0
    fit = fit_polynomial(t - 20.0, b, 1)
    assert fit.coefficients == pytest.approx([-0.1712, 0.00218], abs=5e-5)
    assert fit.coefficients[1] == pytest.approx(0.00218, abs=5e-6)
    assert fit.standard_errors == pytest.approx([0.0029, 0.00067], abs=5e-5)
    correlation = fit.covariance[0, 1] / np.prod(fit.standard_errors)
    assert correlation == pytest.approx(-0.930, abs=5e-4)
    assert fit.residual_ss == pytest.approx(0.000110096583109, rel=1e-9)
    assert fit.predict(10.0) == pytest.approx(-0.1494, abs=5e-5)
    assert fit.dof == 9


@pytest.mark.parametrize("degree", [1, 2, 3, 4, 5])
@pytest.mark.parametrize(("x_top", "y_top"), [(1e7, 1e6), (1e6, 1e7), (1.0, 2.0)])
def test_agrees_with_statsmodels_on_scaled_data(
    degree: int, x_top: float, y_top: float
) -> None:
    rng = np.random.default_rng(degree)
    u = np.tile(np.linspace(0.05, 1.0, 20), 3)
    y = y_top * (0.01 + u - 0.003 * u**2 + 0.001 * u**5 + rng.normal(0.0, 1e-4, 60))
    fit = fit_polynomial(u * x_top, y, degree)
    result = sm.OLS(y, np.vander(u, degree + 1, increasing=True)).fit()
    scale = x_top ** np.arange(degree + 1)
    assert fit.coefficients * scale == pytest.approx(result.params, rel=1e-8)
    assert fit.standard_errors * scale == pytest.approx(result.bse, rel=1e-8)
    assert fit.covariance * np.outer(scale, scale) == pytest.approx(
        result.cov_params(), rel=1e-7, abs=1e-12 * float(np.max(np.abs(result.cov_params())))
    )
    assert fit.residual_sd == pytest.approx(np.sqrt(result.mse_resid), rel=1e-10)
    assert fit.r_squared == pytest.approx(result.rsquared, abs=1e-12)


def test_through_zero_agrees_with_statsmodels() -> None:
    rng = np.random.default_rng(3)
    x = np.linspace(1.0, 10.0, 15)
    y = 2.0 * x + 0.1 * x**2 + rng.normal(0.0, 0.05, 15)
    fit = fit_polynomial(x, y, 2, through_zero=True)
    result = sm.OLS(y, np.column_stack((x, x**2))).fit()
    assert fit.coefficients[0] == 0.0
    assert fit.coefficients[1:] == pytest.approx(result.params, rel=1e-10)
    assert fit.standard_errors[1:] == pytest.approx(result.bse, rel=1e-10)
    assert fit.predict(0.0) == 0.0


@given(
    st.lists(st.floats(-0.1, 0.1), min_size=1, max_size=4),
    st.floats(0.01, 1.0),
)
@settings(max_examples=60, deadline=None)
def test_inverse_undoes_a_monotone_curve(bends: list[float], share: float) -> None:
    coefficients = np.array([0.3, 1.0, *(b / (i + 2) for i, b in enumerate(bends))])
    x = share * 1.0
    y = float(np.polynomial.polynomial.polyval(x, coefficients))
    assert is_monotone(coefficients, 0.0, 1.0)
    assert invert(coefficients, y, 0.0, 1.0) == pytest.approx(x, abs=1e-13)


def test_inverse_refuses_what_has_no_single_answer() -> None:
    with pytest.raises(FitError, match="turns back"):
        invert((0.0, 1.0, -1.0), 0.2, 0.0, 1.0)
    with pytest.raises(FitError, match="outside what the curve reaches"):
        invert((0.0, 1.0), 2.0, 0.0, 1.0)
    with pytest.raises(FitError, match="turns back"):
        invert((5.0, 0.0), 5.0, 0.0, 1.0)


def test_the_far_root_of_pontius_is_rejected() -> None:
    """The second root of the certified curve lies near 2.2990e8 (computed)."""
    certified = (0.673565789473684e-03, 0.732059160401003e-06, -0.316081871345029e-14)
    assert invert(certified, 1.239722, 0.0, 3e6) < 3e6


@pytest.mark.parametrize(
    ("x", "y", "degree", "message"),
    [
        ([1.0, 2.0], [1.0, 2.0], 1, "at least 3"),
        ([1.0, 1.0, 1.0], [1.0, 2.0, 3.0], 1, "1 distinct values"),
        ([1.0, 1.0, 2.0, 2.0], [1.0, 1.1, 2.0, 2.1], 2, "2 distinct values"),
        ([0.0, 0.0, 0.0], [1.0, 2.0, 3.0], 1, "1 distinct values"),
        ([1.0, 2.0, np.nan], [1.0, 2.0, 3.0], 1, "not finite"),
        ([1.0, 2.0, 3.0], [1.0, 2.0, 3.0], 6, "degree must be 1 to 5"),
        ([1.0, 2.0, 3.0], [1.0, 2.0], 1, "alike"),
    ],
)
def test_fit_refuses_what_cannot_carry_it(
    x: list[float], y: list[float], degree: int, message: str
) -> None:
    with pytest.raises(FitError, match=message):
        fit_polynomial(x, y, degree)


def test_lack_of_fit_says_why_it_cannot_be_tested() -> None:
    x = np.arange(5.0)
    fit = fit_polynomial(x, x + 0.1 * x**2, 1)
    assert "no force was applied twice" in str(lack_of_fit(x, x, fit))
    twice = np.repeat([1.0, 2.0, 3.0], 2)
    noisy = twice + np.tile([0.0, 0.1], 3)
    fit = fit_polynomial(twice, noisy, 2)
    assert "leave nothing over" in str(lack_of_fit(twice, noisy, fit))


def test_student_quantiles() -> None:
    """Tabulated: t(37) 2.026, t0.995(16) 2.921 (GUM table G.2), normal 1.960."""
    assert t_quantile(37) == pytest.approx(2.026192463, rel=1e-9)
    assert t_quantile(16, level=0.99) == pytest.approx(2.92, abs=5e-3)
    assert t_quantile(float("inf")) == pytest.approx(1.959964, rel=1e-6)

"""A fit that its own data contradict is refused, or as unsure as it misses them."""

from __future__ import annotations

import numpy as np
import pytest
from hypothesis import given
from hypothesis import strategies as st
from scipy import optimize

from recorder.analysis.dynamics.regression import below_bound
from recorder.analysis.dynamics.resistance import (
    Correlated,
    ResistanceFit,
    fit_resistance,
)
from recorder.analysis.uncertainty.causes import CauseKind, UncertaintyCause
from recorder.analysis.uncertainty.measured import Measured

SPEED = np.linspace(10.0, 80.0, 40)
U = 0.2


def fitted(
    truth: np.ndarray, terms: str, *, seed: int = 0, bound: bool = True, sd: float = U
) -> ResistanceFit:
    """To values of their own error about a truth (n,), N/t."""
    noise = np.random.default_rng(seed).normal(0.0, sd, len(truth))
    values = [
        Measured(float(y), "N/t", {UncertaintyCause(CauseKind.RANDOM, f"{i}"): U})
        for i, y in enumerate(truth + noise)
    ]
    speed = SPEED[: len(truth)]
    return fit_resistance(speed, values, terms=terms, non_negative=bound)


@pytest.mark.parametrize("terms", ["AB", "AC", "ABC"])
def test_a_resistance_that_falls_with_speed_contradicts_the_bound(terms: str) -> None:
    with pytest.raises(
        ValueError, match=r"contradict .* fall with speed.*grade, sign and mass"
    ):
        fitted(20.0 - 0.1 * SPEED, terms)
    # The same may be fitted without the bound.
    assert fitted(20.0 - 0.1 * SPEED, terms, bound=False).at(10.0).value == pytest.approx(
        19.0, abs=1.2
    )


def test_a_resistance_below_nothing_contradicts_the_bound() -> None:
    with pytest.raises(ValueError, match="contradict"):
        fitted(np.full(40, -5.0), "A")


@pytest.mark.slow
def test_a_resistance_that_does_not_rise_is_no_contradiction() -> None:
    refused = 0
    for seed in range(200):
        try:
            fit = fitted(np.full(40, 15.0), "ABC", seed=seed)
        except ValueError:
            refused += 1
        else:
            assert fit.at(40.0).value == pytest.approx(15.0, abs=5.0 * U)
    # Less than one in 370 by noise: three of 200 would be one chance in fifty.
    assert refused < 3


def test_one_term_is_as_far_below_as_it_is_in_its_own_uncertainties() -> None:
    assert below_bound(np.array([3.0, -0.4]), np.diag([0.01, 0.04])) == pytest.approx(2.0)
    assert below_bound(np.array([3.0, 0.4]), np.diag([0.01, 0.04])) == pytest.approx(0.0)


@given(
    st.lists(st.floats(-3.0, 3.0), min_size=3, max_size=3),
    st.lists(st.floats(-0.9, 0.9), min_size=9, max_size=9),
)
def test_the_nearest_is_that_of_a_quadratic_programme(
    beta: list[float], half: list[float]
) -> None:
    root = np.eye(3) + np.tril(np.reshape(half, (3, 3)))
    covariance = root @ root.T + 0.1 * np.eye(3)
    inverse = np.linalg.inv(covariance)
    whitened = np.linalg.cholesky(inverse).T
    found = optimize.lsq_linear(whitened, whitened @ np.array(beta), (0.0, np.inf), tol=1e-12)
    assert below_bound(np.array(beta), covariance) ** 2 == pytest.approx(
        2.0 * found.cost, abs=1e-4
    )


@pytest.mark.parametrize("seed", range(5))
def test_a_line_of_another_shape_is_as_unsure_as_it_misses(seed: int) -> None:
    truth = 20.0 - 0.1 * SPEED
    fit = fitted(truth, "A", seed=seed)
    for v, true in zip(SPEED, truth, strict=True):
        assert abs(fit.at(float(v)).value - true) <= fit.at(float(v)).expanded
    assert fit.residual_sd_N_per_t == pytest.approx(np.std(truth), rel=0.1)
    assert any(c.kind is CauseKind.MISFIT for c in fit.at(10.0).parts)


def test_a_line_of_the_right_shape_seldom_has_a_misfit() -> None:
    fits = [fitted(10.0 + 0.1 * SPEED, "AB", seed=seed) for seed in range(200)]
    found = sum(any(c.kind is CauseKind.MISFIT for c in fit.at(10.0).parts) for fit in fits)
    # A normal correlation exceeds three of its standard deviations once in 740.
    assert found <= 3


def test_scatter_is_that_about_the_line_which_is_stated() -> None:
    """Where the bound holds the slope up, the residuals are those that the line leaves."""
    falling = next(
        seed
        for seed in range(50)
        if fitted(np.full(40, 15.0), "AB", seed=seed, bound=False).beta[1] < -0.002
    )
    fit = fitted(np.full(40, 15.0), "AB", seed=falling)
    noise = np.random.default_rng(falling).normal(0.0, U, 40)
    rest = 15.0 + noise - (fit.beta[0] + fit.beta[1] * SPEED)
    assert fit.residual_sd_N_per_t == pytest.approx(np.sqrt(rest @ rest / 38.0))


def test_two_fits_share_what_their_pieces_share_and_nothing_else() -> None:
    """The scatter of one is not that of another: a difference of two has both."""
    truth = 10.0 + 0.1 * SPEED
    one, other = (fitted(truth, "AB", seed=seed).at(40.0) for seed in (1, 2))
    assert one.minus(other).u == pytest.approx(np.hypot(one.u, other.u))
    same = fitted(truth, "AB", seed=1).at(40.0)
    assert one.minus(same).u == pytest.approx(0.0)


def test_what_a_fit_says_of_a_survey_has_no_sign_to_share() -> None:
    """Its part is a size; the potential energy's has a sign, and so has another fit's."""
    survey = UncertaintyCause(CauseKind.GRADE_OF_RUN, "trailing")
    values = [
        Measured(float(y), "N/t", {UncertaintyCause(CauseKind.RANDOM, f"{i}"): U})
        for i, y in enumerate(10.0 + 0.1 * SPEED)
    ]
    known = {survey: Correlated(covariance=np.full((40, 40), 0.25))}
    found = fit_resistance(SPEED, values, terms="AB", correlated=known).at(40.0)
    assert survey not in found.parts
    (own,) = (c for c in found.parts if c.kind is CauseKind.GRADE_OF_RUN)
    assert found.parts[own] == pytest.approx(0.5, rel=1e-6)


def test_observations_that_state_no_uncertainty_are_as_sure_as_their_scatter() -> None:
    """As by ordinary least squares, which knows the residuals alone."""
    rng = np.random.default_rng(1)
    line = np.column_stack([np.ones(40), SPEED])
    held = 0
    for _ in range(60):
        y = 10.0 + 0.1 * SPEED + rng.normal(0.0, U, 40)
        bare = [Measured(float(v), "N/t") for v in y]
        fit = fit_resistance(SPEED, bare, terms="AB")
        rest = y - line @ np.linalg.lstsq(line, y, rcond=None)[0]
        by_rest = rest @ rest / 38.0 * np.linalg.inv(line.T @ line)
        for found, u in zip(fit.coefficients.values(), np.sqrt(np.diag(by_rest)), strict=True):
            assert 0.5 * u < found.u < 3.0 * u
        held += abs(fit.at(40.0).value - 14.0) <= fit.at(40.0).expanded
    assert held >= 53

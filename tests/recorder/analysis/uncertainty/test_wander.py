"""Slow wander: the covariance of means, and intervals that hold the truth though it is slow."""

from __future__ import annotations

import math

import numpy as np
import pytest
from hypothesis import given
from hypothesis import strategies as st
from statsmodels.tsa.arima_process import ArmaProcess

from recorder.analysis.uncertainty.causes import CauseKind, Extent, UncertaintyCause
from recorder.analysis.uncertainty.measured import Measured, quantile
from recorder.analysis.uncertainty.wander import (
    TIMES_S,
    Wander,
    fast_means,
    fit_wander,
    usual_wander,
    white_variance,
)

STEP_S = 2.0


def wander_of(tau: float, size: float, white: float) -> Wander:
    weights = np.array([size**2 if t == tau else 0.0 for t in TIMES_S])
    return Wander(white=white, weights=weights, dof=10.0)


def drawn_wander(rng: np.random.Generator, n: int, tau_s: float, size: float) -> np.ndarray:
    """An Ornstein-Uhlenbeck process (n,) at even steps, by its exact recursion."""
    kept = math.exp(-STEP_S / tau_s)
    out = np.empty(n)
    out[0] = rng.normal(0.0, size)
    kicks = rng.normal(0.0, size * math.sqrt(1.0 - kept**2), n)
    for i in range(1, n):
        out[i] = kept * out[i - 1] + kicks[i]
    return out


@pytest.mark.parametrize("tau", TIMES_S)
def test_covariance_of_means_is_the_double_sum_of_an_independent_library(tau: float) -> None:
    step = tau / 200.0
    kept = math.exp(-step / tau)
    # statsmodels: autocovariance of an AR(1) process with these innovations.
    process = ArmaProcess([1.0, -kept])
    acov = process.acovf(1600) * (1.0 - kept**2)
    start, end = np.array([0.0, 500.0]) * step, np.array([300.0, 900.0]) * step
    found = wander_of(tau, 1.0, 0.0).covariance(start, end)
    bins = [np.arange(0, 300), np.arange(500, 900)]
    for i in range(2):
        for j in range(2):
            lags = np.abs(bins[i][:, None] - bins[j][None, :])
            assert found[i, j] == pytest.approx(float(acov[lags].mean()), rel=2e-3)


@given(
    st.lists(st.tuples(st.floats(0.5, 300.0), st.floats(0.0, 900.0)), min_size=1, max_size=12),
    st.sampled_from(TIMES_S),
    st.floats(1e-4, 0.1),
)
def test_parts_by_cause_give_the_covariance_back(
    drawn: list[tuple[float, float]], tau: float, size: float
) -> None:
    length = np.array([d for d, _ in drawn])
    start = np.cumsum([gap for _, gap in drawn]) + np.concatenate(
        [[0.0], np.cumsum(length)[:-1]]
    )
    wander = wander_of(tau, size, 1e-4)
    rows = wander.parts(start, start + length)
    assert rows @ rows.T == pytest.approx(
        wander.covariance(start, start + length), rel=1e-6, abs=1e-12
    )


def test_parts_of_one_estimate_have_its_degrees_of_freedom_once() -> None:
    """JCGM 100:2008 G.4.1 is for independent variance estimates; these are one."""
    causes = [
        UncertaintyCause(CauseKind.WANDER, "run", Extent("run", f"{k}")) for k in range(9)
    ]
    value = Measured(1.0, "kN", dict.fromkeys(causes, 0.5), dict.fromkeys(causes, 6.0))
    assert value.effective_dof == pytest.approx(6.0)


@pytest.mark.parametrize("parts", [0, 1, 2, 3])
def test_too_few_parts_leave_a_wander_as_large_as_it_is_thought(parts: int) -> None:
    """However still they are: two parts alike by luck are no proof that nothing wanders."""
    start = np.arange(float(parts)) * 10.0
    curve = np.vander(np.arange(float(parts)), 2)
    found = fit_wander(start, start + 10.0, np.zeros(parts), curve, 1e-6)
    begins = np.arange(30.0) * 10.0
    long = fit_wander(begins, begins + 10.0, np.zeros(30), np.ones((30, 1)), 1e-6)
    assert found.sd >= 0.01
    assert found.sd > 3 * long.sd
    assert found.dof < 10.0


def test_terms_made_of_each_other_do_no_harm() -> None:
    start = np.arange(30.0) * 10.0
    share = np.random.default_rng(1).normal(0.0, 0.01, 30)
    twice = np.column_stack([np.ones(30), np.ones(30), np.zeros(30)])
    found = fit_wander(start, start + 10.0, share, twice, 1e-3)
    once = fit_wander(start, start + 10.0, share, np.ones((30, 1)), 1e-3)
    assert found.sd == pytest.approx(once.sd)


@pytest.mark.slow
@pytest.mark.parametrize(
    ("tau_s", "size"), [(8.0, 0.02), (30.0, 0.02), (120.0, 0.02), (8.0, 0.0)]
)
@pytest.mark.parametrize(("episodes", "seconds"), [(5, 80.0)])
def test_the_interval_of_a_mean_holds_the_truth(
    tau_s: float, size: float, episodes: int, seconds: float
) -> None:
    """Some minutes at full throttle, in parts, with minutes between: 93 % and more hold."""
    draws, held = 60, 0
    for seed in range(draws):
        rng = np.random.default_rng(seed)
        apart = seconds + 400.0
        n = int(episodes * apart / STEP_S)
        pull = drawn_wander(rng, n, tau_s, size) + rng.normal(0.0, 0.01, n)
        begins = np.arange(0.0, seconds, 10.0)
        start = np.concatenate([k * apart + begins for k in range(episodes)])
        length = int(10.0 / STEP_S)
        share = np.array([pull[int(a / STEP_S) :][:length].mean() for a in start])
        speed = np.sin(start / 60.0)
        wander = fit_wander(start, start + 10.0, share, np.vander(speed, 3), 1e-4 * STEP_S)
        rows = wander.parts(start, start + 10.0)
        u = float(np.linalg.norm(rows.mean(axis=0)))
        held += abs(float(share.mean())) <= quantile(0.975, wander.dof) * u
    # 93 %, less three standard deviations of such a count.
    assert held >= 0.93 * draws - 3 * math.sqrt(draws * 0.93 * 0.07)


@pytest.mark.parametrize("tau", TIMES_S)
@pytest.mark.parametrize("seconds", [1.0, 10.0, 60.0])
def test_a_running_mean_has_the_variance_and_the_memory_of_an_independent_library(
    tau: float, seconds: float
) -> None:
    """statsmodels: autocovariance of an AR(1) process; its running means by a double sum."""
    step = min(tau, seconds) / 40.0
    kept, n = math.exp(-step / tau), round(seconds / step)
    lags = round(12.0 * tau / step) + n
    acov = ArmaProcess([1.0, -kept]).acovf(lags + n) * (1.0 - kept**2)
    weights = np.convolve(np.ones(n), np.ones(n)) / n**2
    both = np.concatenate([acov[:0:-1], acov])
    of_means = np.convolve(both, weights, "same")
    (found,) = wander_of(tau, 1.0, 0.0).of_means(seconds)
    assert found.variance == pytest.approx(float(of_means[len(of_means) // 2]), rel=2e-2)
    assert found.apart_s >= seconds
    memory = float(of_means.sum()) * step / found.variance
    assert found.apart_s == pytest.approx(max(memory, seconds), rel=3e-2)


@given(
    st.lists(st.floats(-50.0, 300.0), min_size=1, max_size=40),
    st.sampled_from(TIMES_S),
    st.floats(0.1, 20.0),
    st.floats(0.0, 1e-3),
)
def test_a_sum_of_amounts_is_as_uncertain_as_the_covariance_of_its_terms(
    amounts: list[float], tau: float, step: float, white: float
) -> None:
    held = np.array(amounts)
    lags = np.abs(np.subtract.outer(np.arange(len(held)), np.arange(len(held)))) * step
    covariance = 4e-4 * np.exp(-lags / tau) + white / step * np.eye(len(held))
    expected = math.sqrt(max(float(held @ covariance @ held), 0.0))
    assert wander_of(tau, 0.02, white).of_sum(held, step) == pytest.approx(
        expected, rel=1e-6, abs=1e-6
    )


def test_a_wander_of_which_nothing_is_seen_is_of_the_order_of_a_per_cent() -> None:
    wander = usual_wander()
    assert 0.005 < wander.sd < 0.03
    assert wander.dof < 10.0
    assert len(wander.of_means(10.0)) == len(TIMES_S)


@pytest.mark.parametrize("step_s", [0.1, 0.5, 1.0, 5.0])
def test_white_noise_is_read_alike_from_first_and_second_differences(step_s: float) -> None:
    values = np.random.default_rng(1).normal(0.0, step_s**-0.5, round(20000.0 / step_s))
    values[100] = np.nan
    means = fast_means(values, step_s)
    for order, added in ((1, 2.0), (2, 6.0)):
        found = white_variance(np.diff(means, order), added, step_s)
        # A median out of some four thousand at the least scatters by 2 %, squared 4: three of it.
        assert found == pytest.approx(1.0, rel=0.12)


def test_white_noise_of_nothing_known_is_nought() -> None:
    assert white_variance(np.full(3, np.nan), 2.0, 1.0) == 0.0
    assert len(fast_means(np.ones(1), 0.5)) == 0

"""The smoother against the same problem solved at once by dense least squares."""

from __future__ import annotations

import numpy as np
import pytest
from statsmodels.tsa.statespace.kalman_smoother import KalmanSmoother

from recorder.track.placing.smoother import (
    Knots,
    Noise,
    Observations,
    filter_run,
    observation_rows,
)


def small_problem() -> tuple[Knots, Observations, Noise]:
    rng = np.random.default_rng(4)
    n = 25
    t = np.cumsum(rng.uniform(20.0, 90.0, n))
    moved = rng.uniform(-300.0, 900.0, n)
    knots = Knots(t_s=t, moved_m=moved, rolled_m=np.abs(moved), jump_var_m2=np.zeros(n))
    knots.jump_var_m2[12] = 25.0
    variance = np.where(rng.random(n) < 0.3, np.inf, rng.uniform(4.0, 30.0, n))
    seen = Observations(
        z_m=rng.normal(0.0, 8.0, n),
        variance_m2=variance,
        speed_m_s=rng.uniform(-20.0, 20.0, n),
        gnss=rng.random(n) < 0.5,
    )
    noise = Noise(
        walk_m_per_rkm=0.8, scale_per_r100km=2e-3, gnss_slow_s=300.0, first_distance_m=50.0
    )
    return knots, seen, noise


def dense_answer(
    knots: Knots, seen: Observations, noise: Noise
) -> tuple[np.ndarray, np.ndarray]:
    """Means and covariances of all states from the joint Gaussian, no recursion."""
    n = knots.t_s.size
    first = np.diag(
        np.square(
            [
                noise.first_distance_m, noise.first_scale, noise.reaction_bias_s,
                noise.gnss_slow_m, noise.gnss_delay_s,
            ]
        )
    )  # fmt: skip
    big = np.zeros((5 * n, 5 * n))
    big[:5, :5] = first
    for i in range(1, n):
        f = np.eye(5)
        phi = np.exp(-(knots.t_s[i] - knots.t_s[i - 1]) / noise.gnss_slow_s)
        f[0, 1], f[3, 3] = knots.moved_m[i], phi
        q = np.zeros((5, 5))
        rate = noise.scale_per_r100km**2 / 1e5
        q[0, 0] = (
            noise.walk_m_per_rkm**2 * knots.rolled_m[i] / 1000.0
            + rate * knots.rolled_m[i] * knots.moved_m[i] ** 2 / 3.0
            + knots.jump_var_m2[i]
        )
        q[0, 1] = q[1, 0] = rate * knots.rolled_m[i] * knots.moved_m[i] / 2.0
        q[1, 1] = rate * knots.rolled_m[i]
        q[3, 3] = noise.gnss_slow_m**2 * (1.0 - phi**2)
        now, past = slice(5 * i, 5 * i + 5), slice(0, 5 * i)
        before = slice(5 * i - 5, 5 * i)
        big[now, past] = f @ big[before, past]
        big[past, now] = big[now, past].T
        big[now, now] = f @ big[before, before] @ f.T + q
    used = np.isfinite(seen.variance_m2)
    h = np.zeros((int(used.sum()), 5 * n))
    for row, i in enumerate(np.flatnonzero(used).tolist()):
        h[row, 5 * i : 5 * i + 5] = observation_rows(seen)[i]
    gain = big @ h.T @ np.linalg.inv(h @ big @ h.T + np.diag(seen.variance_m2[used]))
    return (gain @ seen.z_m[used]).reshape(n, 5), big - gain @ h @ big


def test_smoother_agrees_with_the_joint_solution() -> None:
    knots, seen, noise = small_problem()
    got = filter_run(knots, seen, noise)
    mean, covariance = dense_answer(knots, seen, noise)
    assert got.x == pytest.approx(mean, rel=1e-6, abs=1e-7)
    for i in range(knots.t_s.size):
        block = covariance[5 * i : 5 * i + 5, 5 * i : 5 * i + 5]
        assert got.p[i] == pytest.approx(block, rel=1e-6, abs=1e-8)


def test_the_last_filtered_state_is_the_last_smoothed_one() -> None:
    knots, seen, noise = small_problem()
    smoothed = filter_run(knots, seen, noise)
    filtered = filter_run(knots, seen, noise, smooth=False)
    assert smoothed.x[-1] == pytest.approx(filtered.x[-1])
    assert smoothed.log_likelihood == filtered.log_likelihood
    spread = np.einsum("ijj->ij", smoothed.p)
    assert (spread <= np.einsum("ijj->ij", filtered.p) + 1e-9).all()


def test_against_the_smoother_of_an_independent_library() -> None:
    """statsmodels' Kalman smoother, given the same state space matrix by matrix."""
    knots, seen, noise = small_problem()
    n = knots.t_s.size
    model = KalmanSmoother(k_endog=1, k_states=5)
    model.bind(np.where(np.isfinite(seen.variance_m2), seen.z_m, np.nan)[:, None])
    transition, drive = np.tile(np.eye(5)[:, :, None], n), np.zeros((5, 5, n))
    rate = noise.scale_per_r100km**2 / 1e5
    for i in range(n - 1):
        moved, rolled = knots.moved_m[i + 1], knots.rolled_m[i + 1]
        phi = np.exp(-(knots.t_s[i + 1] - knots.t_s[i]) / noise.gnss_slow_s)
        transition[0, 1, i], transition[3, 3, i] = moved, phi
        drive[0, 0, i] = (
            noise.walk_m_per_rkm**2 * rolled / 1000.0
            + rate * rolled * moved**2 / 3.0
            + knots.jump_var_m2[i + 1]
        )
        drive[0, 1, i] = drive[1, 0, i] = 0.5 * rate * rolled * moved
        drive[1, 1, i] = rate * rolled
        drive[3, 3, i] = noise.gnss_slow_m**2 * (1.0 - phi**2)
    model["transition"], model["state_cov"] = transition, drive
    model["selection"] = np.eye(5)
    model["design"] = observation_rows(seen).T[None, :, :]
    variance = np.where(np.isfinite(seen.variance_m2), seen.variance_m2, 1.0)
    model["obs_cov"] = variance[None, None, :]
    first = [
        noise.first_distance_m, noise.first_scale, noise.reaction_bias_s,
        noise.gnss_slow_m, noise.gnss_delay_s,
    ]  # fmt: skip
    model.initialize_known(np.zeros(5), np.diag(np.square(first)))
    theirs = model.smooth()
    ours = filter_run(knots, seen, noise)
    scale = np.sqrt(np.diagonal(ours.p, axis1=1, axis2=2))
    assert np.max(np.abs(ours.x - theirs.smoothed_state.T) / scale) < 1e-6
    wanted = np.moveaxis(theirs.smoothed_state_cov, 2, 0)
    assert np.diagonal(ours.p, axis1=1, axis2=2) == pytest.approx(
        np.diagonal(wanted, axis1=1, axis2=2), rel=1e-5
    )

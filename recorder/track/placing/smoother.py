"""Error of the wheel along the run: a Kalman filter and smoother over a handful of states.

States at every knot: the distance of the car from where the nominal line puts it (m), the
wheel's scale error, the crew's mean reaction time beyond the one assumed (s), the slow part of
the GNSS error along the track (m), the GNSS delay (s). The scale walks slowly with the path
rolled (wear, tread temperature, curves), the distance walks a little by itself (creep, lateral
play), the slow GNSS error forgets itself (first-order Gauss-Markov).

Forward filter and fixed-interval smoother after Rauch, Tung and Striebel (1965).
"""

from __future__ import annotations

from dataclasses import dataclass
from typing import TYPE_CHECKING, Final

import numpy as np

if TYPE_CHECKING:
    from numpy.typing import NDArray

__all__ = [
    "B",
    "E",
    "G",
    "K",
    "Knots",
    "L",
    "Noise",
    "Observations",
    "Smoothed",
    "filter_run",
    "observation_rows",
]

E: Final = 0
K: Final = 1
B: Final = 2
G: Final = 3
L: Final = 4
_N: Final = 5


@dataclass(frozen=True, slots=True, kw_only=True)
class Noise:
    """Standard deviations of what drives the states, and of their first values."""

    walk_m_per_rkm: float = 0.4
    """Of the distance by itself, metres per square root of a kilometre rolled."""
    scale_per_r100km: float = 1.0e-4
    """Of the scale, per square root of 100 km rolled."""
    gnss_slow_m: float = 3.0
    gnss_slow_s: float = 600.0
    """Time over which the slow GNSS error forgets itself."""
    first_distance_m: float = 2000.0
    first_scale: float = 0.01
    reaction_bias_s: float = 0.25
    gnss_delay_s: float = 0.1


@dataclass(frozen=True, slots=True, kw_only=True)
class Knots:
    """Where the states are wanted, in order of time, (n,) each."""

    t_s: NDArray[np.float64]
    moved_m: NDArray[np.float64]
    """Signed nominal movement along the chainage since the knot before (0 for the first)."""
    rolled_m: NDArray[np.float64]
    """Path rolled since the knot before."""
    jump_var_m2: NDArray[np.float64]
    """Variance of a lost count since the knot before."""


@dataclass(frozen=True, slots=True, kw_only=True)
class Observations:
    """At most one a knot, (n,) each; variance inf: none."""

    z_m: NDArray[np.float64]
    """Observed minus nominal chainage."""
    variance_m2: NDArray[np.float64]
    speed_m_s: NDArray[np.float64]
    """Along the chainage, signed."""
    gnss: NDArray[np.bool_]


@dataclass(frozen=True, slots=True)
class Smoothed:
    """States (n, 5), covariances (n, 5, 5), and the log likelihood of the innovations."""

    x: NDArray[np.float64]
    p: NDArray[np.float64]
    log_likelihood: float


def filter_run(
    knots: Knots,
    seen: Observations,
    noise: Noise,
    *,
    first: tuple[float, float] = (0.0, 0.0),
    smooth: bool = True,
) -> Smoothed:
    """Filter forward and, with `smooth`, back again.

    Parameters
    ----------
    first
        Mean of the first distance error (m) and scale error.
    """
    n = knots.t_s.size
    x_filtered, p_filtered = np.empty((n, _N)), np.empty((n, _N, _N))
    x_ahead, p_ahead = np.empty((n, _N)), np.empty((n, _N, _N))
    x = np.array([first[0], first[1], 0.0, 0.0, 0.0])
    p = _first_covariance(noise)
    forget = np.exp(-np.diff(knots.t_s, prepend=knots.t_s[0]) / noise.gnss_slow_s)
    drive = _drive(knots, noise, forget)
    rows = observation_rows(seen)
    have = np.isfinite(seen.variance_m2).tolist()
    moved, forgets = knots.moved_m.tolist(), forget.tolist()
    z, variance = seen.z_m.tolist(), seen.variance_m2.tolist()
    likelihood = 0.0
    for i in range(n):
        if i:
            _step(x, p, moved[i], forgets[i])
            p += drive[i]
        x_ahead[i], p_ahead[i] = x, p
        if have[i]:
            h = rows[i]
            ph = p @ h
            s = float(h @ ph) + variance[i]
            r = z[i] - float(h @ x)
            x = x + ph * (r / s)
            p = p - np.outer(ph, ph / s)
            likelihood -= 0.5 * (np.log(s) + r * r / s)
        x_filtered[i], p_filtered[i] = x, p
    if smooth and n > 1:
        _smooth(x_filtered, p_filtered, x_ahead, p_ahead, moved, forgets)
    return Smoothed(x_filtered, p_filtered, float(likelihood))


def _first_covariance(noise: Noise) -> NDArray[np.float64]:
    first = [
        noise.first_distance_m,
        noise.first_scale,
        noise.reaction_bias_s,
        noise.gnss_slow_m,
        noise.gnss_delay_s,
    ]
    return np.diag(np.square(first))


def _step(x: NDArray[np.float64], p: NDArray[np.float64], moved: float, forget: float) -> None:
    """One step ahead without its noise, in place: F x and F P Fᵀ."""
    x[E] += moved * x[K]
    x[G] *= forget
    p[E] += moved * p[K]
    p[:, E] += moved * p[:, K]
    p[G] *= forget
    p[:, G] *= forget


def _drive(knots: Knots, noise: Noise, forget: NDArray[np.float64]) -> NDArray[np.float64]:
    """(n, 5, 5): covariance added in the step to each knot."""
    q = np.zeros((knots.t_s.size, _N, _N))
    q_scale = noise.scale_per_r100km**2 / 1.0e5
    rolled, moved = knots.rolled_m, knots.moved_m
    q[:, E, E] = (
        noise.walk_m_per_rkm**2 * rolled / 1000.0
        + q_scale * rolled * moved**2 / 3.0
        + knots.jump_var_m2
    )
    q[:, E, K] = q[:, K, E] = 0.5 * q_scale * rolled * moved
    q[:, K, K] = q_scale * rolled
    q[:, G, G] = noise.gnss_slow_m**2 * (1.0 - forget**2)
    return q


def observation_rows(seen: Observations) -> NDArray[np.float64]:
    """(n, 5): how each observation looks at the states."""
    h = np.zeros((seen.z_m.size, _N))
    h[:, E] = 1.0
    h[:, B] = np.where(seen.gnss, 0.0, -seen.speed_m_s)
    h[:, G] = seen.gnss
    h[:, L] = np.where(seen.gnss, -seen.speed_m_s, 0.0)
    return h


def _smooth(
    x: NDArray[np.float64],
    p: NDArray[np.float64],
    x_ahead: NDArray[np.float64],
    p_ahead: NDArray[np.float64],
    moved: list[float],
    forgets: list[float],
) -> None:
    """Rauch-Tung-Striebel, in place on the filtered states."""
    # P F^T: column E gains step times column K, column G is forgotten.
    pf = p[:-1].copy()
    pf[:, :, E] += np.array(moved[1:])[:, None] * p[:-1, :, K]
    pf[:, :, G] *= np.array(forgets[1:])[:, None]
    gain = np.swapaxes(np.linalg.solve(p_ahead[1:], np.swapaxes(pf, 1, 2)), 1, 2)
    for i in range(x.shape[0] - 2, -1, -1):
        c = gain[i]
        x[i] += c @ (x[i + 1] - x_ahead[i + 1])
        p[i] += c @ (p[i + 1] - p_ahead[i + 1]) @ c.T
    np.multiply(0.5, p + np.swapaxes(p, 1, 2), out=p)

"""What the instruments show of the ride: every stated error drawn once, noise and faults."""

from __future__ import annotations

from dataclasses import dataclass

import numpy as np
from numpy.typing import NDArray

from tests.campaigns.trial_train.line import Line
from tests.campaigns.trial_train.locomotive import Train
from tests.campaigns.trial_train.ride import STEP_S, Ride

__all__ = ["Faults", "Fixes", "Readings", "Stated", "read", "receive"]

EVERY = 2
"""Steps of the ride from one row of the table to the next: two rows a second."""


@dataclass(frozen=True)
class Stated:
    """Standard uncertainties as the run states them; errors are drawn by them."""

    pull_rel: float = 0.003
    pull_kN: float = 0.3
    wheel_rel: float = 0.002


@dataclass(frozen=True)
class Faults:
    """What is wrong with the instruments beyond what they state."""

    wander_rel: float = 0.003
    wander_s: float = 5.0
    drift_kN: float = 0.0
    """Of the zero, from nothing to this at the end of the run."""
    slips: int = 0
    """Episodes of 10 to 60 s in which the measuring wheel shows 1 to 3 % too little."""
    noise_kN: float = 1.0
    noise_m_s: float = 0.01


@dataclass(frozen=True)
class Readings:
    """Columns of a table, SI, (n,)."""

    time_s: NDArray[np.float64]
    columns: dict[str, NDArray[np.float64]]
    wheel: float
    """What the wheel shows of a true metre."""
    fixes: Fixes | None = None
    """What a receiver said beside it."""


@dataclass(frozen=True)
class Fixes:
    """Speed by a receiver, once a second: (n,) s in hand, (n,) m/s, NaN without a fix."""

    time_s: NDArray[np.float64]
    speed_m_s: NDArray[np.float64]


def receive(rng: np.random.Generator, ride: Ride) -> Fixes:
    """A good receiver's speed: in hand 0.2 to 1.2 s late, scattering by up to a decimetre a
    second, and not there in a cutting or two (from experience).
    """
    late_s, scatter = rng.uniform(0.2, 1.2), rng.uniform(0.03, 0.1)
    t = np.arange(late_s, ride.t_s[-1], 1.0)
    true = np.interp(t - late_s, ride.t_s, ride.speed_m_s)
    shown = np.abs(true + scatter * _wander(rng, len(t), 1.0))
    for _ in range(rng.integers(0, 3)):
        start = rng.uniform(0.0, t[-1])
        shown[(t > start) & (t < start + rng.uniform(5.0, 60.0))] = np.nan
    return Fixes(t, shown)


def read(
    rng: np.random.Generator,
    ride: Ride,
    line: Line,
    train: Train,
    stated: Stated,
    faults: Faults,
) -> Readings:
    """Read the ride off."""
    t = ride.t_s[::EVERY]
    n = len(t)
    pull = ride.pull_kN[::EVERY]
    scale = 1.0 + stated.pull_rel * rng.standard_normal()
    zero = stated.pull_kN * rng.standard_normal()
    sign = rng.choice([-1.0, 1.0])
    wander = faults.wander_rel * _wander(rng, n, EVERY * STEP_S / faults.wander_s)
    shown = pull * (scale + wander) + zero + sign * faults.drift_kN * t / t[-1]
    shown = shown + faults.noise_kN * rng.standard_normal(n)
    wheel = 1.0 + stated.wheel_rel * rng.standard_normal()
    creep = _slips(rng, ride, faults.slips)
    true_m = ride.metres - ride.metres[0]
    turned = np.concatenate(([0.0], np.cumsum(np.diff(true_m) * (wheel - creep[1:]))))
    speed = ride.speed_m_s * (wheel - creep)
    moving = ride.speed_m_s[::EVERY] > 0.0
    noisy = speed[::EVERY] + np.where(moving, faults.noise_m_s * rng.standard_normal(n), 0.0)
    both = (train.load_m, train.own_m)
    at = np.minimum((ride.metres[::EVERY] / 5.0).astype(int), len(line.slope) - 1)
    columns = {
        "pull": shown,
        "speed": np.maximum(noisy, 0.0),
        "distance": turned[::EVERY],
        "grade": line.under(line.surveyed, *both)[at],
        "curvature": line.under(line.curvature_per_m, *both)[at],
    }
    return Readings(t, columns, wheel)


def _wander(rng: np.random.Generator, n: int, ratio: float) -> NDArray[np.float64]:
    """A stationary series of unit variance whose memory fades by ``exp(-ratio)`` a row."""
    keep = np.exp(-ratio)
    push = rng.standard_normal(n) * np.sqrt(1.0 - keep**2)
    out = np.empty(n)
    held = rng.standard_normal()
    for i, p in enumerate(push.tolist()):
        held = keep * held + p
        out[i] = held
    return out


def _slips(rng: np.random.Generator, ride: Ride, count: int) -> NDArray[np.float64]:
    creep = np.zeros(len(ride.t_s))
    moving = np.flatnonzero(ride.speed_m_s > 3.0)
    for _ in range(count if len(moving) else 0):
        start = int(rng.choice(moving))
        stop = start + int(rng.uniform(10.0, 60.0) / STEP_S)
        creep[start:stop] = rng.uniform(0.01, 0.03)
    return creep

"""Train resistance: A + B·V + C·V² per tonne by weighted robust regression.

Speeds are km/h and resistances N/t inside this module's coefficients, the trade's way to quote
them.
"""

from __future__ import annotations

import math
from collections import Counter
from collections.abc import Mapping, Sequence
from dataclasses import dataclass, field
from typing import TYPE_CHECKING, Final

import numpy as np
from scipy import special

from recorder.analysis.uncertainty.causes import CauseKind, UncertaintyCause
from recorder.analysis.uncertainty.measured import Measured

if TYPE_CHECKING:
    from numpy.typing import NDArray

__all__ = ["ResistanceFit", "bounded", "fit_resistance"]

_RANDOM: Final = UncertaintyCause(CauseKind.FIT)
_UNITS: Final = {"A": "N/t", "B": "N/t/(km/h)", "C": "N/t/(km/h)²"}
LEAST_SPREAD_KM_H: Final = 5.0
"""Of speed, for each term beside A: over less the terms cannot be told apart."""
CHAINS: Final = 500
SWEEPS: Final = 60
"""Twenty thousand draws: means to a hundredth of a standard deviation."""
HELD: Final = 0.9
"""A bound that narrows a term by more than a tenth is said."""
MOST_ROUNDS: Final = 100
"""The fit converges in a dozen; a tie of two residuals may swing for ever."""
HUBER: Final = 1.345
"""Tuning constant for 95 % efficiency under normal errors (P. J. Huber, Robust Statistics)."""


@dataclass(frozen=True, slots=True, kw_only=True)
class ResistanceFit:
    """Coefficients with every cause; per tonne of trailing load."""

    terms: tuple[str, ...]
    """Of ``A`` (N/t), ``B`` (N/t per km/h), ``C`` (N/t per (km/h)²): those that were fitted."""
    coefficients: Mapping[str, Measured]
    covariance: NDArray[np.float64]
    """(p, p) random part only, in the order of ``terms``."""
    common: Mapping[UncertaintyCause, NDArray[np.float64]]
    """Per common cause, (p,) signed standard uncertainties of the coefficients."""
    dof: float
    residual_sd_N_per_t: float
    observations: int
    speed_km_h: tuple[float, float]
    """Slowest and fastest observation: the fit says nothing outside."""
    constraints: tuple[str, ...] = field(default=())

    def at(self, speed_km_h: float) -> Measured:
        """Resistance per tonne at a speed, N/t, with its confidence."""
        row = np.array([speed_km_h ** "ABC".index(t) for t in self.terms])
        beta = np.array([self.coefficients[t].value for t in self.terms])
        value = Measured(
            float(row @ beta),
            "N/t",
            {_RANDOM: math.sqrt(max(float(row @ self.covariance @ row), 0.0))},
            {_RANDOM: self.dof},
        )
        for cause, part in self.common.items():
            value = value.with_part(cause, float(row @ part))
        return value


def fit_resistance(
    speed_km_h: NDArray[np.float64],
    resistance: Sequence[Measured],
    *,
    terms: str = "ABC",
    non_negative: bool = False,
) -> ResistanceFit:
    """Weighted Huber regression of resistance per tonne on speed.

    Parameters
    ----------
    speed_km_h : (n,) float64
    resistance : n values in N/t; parts whose cause appears in more than one of them are common,
        the rest are an observation's own and give its weight.
    terms : which of A, B, C to fit.
    non_negative : no term is below zero: the posterior under that bound, and it is said where
        the bound holds a term up.

    Raises
    ------
    ValueError
        Too few observations or too little spread of speed to tell the terms apart.
    """
    y, kept = np.array([r.value for r in resistance]), tuple(terms)
    shared = _shared_causes(resistance)
    own = np.array([_own_u(r, shared) for r in resistance])
    _check_spread(speed_km_h, kept)
    fit = _huber(speed_km_h, y, own, kept)
    common, dofs = _common(resistance, shared, fit.hat)
    beta, covariance, constraints = fit.beta, fit.covariance, tuple[str, ...]()
    if non_negative:
        whole = covariance + sum(np.outer(v, v) for v in common.values())
        beta, narrowed = bounded(fit.beta, whole)
        covariance = np.asarray(narrowed @ covariance @ narrowed.T)
        common = {c: narrowed @ v for c, v in common.items()}
        within = np.sqrt(np.diag(narrowed @ whole @ narrowed.T) / np.diag(whole))
        constraints = _held_up(kept, within)
    dof = float(max(len(y) - len(kept), 1))
    coefficients = {}
    for i, term in enumerate(kept):
        parts = {_RANDOM: math.sqrt(covariance[i, i])}
        parts.update({cause: float(v[i]) for cause, v in common.items()})
        coefficients[term] = Measured(
            float(beta[i]), _UNITS[term], parts, {_RANDOM: dof, **dofs}
        )
    return ResistanceFit(
        terms=kept,
        coefficients=coefficients,
        covariance=covariance,
        common=common,
        dof=dof,
        residual_sd_N_per_t=fit.residual_sd,
        observations=len(y),
        speed_km_h=(float(speed_km_h.min()), float(speed_km_h.max())),
        constraints=constraints,
    )


def _common(
    resistance: Sequence[Measured], shared: Sequence[UncertaintyCause], hat: NDArray[np.float64]
) -> tuple[dict[UncertaintyCause, NDArray[np.float64]], dict[UncertaintyCause, float]]:
    """Per shared cause, (p,) what it does to the coefficients, and its degrees of freedom."""
    column = {cause: k for k, cause in enumerate(shared)}
    parts, dof = np.zeros((len(resistance), len(shared))), np.full(len(shared), np.inf)
    for row, value in enumerate(resistance):
        for cause, part in value.parts.items():
            k = column.get(cause)
            if k is not None:
                parts[row, k] = part
                dof[k] = min(dof[k], value.dof.get(cause, math.inf))
    moved = hat @ parts
    return (
        {cause: moved[:, k] for cause, k in column.items()},
        {cause: float(dof[k]) for cause, k in column.items()},
    )


def bounded(
    beta: NDArray[np.float64], covariance: NDArray[np.float64], *, seed: int = 1
) -> tuple[NDArray[np.float64], NDArray[np.float64]]:
    """Mean (p,) of a normal posterior that no term below zero is allowed in, and the linear map
    (p, p) that makes the covariance without the bound into the one within.

    By Gibbs sampling of the truncated normal distribution (J. Geweke, 1991, from memory), in
    units of the unbounded standard deviations; the seed is fixed, so that a report repeats.
    """
    sd = np.sqrt(np.diag(covariance))
    scale = np.where(sd > 0.0, sd, 1.0)
    unit = covariance / np.outer(scale, scale) + 1e-9 * np.eye(len(beta))
    precision = np.linalg.inv(unit)
    middle = beta / scale
    rng = np.random.default_rng(seed)
    x = np.tile(np.maximum(middle, 0.1), (CHAINS, 1))
    kept = []
    for sweep in range(SWEEPS):
        for i in range(len(beta)):
            rest = (x - middle) @ precision[i] - (x[:, i] - middle[i]) * precision[i, i]
            mean = middle[i] - rest / precision[i, i]
            width = 1.0 / math.sqrt(precision[i, i])
            low = special.ndtr(-mean / width)
            drawn = low + (1.0 - low) * rng.uniform(1e-12, 1.0 - 1e-12, CHAINS)
            x[:, i] = np.maximum(
                mean + width * special.ndtri(np.minimum(drawn, 1.0 - 1e-15)), 0.0
            )
        if sweep >= SWEEPS // 4:
            kept.append(x.copy())
    draws = np.concatenate(kept)
    within = np.linalg.cholesky(np.cov(draws.T) + 1e-12 * np.eye(len(beta)))
    without = np.linalg.cholesky(unit)
    narrowed = within @ np.linalg.inv(without)
    return draws.mean(axis=0) * scale, np.outer(scale, 1.0 / scale) * narrowed


def _held_up(terms: tuple[str, ...], share: NDArray[np.float64]) -> tuple[str, ...]:
    return tuple(
        f"{t} is bounded by zero, which holds its estimate up"
        for t, s in zip(terms, share, strict=True)
        if s < HELD
    )


def _shared_causes(values: Sequence[Measured]) -> list[UncertaintyCause]:
    seen = Counter(cause for value in values for cause in value.parts)
    return sorted((c for c, n in seen.items() if n > 1), key=lambda c: c.label)


def _own_u(value: Measured, shared: Sequence[UncertaintyCause]) -> float:
    held = set(shared)
    return math.sqrt(math.fsum(p * p for c, p in value.parts.items() if c not in held))


def _check_spread(speed_km_h: NDArray[np.float64], terms: tuple[str, ...]) -> None:
    n = len(speed_km_h)
    if n < len(terms) + 2:
        least = len(terms) + 2
        asked = f"{len(terms)} term{'s' * (len(terms) != 1)}"
        msg = f"resistance: {n} observations cannot carry {asked}; want {least}"
        raise ValueError(msg)
    spread = float(np.ptp(speed_km_h))
    wanted = LEAST_SPREAD_KM_H * (len(terms) - 1)
    if spread < wanted:
        msg = (
            f"resistance: speeds span {spread:.1f} km/h; at least {wanted:.0f} km/h are wanted"
            f" to tell {', '.join(terms)} apart"
        )
        raise ValueError(msg)


@dataclass(frozen=True, slots=True)
class _Regression:
    """p terms of n observations."""

    beta: NDArray[np.float64]
    """(p,)"""
    covariance: NDArray[np.float64]
    """(p, p) random part."""
    hat: NDArray[np.float64]
    """(p, n): the linear map from the observations, weights held."""
    residual_sd: float


def _huber(
    v: NDArray[np.float64],
    y: NDArray[np.float64],
    own: NDArray[np.float64],
    terms: tuple[str, ...],
) -> _Regression:
    # Columns scaled to one: squares of speeds would spoil the condition of the matrix.
    scale = np.array([max(float(np.abs(v).max()), 1.0) ** "ABC".index(t) for t in terms])
    x = np.stack([v ** "ABC".index(t) for t in terms], axis=1) / scale
    floor = max(float(np.median(own)), 1e-9)
    base = 1.0 / np.maximum(own, 0.1 * floor) ** 2
    beta, weight, sigma, z = _reweighted(x, y, base)
    hat = np.linalg.inv(x.T @ (x * weight[:, None])) @ (x * weight[:, None]).T
    residual = y - x @ beta
    n, p = x.shape
    # Weighted residual variance. A scatter below what was assumed of grade and acceleration is
    # luck or their correlation, and makes nothing surer.
    pulled_in = np.minimum(np.abs(residual), HUBER * sigma / np.sqrt(base))
    variance = float(np.sum(base * pulled_in**2)) / (n - p) * _huber_correction(z)
    variance = max(variance, 1.0)
    covariance = (hat * (variance / base)) @ hat.T
    return _Regression(
        beta / scale,
        covariance * np.outer(1.0 / scale, 1.0 / scale),
        hat / scale[:, None],
        float(np.sqrt(np.sum(residual**2) / (n - p))),
    )


def _reweighted(
    x: NDArray[np.float64], y: NDArray[np.float64], base: NDArray[np.float64]
) -> tuple[NDArray[np.float64], NDArray[np.float64], float, NDArray[np.float64]]:
    """Iteratively reweighted least squares: coefficients, weights, scale of the residuals, and
    the residuals in it.
    """
    weight = base.copy()
    beta: NDArray[np.float64] = np.zeros(x.shape[1])
    for _ in range(MOST_ROUNDS):
        root = np.sqrt(weight)
        new = np.asarray(np.linalg.lstsq(x * root[:, None], y * root, rcond=None)[0], float)
        standard = (y - x @ new) * np.sqrt(base)
        # 1.4826: a normal distribution's standard deviation over its median deviation.
        mad = 1.4826 * float(np.median(np.abs(standard - np.median(standard))))
        sigma = max(mad, 1e-12)
        z = np.abs(standard) / sigma
        weight = base * np.where(z <= HUBER, 1.0, HUBER / np.maximum(z, 1e-12))
        done = np.allclose(new, beta, rtol=1e-10, atol=1e-12)
        beta = new
        if done:
            break
    return beta, weight, sigma, z


def _huber_correction(z: NDArray[np.float64]) -> float:
    """Huber's correction for the share of residuals that were pulled in (Huber 1981, 7.6)."""
    share = max(float(np.mean(z <= HUBER)), 0.5)
    return 1.0 / share**2

"""Train resistance: A + B·V + C·V² per tonne by weighted robust regression, and the published
forms.

Speeds are km/h and resistances N/t inside this module's coefficients, the trade's way to quote
them; the published formulas are coded in their own units and converted exactly.
"""

from __future__ import annotations

import math
from collections.abc import Mapping, Sequence
from dataclasses import dataclass, field
from typing import TYPE_CHECKING, Final

import numpy as np

from recorder.analysis.uncertainty.measured import Measured, quantile

if TYPE_CHECKING:
    from numpy.typing import NDArray

__all__ = [
    "ResistanceFit",
    "davis_1926_N_per_t",
    "fit_resistance",
    "modified_davis_N_per_t",
]

N_PER_T: Final = 4.903325
"""1 lb per short ton in newtons per tonne (exact: 9.80665 / 2)."""
KM_H_PER_MPH: Final = 1.609344
T_PER_SHORT_TON: Final = 0.90718474
ENOUGH: Final = 10
"""Degrees of freedom from which observed scatter replaces assumed scatter."""
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
    common: Mapping[str, NDArray[np.float64]]
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
            {"random fit": math.sqrt(max(float(row @ self.covariance @ row), 0.0))},
            {"random fit": self.dof},
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
    non_negative : drop (and say so) terms that come out below zero, most negative first.

    Raises
    ------
    ValueError
        Too few observations or too little spread of speed to tell the terms apart.
    """
    y = np.array([r.value for r in resistance])
    shared = _shared_causes(resistance)
    own = np.array([_own_u(r, shared) for r in resistance])
    constraints: list[str] = []
    wanted = tuple(terms)
    while True:
        _check_spread(speed_km_h, wanted)
        fit = _huber(speed_km_h, y, own, wanted)
        beta = fit[0]
        worst = int(np.argmin(beta)) if len(beta) else 0
        if not non_negative or beta[worst] >= 0.0 or len(wanted) == 1:
            break
        constraints.append(f"{wanted[worst]} came out negative and was set to 0")
        wanted = tuple(t for i, t in enumerate(wanted) if i != worst)
    beta, covariance, hat, sd = fit
    dof = float(max(len(y) - len(wanted), 1))
    common = {c: hat @ np.array([r.parts.get(c, 0.0) for r in resistance]) for c in shared}
    dofs = {c: min(r.dof.get(c, math.inf) for r in resistance) for c in shared}
    units = {"A": "N/t", "B": "N/t/(km/h)", "C": "N/t/(km/h)²"}
    coefficients = {}
    for i, term in enumerate(wanted):
        parts = {"random fit": math.sqrt(covariance[i, i])}
        parts.update({cause: float(v[i]) for cause, v in common.items()})
        coefficients[term] = Measured(
            float(beta[i]), units[term], parts, {"random fit": dof, **dofs}
        )
    return ResistanceFit(
        terms=wanted,
        coefficients=coefficients,
        covariance=covariance,
        common=common,
        dof=dof,
        residual_sd_N_per_t=sd,
        observations=len(y),
        speed_km_h=(float(speed_km_h.min()), float(speed_km_h.max())),
        constraints=tuple(constraints),
    )


def _shared_causes(values: Sequence[Measured]) -> list[str]:
    seen: dict[str, int] = {}
    for value in values:
        for cause in value.parts:
            seen[cause] = seen.get(cause, 0) + 1
    return sorted(c for c, n in seen.items() if n > 1)


def _own_u(value: Measured, shared: Sequence[str]) -> float:
    held = set(shared)
    return math.sqrt(math.fsum(p * p for c, p in value.parts.items() if c not in held))


def _check_spread(speed_km_h: NDArray[np.float64], terms: tuple[str, ...]) -> None:
    n = len(speed_km_h)
    if n < len(terms) + 2:
        least = len(terms) + 2
        msg = f"resistance: {n} observations cannot carry {len(terms)} terms; want {least}"
        raise ValueError(msg)
    spread = float(np.ptp(speed_km_h))
    if len(terms) > 1 and spread < 5.0 * (len(terms) - 1):
        msg = (
            f"resistance: speeds span {spread:.1f} km/h; at least {5 * (len(terms) - 1)} km/h"
            f" are wanted to tell {', '.join(terms)} apart"
        )
        raise ValueError(msg)


def _huber(
    v: NDArray[np.float64],
    y: NDArray[np.float64],
    own: NDArray[np.float64],
    terms: tuple[str, ...],
) -> tuple[NDArray[np.float64], NDArray[np.float64], NDArray[np.float64], float]:
    """Coefficients, their random covariance, the linear map from y, and the residual sd."""
    scale = np.array([max(float(np.abs(v).max()), 1.0) ** "ABC".index(t) for t in terms])
    x = np.stack([v ** "ABC".index(t) for t in terms], axis=1) / scale
    floor = max(float(np.median(own)), 1e-9)
    base = 1.0 / np.maximum(own, 0.1 * floor) ** 2
    weight = base.copy()
    beta = np.zeros(len(terms))
    for _ in range(100):
        root = np.sqrt(weight)
        new = np.linalg.lstsq(x * root[:, None], y * root, rcond=None)[0]
        standard = (y - x @ new) * np.sqrt(base)
        mad = 1.4826 * float(np.median(np.abs(standard - np.median(standard))))
        sigma = max(mad, 1e-12)
        z = np.abs(standard) / sigma
        weight = base * np.where(z <= HUBER, 1.0, HUBER / np.maximum(z, 1e-12))
        done = np.allclose(new, beta, rtol=1e-10, atol=1e-12)
        beta = new
        if done:
            break
    inverse = np.linalg.inv(x.T @ (x * weight[:, None]))
    hat = inverse @ (x * weight[:, None]).T
    residual = y - x @ beta
    n, p = x.shape
    # Weighted residual variance. Own parts are partly assumed (grade, acceleration): where enough
    # pieces show less scatter than was assumed, what they show is taken; few pieces do not.
    chi2 = float(
        np.sum(base * np.minimum(np.abs(residual), HUBER * sigma / np.sqrt(base)) ** 2)
    )
    variance = chi2 / (n - p) * _huber_correction(z)
    if n - p < ENOUGH:
        variance = max(variance, 1.0)
    spread = variance / base
    covariance = (hat * spread) @ hat.T
    back = np.outer(1.0 / scale, 1.0 / scale)
    return (
        beta / scale,
        covariance * back,
        hat / scale[:, None],
        float(np.sqrt(np.sum(residual**2) / (n - p))),
    )


def _huber_correction(z: NDArray[np.float64]) -> float:
    """Huber's correction for the share of residuals that were pulled in (Huber 1981, 7.6)."""
    share = max(float(np.mean(z <= HUBER)), 0.5)
    return 1.0 / share**2


def confidence(fit: ResistanceFit, speed_km_h: float) -> tuple[float, float, float]:
    """Resistance, and its 95 % band, N/t, at a speed."""
    at = fit.at(speed_km_h)
    half = quantile(0.975, at.effective_dof) * at.u
    return at.value, at.value - half, at.value + half


def davis_1926_N_per_t(
    speed_km_h: NDArray[np.float64] | float,
    *,
    axle_load_t: float,
    axles: int,
    b: float = 0.045,
    c: float = 0.0005,
    area_sq_ft: float = 88.0,
) -> NDArray[np.float64]:
    """Davis 1926, freight cars: ``1.3 + 29/w + bV + cAV²/(wn)`` lb per short ton, as N/t.

    W. J. Davis Jr., The Tractive Resistance of Electric Locomotives and Cars, General Electric
    Review 29 (1926). ``w`` short tons per axle, ``n`` axles, ``V`` mph.
    """
    v = np.asarray(speed_km_h, dtype=np.float64) / KM_H_PER_MPH
    w = axle_load_t / T_PER_SHORT_TON
    return np.asarray((1.3 + 29.0 / w + b * v + c * area_sq_ft * v * v / (w * axles)) * N_PER_T)


def modified_davis_N_per_t(
    speed_km_h: NDArray[np.float64] | float,
    *,
    axle_load_t: float,
    axles: int,
    k: float = 0.07,
) -> NDArray[np.float64]:
    """Modified Davis (AREA Committee 16): ``0.6 + 20/w + 0.01V + KV²/(wn)`` lb/short ton, as
    N/t.

    ``K`` 0.07 for conventional cars, 0.0935 containers, 0.16 trailers on flat cars.
    """
    v = np.asarray(speed_km_h, dtype=np.float64) / KM_H_PER_MPH
    w = axle_load_t / T_PER_SHORT_TON
    return np.asarray((0.6 + 20.0 / w + 0.01 * v + k * v * v / (w * axles)) * N_PER_T)

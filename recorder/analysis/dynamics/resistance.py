"""Train resistance: A + B·V + C·V² per tonne by robust generalised least squares.

Speeds are km/h and resistances N/t inside this module's coefficients, the trade's way to quote
them.
"""

from __future__ import annotations

import hashlib
import math
from collections import Counter
from collections.abc import Iterable, Mapping, Sequence
from dataclasses import dataclass, field, replace
from typing import TYPE_CHECKING, Final

import numpy as np
from scipy import special

from calibration.quantities.sentence import amount, between, say
from recorder.analysis.dynamics.regression import (
    Misfit,
    below_bound,
    bounded,
    misfit,
    robust_fit,
)
from recorder.analysis.uncertainty.causes import CauseKind, Extent, UncertaintyCause
from recorder.analysis.uncertainty.measured import Measured

if TYPE_CHECKING:
    from numpy.typing import NDArray

__all__ = ["Correlated", "ResistanceFit", "covariance_of", "fit_resistance"]

_UNITS: Final = {"A": "N/t", "B": "N/t/(km/h)", "C": "N/t/(km/h)²"}
LEAST_SPREAD_KM_H: Final = 5.0
"""Of speed, for each term beside A: over less the terms cannot be told apart."""
NEAR_ZERO: Final = 2.0
"""Standard uncertainties from zero within which a bound moves an estimate: from there on by less
than a twentieth of one (mean of a truncated normal distribution)."""
CONTRADICTED: Final = 0.0027
"""Chance that noise has the bound move the terms so far, by the distribution of the square sum of
as many normal ones: rarer, it states what the observations deny. For one term that is three of
its standard uncertainties."""


@dataclass(frozen=True, slots=True, kw_only=True)
class ResistanceFit:
    """Coefficients with every cause; per tonne of trailing load."""

    terms: tuple[str, ...]
    """Of ``A`` (N/t), ``B`` (N/t per km/h), ``C`` (N/t per (km/h)²): those that were fitted."""
    beta: NDArray[np.float64]
    """(p,) coefficients in the order of ``terms``."""
    random: Mapping[UncertaintyCause, NDArray[np.float64]]
    """Per cause that differs from piece to piece, (p, p) covariance of the coefficients."""
    common: Mapping[UncertaintyCause, NDArray[np.float64]]
    """Per common cause, (p,) signed standard uncertainties of the coefficients."""
    dofs: Mapping[UncertaintyCause, float]
    residual_sd_N_per_t: float
    observations: int
    weights: NDArray[np.float64]
    """(n,) what was left of each observation's own weight: one but for outliers."""
    speed_km_h: tuple[float, float]
    """Slowest and fastest observation: the fit says nothing outside."""
    constraints: tuple[str, ...] = field(default=())

    @property
    def coefficients(self) -> dict[str, Measured]:
        """Coefficients with every cause."""
        rows = np.eye(len(self.terms))
        return {t: self._along(row, _UNITS[t]) for t, row in zip(self.terms, rows, strict=True)}

    def at(self, speed_km_h: float) -> Measured:
        """Resistance per tonne at a speed, N/t, with its confidence."""
        return self._along(np.array([speed_km_h ** "ABC".index(t) for t in self.terms]), "N/t")

    def slope_at(self, speed_km_h: NDArray[np.float64]) -> NDArray[np.float64]:
        """Of the fitted line at speeds (n,), N/t per km/h."""
        powers = np.array(["ABC".index(t) for t in self.terms])
        rising = powers * speed_km_h[:, None] ** np.maximum(powers - 1, 0)
        return np.asarray(rising @ self.beta)

    def _along(self, row: NDArray[np.float64], unit: str) -> Measured:
        """A linear sum of the coefficients."""
        parts = {
            cause: math.sqrt(max(float(row @ part @ row), 0.0))
            for cause, part in self.random.items()
        }
        parts |= {cause: float(row @ part) for cause, part in self.common.items()}
        return Measured(float(row @ self.beta), unit, parts, self.dofs)


@dataclass(frozen=True, slots=True, kw_only=True)
class Correlated:
    """What observations have in common by one cause, each pair as much as it does."""

    covariance: NDArray[np.float64]
    """(n, n), (N/t)²."""
    dof: float = math.inf


def fit_resistance(
    speed_km_h: NDArray[np.float64],
    resistance: Sequence[Measured],
    *,
    terms: str = "ABC",
    non_negative: bool = False,
    correlated: Mapping[UncertaintyCause, Correlated] | None = None,
) -> ResistanceFit:
    """Robust generalised least squares of resistance per tonne on speed.

    Parameters
    ----------
    speed_km_h : (n,) float64
    resistance : n values in N/t; parts whose cause appears in more than one of them are common,
        the rest are an observation's own.
    terms : which of A, B, C to fit.
    non_negative : no term is below zero: the mean of the posterior under that bound, and it is
        said where the bound holds a term up; uncertainties are those without the bound, and the
        scatter that about the line which is stated.
    correlated : further errors that the observations share, by cause.

    Raises
    ------
    ValueError
        Too few observations or too little spread of speed to tell the terms apart, or
        observations that contradict the bound.
    """
    kept, shared = tuple(terms), _shared_causes(resistance)
    _check_spread(speed_km_h, kept)
    y, own = np.array([(r.value, _own_u(r, shared)) for r in resistance]).T
    parts = _shared_parts(resistance, shared)
    x = _powers(speed_km_h, kept)
    held = sum(c.covariance for c in (correlated or {}).values())
    fit = robust_fit(x, y, own, parts @ parts.T + held)
    common, dofs = _moved(fit.hat, resistance, shared, parts)
    digest = _digest(speed_km_h, y, kept)
    known = _of_fit(digest, fit.own, len(kept), correlated or {})
    expected = {c: fit.hat @ k.covariance @ fit.hat.T for c, k in known.items()}
    beta, constraints = fit.beta, tuple[str, ...]()
    missed = misfit(fit, x, y, beta, speed_km_h)
    if non_negative:
        covariance = missed.scatter * sum(expected.values()) + _squares(common.values())
        beta, constraints = _bounded(kept, beta, covariance)
        missed = misfit(fit, x, y, beta, speed_km_h)
    # An assumed part is as sure as it was stated; the scatter between pieces is what they show.
    dofs |= {c: k.dof for c, k in known.items()}
    bent = _bent(missed, fit.hat, digest)
    return ResistanceFit(
        terms=kept,
        beta=beta,
        random={c: missed.scatter * part for c, part in expected.items()},
        common=common | bent,
        dofs=dofs | dict.fromkeys(bent, missed.bent_dof),
        residual_sd_N_per_t=missed.residual_sd,
        observations=len(y),
        weights=fit.weights,
        speed_km_h=(float(speed_km_h.min()), float(speed_km_h.max())),
        constraints=constraints,
    )


def _powers(speed_km_h: NDArray[np.float64], terms: tuple[str, ...]) -> NDArray[np.float64]:
    """Powers (n, p) of the speed that belong to the terms."""
    return np.stack([speed_km_h ** "ABC".index(t) for t in terms], axis=1)


def covariance_of(
    values: Sequence[Measured], weights: NDArray[np.float64]
) -> NDArray[np.float64]:
    """Covariance (n, n) of values by all their causes; what is one's own over its weight."""
    shared = _shared_causes(values)
    parts = _shared_parts(values, shared)
    own = np.array([_own_u(v, shared) for v in values])
    return np.asarray(parts @ parts.T + np.diag(own**2 / weights))


def _moved(
    hat: NDArray[np.float64],
    resistance: Sequence[Measured],
    shared: Sequence[UncertaintyCause],
    parts: NDArray[np.float64],
) -> tuple[dict[UncertaintyCause, NDArray[np.float64]], dict[UncertaintyCause, float]]:
    """Per shared cause, (p,) what it does to the coefficients, and its degrees of freedom."""
    dof = dict.fromkeys(shared, math.inf)
    for value in resistance:
        for cause, held in value.dof.items():
            if cause in dof:
                dof[cause] = min(dof[cause], held)
    moved = hat @ parts
    return {cause: moved[:, k] for k, cause in enumerate(shared)}, dof


def _bounded(
    terms: tuple[str, ...], beta: NDArray[np.float64], covariance: NDArray[np.float64]
) -> tuple[NDArray[np.float64], tuple[str, ...]]:
    """The terms (p,) under the bound, and which it holds up.

    The bound moves the estimate and makes nothing surer: an interval narrowed by it misses a term
    that is not far above zero far more often than it says (found by drawn trials).

    Raises
    ------
    ValueError
        The observations contradict it.
    """
    away = beta / np.sqrt(np.diag(covariance))
    if special.chdtrc(len(beta), below_bound(beta, covariance) ** 2) < CONTRADICTED:
        k = int(np.argmin(away))
        spread = float(2.0 * beta[k] / away[k])
        msg = say(
            "resistance: the observations contradict one that is nowhere below zero and does not"
            f" fall with speed: {terms[k]} of {', '.join(terms)} is ",
            between(float(beta[k]), spread, _UNITS[terms[k]], digits=2, joined=" ± "),
            " (k = 2); check grade, sign and mass",
        )
        raise ValueError(msg)
    return bounded(beta, covariance), _held_up(terms, away)


def _digest(
    speed_km_h: NDArray[np.float64], y: NDArray[np.float64], terms: tuple[str, ...]
) -> str:
    """Of what was fitted: another fit has errors of its own."""
    digest = hashlib.sha256("".join(terms).encode())
    for values in (speed_km_h, y):
        digest.update(np.ascontiguousarray(values).tobytes())
    return digest.hexdigest()[:8]


def _of_fit(
    digest: str,
    own: NDArray[np.float64],
    terms: int,
    correlated: Mapping[UncertaintyCause, Correlated],
) -> dict[UncertaintyCause, Correlated]:
    """By cause of this fit alone, what differs from piece to piece: it acts on the coefficients
    without a sign that another figure could share.
    """
    extent = Extent("fit", digest)
    parts = {replace(cause, extent=extent): held for cause, held in correlated.items()}
    dof = float(max(len(own) - terms, 1))
    scatter = Correlated(covariance=np.diag(own), dof=dof)
    return {UncertaintyCause(CauseKind.FIT, digest): scatter} | parts


def _bent(
    missed: Misfit, hat: NDArray[np.float64], digest: str
) -> dict[UncertaintyCause, NDArray[np.float64]]:
    """What the shape of the line misses, at all speeds alike."""
    shape = UncertaintyCause(CauseKind.MISFIT, digest)
    return {shape: missed.bent * hat.sum(axis=1)} if missed.bent > 0.0 else {}


def _squares(parts: Iterable[NDArray[np.float64]]) -> NDArray[np.float64]:
    """Covariance (p, p) of what moves all terms at once."""
    return np.asarray(sum((np.outer(v, v) for v in parts), np.zeros((1, 1))))


def _held_up(terms: tuple[str, ...], away: NDArray[np.float64]) -> tuple[str, ...]:
    """Terms whose unbounded estimate, in its own standard uncertainties, is near zero."""
    return tuple(
        f"{t} is bounded by zero, which holds its estimate up"
        for t, z in zip(terms, away, strict=True)
        if z < NEAR_ZERO
    )


def _shared_causes(values: Sequence[Measured]) -> list[UncertaintyCause]:
    seen = Counter(cause for value in values for cause in value.parts)
    return sorted((c for c, n in seen.items() if n > 1), key=lambda c: c.label)


def _shared_parts(
    values: Sequence[Measured], shared: Sequence[UncertaintyCause]
) -> NDArray[np.float64]:
    """Signed parts (n, causes) of the shared causes."""
    column = {cause: k for k, cause in enumerate(shared)}
    parts = np.zeros((len(values), len(shared)))
    for row, value in enumerate(values):
        for cause, part in value.parts.items():
            k = column.get(cause)
            if k is not None:
                parts[row, k] = part
    return parts


def _own_u(value: Measured, shared: Sequence[UncertaintyCause]) -> float:
    held = set(shared)
    return math.sqrt(math.fsum(p * p for c, p in value.parts.items() if c not in held))


def _check_spread(speed_km_h: NDArray[np.float64], terms: tuple[str, ...]) -> None:
    n = len(speed_km_h)
    if n < len(terms) + 2:
        least = len(terms) + 2
        asked = f"{len(terms)} term{'s' * (len(terms) != 1)}"
        msg = f"resistance: {n} observations cannot carry {asked}; at least {least} are needed"
        raise ValueError(msg)
    spread = float(np.ptp(speed_km_h))
    wanted = LEAST_SPREAD_KM_H * (len(terms) - 1)
    if spread < wanted:
        msg = say(
            "resistance: speeds span ",
            amount(spread, "km/h", 1),
            "; at least ",
            amount(wanted, "km/h", 0),
            f" are wanted to tell {', '.join(terms)} apart",
        )
        raise ValueError(msg)

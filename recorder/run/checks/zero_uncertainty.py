"""How sure the zero is at any time of a run: what was seen of it, and what may have gone unseen.

The one rule for every figure: the zeros' own uncertainty and what they show of the drift come
from the line through them; where they show too little, the drift of such a cell is assumed.
"""

from __future__ import annotations

from dataclasses import replace
from typing import TYPE_CHECKING, Final

import numpy as np

from calibration.field.zero_drift import UNKNOWN_ZERO, zero_drift_of

if TYPE_CHECKING:
    from numpy.typing import ArrayLike, NDArray

    from calibration.certificates.force import ForceCertificate
    from recorder.run.checks.zero_line import ZeroLine

__all__ = ["greatest_zero_u_kN", "shows_drift", "unseen_s", "zero_u_kN"]

LEAST_SPANNED: Final = 0.5
"""Share of the run that several zeros must span before their changes are taken to show its drift:
less would carry the pace of some minutes over more time than it was seen in (our choice)."""
_POINTS: Final = 33
"""Points between two zeros at which the uncertainty is looked at: one lies in the middle, where
the drift's part is greatest."""


def shows_drift(line: ZeroLine | None, duration_s: float) -> bool:
    """Whether zeros span enough of a run to show how it drifted: never one alone, or none."""
    if line is None or len(line.t_s) < 2:
        return False
    spanned_s = min(float(line.t_s[-1]), duration_s) - max(float(line.t_s[0]), 0.0)
    return spanned_s >= LEAST_SPANNED * duration_s


def unseen_s(line: ZeroLine | None, t_s: ArrayLike, duration_s: float) -> NDArray[np.float64]:
    """Seconds (...) from an instant of the run to the zeros, where they do not show the drift.

    0 where they do, and between the first and the last; no zero says nothing of any of the run.
    """
    t = np.asarray(t_s, dtype=np.float64)
    if line is None:
        return np.full(t.shape, duration_s)
    if shows_drift(line, duration_s):
        return np.zeros(t.shape)
    return np.asarray(np.maximum(line.t_s[0] - t, 0.0) + np.maximum(t - line.t_s[-1], 0.0))


def zero_u_kN(
    line: ZeroLine | None,
    certificate: ForceCertificate,
    t_s: ArrayLike,
    *,
    duration_s: float,
    span_K: float = 0.0,
) -> NDArray[np.float64]:
    """Standard uncertainty (...) of the zero in kN at (...) run times.

    Parameters
    ----------
    line
        Through the zeros that hold; None when there is none, and the certificate's own stands.
    duration_s
        Of the run.
    span_K
        Change of temperature that was recorded over the run; 0 when none was.
    """
    t = np.asarray(t_s, dtype=np.float64)
    unknown = UNKNOWN_ZERO * certificate.capacity_kN
    if line is None:
        seen = np.full(t.shape, unknown)
    else:
        slope = abs(certificate.tension.coefficients[1])
        own = np.where(np.isnan(line.u_counts), unknown / slope, line.u_counts)
        seen = replace(line, u_counts=own).u_at(t) * slope
    away_s = unseen_s(line, t, duration_s)
    drifted = zero_drift_of(certificate).u_kN(away_s, span_K=span_K)
    return np.asarray(np.hypot(seen, drifted))


def greatest_zero_u_kN(
    line: ZeroLine | None,
    certificate: ForceCertificate,
    *,
    duration_s: float,
    span_K: float = 0.0,
) -> float:
    """The greatest of :func:`zero_u_kN` over the run."""
    points = [np.array([0.0, duration_s])]
    if line is not None:
        points += [line.t_s]
        points += [
            np.linspace(a, b, _POINTS) for a, b in zip(line.t_s[:-1], line.t_s[1:], strict=True)
        ]
    t = np.clip(np.concatenate(points), 0.0, max(duration_s, 0.0))
    u = zero_u_kN(line, certificate, t, duration_s=duration_s, span_K=span_K)
    return float(np.max(u))

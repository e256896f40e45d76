"""In the field: zero and shunt checks before and after a run, and zero drift between them.

A check never stops a run; it says loudly what is out of limits, and its result is recorded.
The zero of a run is the line through the zeros taken; what it may have done in between enters
the uncertainty.
"""

from __future__ import annotations

import math
from collections.abc import Sequence
from dataclasses import dataclass
from typing import TYPE_CHECKING, Any

import numpy as np

from calibration.certificates.force import ForceCertificate

if TYPE_CHECKING:
    from numpy.typing import ArrayLike, NDArray

__all__ = ["FieldCheck", "ZeroLine", "check_drift", "check_shunt", "check_zero", "zero_line"]


@dataclass(frozen=True, slots=True, kw_only=True)
class FieldCheck:
    """One check and its verdict."""

    kind: str
    """``"zero"``, ``"shunt"`` or ``"drift"``."""
    passed: bool | None
    """None: the certificate states nothing to compare with."""
    counts: float
    """What was found: the zero, or the deflection by the shunt."""
    expected_counts: float | None
    difference_counts: float | None
    limit_counts: float | None
    difference_kN: float | None
    """The difference as force at the slope near zero."""
    text: str
    """One line for the crew."""

    def to_document(self) -> dict[str, Any]:
        """Plain JSON, for the run file's events."""
        return {
            "kind": self.kind,
            "passed": self.passed,
            "counts": self.counts,
            "expected_counts": self.expected_counts,
            "difference_counts": self.difference_counts,
            "limit_counts": self.limit_counts,
            "difference_kN": self.difference_kN,
            "text": self.text,
        }


def check_zero(certificate: ForceCertificate, counts: ArrayLike) -> FieldCheck:
    """Compare the zero with the bench's.

    ``counts`` (n,) of the unloaded cell, n ≥ 1; their mean is the zero. Raises ``ValueError``
    without a finite count.
    """
    mean, noise, n = _mean(counts)
    difference = mean - certificate.nominal_zero_counts
    slope = certificate.tension.coefficients[1]
    limit = certificate.zero_limit_counts
    return _verdict(
        certificate, "zero", mean, certificate.nominal_zero_counts, difference, limit, slope,
        f"{n} counts, sd {noise:.1f}",
    )  # fmt: skip


def check_shunt(
    certificate: ForceCertificate, counts: ArrayLike, *, zero_counts: float
) -> FieldCheck:
    """Compare the deflection by the shunt resistor with the bench's.

    ``counts`` (n,) with the shunt across its arm and the cell unloaded.
    """
    mean, noise, n = _mean(counts)
    deflection = mean - zero_counts
    slope = certificate.tension.coefficients[1]
    shunt = certificate.shunt
    if shunt is None:
        return _verdict(
            certificate, "shunt", deflection, None, None, None, slope, f"{n} counts"
        )
    return _verdict(
        certificate, "shunt", deflection, shunt.deflection_counts,
        deflection - shunt.deflection_counts, shunt.limit_counts, slope,
        f"{n} counts, sd {noise:.1f}",
    )  # fmt: skip


def check_drift(
    certificate: ForceCertificate, zero_before: float, zero_after: float
) -> FieldCheck:
    """Compare the zero after a run with the zero before it, limit as for the zero check."""
    slope = certificate.tension.coefficients[1]
    return _verdict(
        certificate, "drift", zero_after, zero_before, zero_after - zero_before,
        certificate.zero_limit_counts, slope, "zero after the run against zero before it",
    )  # fmt: skip


def _mean(counts: ArrayLike) -> tuple[float, float, int]:
    values = np.asarray(counts, dtype=np.float64).ravel()
    values = values[np.isfinite(values)]
    if len(values) == 0:
        msg = "a field check needs at least one count"
        raise ValueError(msg)
    return float(np.mean(values)), float(np.std(values)), len(values)


def _verdict(
    certificate: ForceCertificate,
    kind: str,
    counts: float,
    expected: float | None,
    difference: float | None,
    limit: float | None,
    slope: float,
    detail: str,
) -> FieldCheck:
    force = None if difference is None else difference * slope
    if difference is None or limit is None or force is None:
        passed, what = None, f"certificate {certificate.certificate_id} states no limit"
    else:
        passed = abs(difference) <= limit
        state = "in limits" if passed else "OUT OF LIMITS"
        what = (
            f"{state}: {difference:+.0f} counts ({force:+.3g} kN) from what was expected,"
            f" limit ±{limit:.0f}"
        )
        if not passed:
            what += "; look at cell, cable and amplifier before trusting the pull"
    return FieldCheck(
        kind=kind,
        passed=passed,
        counts=counts,
        expected_counts=expected,
        difference_counts=difference,
        limit_counts=limit,
        difference_kN=force,
        text=f"{kind} check {what} ({detail})",
    )


@dataclass(frozen=True, slots=True)
class ZeroLine:
    """The zero over a run: straight between the zeros taken, level before and after."""

    t_s: tuple[float, ...]
    """Run time of each zero, strictly rising."""
    counts: tuple[float, ...]
    u_counts: tuple[float, ...]
    """Standard uncertainty of each zero."""

    def at(self, t_s: ArrayLike) -> NDArray[np.float64]:
        """Zero counts at run times; (...) float64."""
        return np.asarray(np.interp(np.asarray(t_s, np.float64), self.t_s, self.counts))

    def u_at(self, t_s: ArrayLike) -> NDArray[np.float64]:
        """Standard uncertainty of the zero in counts at run times; (...) float64.

        The zeros' own uncertainty, carried along the line, and in quadrature what the drift
        may have done off the line: nothing at a zero, at the middle between two a rectangular
        ± half of the change between them. Beyond the last zero (or before the first) the
        largest change seen between zeros, rectangular; with one zero only it is not known and
        only that zero's own uncertainty is given.
        """
        t = np.asarray(t_s, dtype=np.float64)
        times = np.asarray(self.t_s)
        own = np.interp(t, times, self.u_counts)
        if len(times) == 1:
            return np.asarray(own)
        changes = np.abs(np.diff(self.counts))
        k = np.clip(np.searchsorted(times, t, side="right") - 1, 0, len(times) - 2)
        share = np.clip((t - times[k]) / (times[k + 1] - times[k]), 0.0, 1.0)
        between = changes[k] / 2.0 * 4.0 * share * (1.0 - share)
        beyond = np.where((t < times[0]) | (t > times[-1]), float(np.max(changes)), 0.0)
        return np.asarray(np.hypot(own, (between + beyond) / math.sqrt(3.0)))

    @property
    def drift_counts(self) -> float:
        """Change from the first zero to the last; 0 with one zero."""
        return self.counts[-1] - self.counts[0]


def zero_line(
    t_s: Sequence[float], counts: Sequence[float], u_counts: Sequence[float] | None = None
) -> ZeroLine:
    """Make a zero line from the zeros taken, in any order.

    Raises
    ------
    ValueError
        No zero, values that are not finite, or two zeros at one instant.
    """
    sds = [0.0] * len(t_s) if u_counts is None else list(u_counts)
    if not len(t_s) == len(counts) == len(sds) or len(t_s) == 0:
        msg = "a zero line needs as many times as zeros, and at least one"
        raise ValueError(msg)
    rows = sorted(zip(map(float, t_s), map(float, counts), map(float, sds), strict=True))
    if not all(math.isfinite(v) for row in rows for v in row) or any(r[2] < 0 for r in rows):
        msg = "times, zeros and uncertainties of a zero line must be finite"
        raise ValueError(msg)
    times = [row[0] for row in rows]
    if len(set(times)) != len(times):
        msg = "two zeros were taken at one instant"
        raise ValueError(msg)
    return ZeroLine(tuple(times), tuple(r[1] for r in rows), tuple(r[2] for r in rows))

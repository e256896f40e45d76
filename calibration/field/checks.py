"""Zero and shunt checks against the certificate, and zero drift over a run: arithmetic alone.

A check never stops a run: it shows loudly what is out of limits, and is kept.
"""

from __future__ import annotations

from collections.abc import Mapping
from dataclasses import asdict, dataclass
from enum import StrEnum
from typing import TYPE_CHECKING, Any, Final, Self

from calibration.field.zero_drift import UNKNOWN_ZERO, zero_drift_of
from calibration.quantities.sentence import amount, say

if TYPE_CHECKING:
    from calibration.certificates.force import ForceCertificate
    from calibration.field.mean_counts import MeanCounts

__all__ = [
    "CheckKind",
    "FieldCheck",
    "check_drift",
    "check_shunt",
    "check_zero",
    "stands_at_rail",
    "unsteady",
]

SURE_DRIFT: Final = 3.0
"""Standard uncertainties of a drift by the noise beside it, beyond which it is no chance."""
RESTLESS_SHARE: Final = 0.01
"""Of capacity: a zero that moves by more was not taken at rest; from experience."""
SPREAD_SD: Final = 3.0
"""Deviations to either side that hold nearly all counts of a cell at rest."""


class CheckKind(StrEnum):
    """What was compared."""

    ZERO = "zero"
    SHUNT = "shunt"
    DRIFT = "drift"


@dataclass(frozen=True, slots=True, kw_only=True)
class FieldCheck:
    """One check and its verdict."""

    kind: CheckKind
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
        return {**asdict(self), "kind": str(self.kind)}

    @classmethod
    def from_document(cls, document: object) -> Self | None:
        """Inverse of :meth:`to_document`; None for anything else."""
        if not isinstance(document, Mapping):
            return None
        passed = document.get("passed")
        try:
            return cls(
                kind=CheckKind(document["kind"]),
                passed=passed if isinstance(passed, bool) else None,
                counts=float(document["counts"]),
                text=str(document["text"]),
                **{name: _optional(document, name) for name in _OPTIONAL},
            )
        except (KeyError, TypeError, ValueError, OverflowError):
            return None


_OPTIONAL: Final = ("expected_counts", "difference_counts", "limit_counts", "difference_kN")


def check_zero(certificate: ForceCertificate, zero: MeanCounts) -> FieldCheck:
    """Compare a zero of the unloaded cell with the bench's."""
    return _verdict(
        certificate,
        CheckKind.ZERO,
        zero.mean,
        certificate.nominal_zero_counts,
        certificate.zero_limit_counts,
        f"{zero.n} counts, sd {zero.sd:.1f}",
        by="the bench's zero",
    )


def check_shunt(
    certificate: ForceCertificate, opened: MeanCounts, shunted: MeanCounts
) -> FieldCheck:
    """Compare the deflection by the shunt resistor with the bench's, the cell unloaded.

    ``opened`` without the resistor across its bridge arm, ``shunted`` with it.
    """
    stated = certificate.shunt
    return _verdict(
        certificate,
        CheckKind.SHUNT,
        shunted.mean - opened.mean,
        None if stated is None else stated.deflection_counts,
        None if stated is None else stated.limit_counts,
        f"{shunted.n} counts, sd {shunted.sd:.1f}",
        by="the bench's deflection",
    )


def check_drift(
    certificate: ForceCertificate, first_counts: float, last_counts: float
) -> FieldCheck:
    """Compare the last zero of a run with its first, limit as for the zero check."""
    return _verdict(
        certificate,
        CheckKind.DRIFT,
        last_counts,
        first_counts,
        certificate.zero_limit_counts,
        "last zero of the run against its first",
        by="the first",
    )


def stands_at_rail(certificate: ForceCertificate, found: MeanCounts) -> bool:
    """Whether the converter stood at a rail: such a mean tells nothing."""
    low, high = certificate.rails
    return found.lowest <= low or found.highest >= high


def unsteady(certificate: ForceCertificate, zero: MeanCounts) -> str:
    """Why a zero cannot have been taken at rest; empty when it can.

    It drifted by more than its own noise can be taken for, and by more than the zero of such a
    cell does unseen; or it moved by more than any cell at rest, however noisy.
    """
    slope = abs(certificate.tension.coefficients[1])
    drift_kN, noise_kN = abs(zero.drift) * slope, zero.u_drift * slope
    if drift_kN > max(drift_limit_kN(certificate), SURE_DRIFT * noise_kN):
        return f"drift {drift_kN:.3g} kN"
    limit_kN = max(certificate.zero_band_kN, RESTLESS_SHARE * certificate.capacity_kN)
    for what, moved_kN in (("drift", drift_kN), ("spread", SPREAD_SD * zero.sd * slope)):
        if moved_kN > limit_kN:
            return f"{what} {moved_kN:.3g} kN"
    return ""


def drift_limit_kN(certificate: ForceCertificate) -> float:
    """What the zero of a cell may move while it is taken: twice what it may do unseen as soon as
    it has been loaded, and no less than what an untaken zero is worth."""
    at_once_kN = zero_drift_of(certificate).at_once_kN
    return max(2.0 * at_once_kN, UNKNOWN_ZERO * certificate.capacity_kN)


def _verdict(
    certificate: ForceCertificate,
    kind: CheckKind,
    counts: float,
    expected: float | None,
    limit: float | None,
    detail: str,
    *,
    by: str,
) -> FieldCheck:
    difference = None if expected is None else counts - expected
    force = None if difference is None else difference * certificate.tension.coefficients[1]
    if difference is None or limit is None:
        passed: bool | None = None
        what: str = f"certificate {certificate.certificate_id} states no limit"
    else:
        # Of the counts of numpy the comparison would be its boolean.
        passed = bool(abs(difference) <= limit)
        state = "in limits" if passed else "OUT OF LIMITS"
        look = "; look at cell, cable and amplifier before trusting the pull"
        kN = 0.0 if force is None else force
        what = say(
            f"{state}: {difference:+.0f} counts ({'+' * (kN >= 0.0)}",
            amount(kN, "kN"),
            f") from {by}, limit ±{limit:.0f}{look * (not passed)}",
        )
    return FieldCheck(
        kind=kind,
        passed=passed,
        counts=counts,
        expected_counts=expected,
        difference_counts=difference,
        limit_counts=limit,
        difference_kN=force,
        text=say(f"{kind} check ", what, f" ({detail})"),
    )


def _optional(document: Mapping[str, Any], name: str) -> float | None:
    value = document[name]
    return None if value is None else float(value)

"""What speaks for a zero and against it: the guards a zero is asked before it is believed.

A zero is counts at no force. Counts alone do not show that: a train that pulls steadily gives
counts as still as one at rest. So each guard asks another witness, and says what it was told: a
value, its limit, and passed, refused, or not known. Not known is never passed.
"""

from __future__ import annotations

import math
from collections.abc import Mapping
from dataclasses import asdict, dataclass
from enum import StrEnum
from typing import TYPE_CHECKING, Any, Final, Self

import numpy as np

from calibration.field.checks import stands_at_rail, unsteady
from calibration.field.zero_drift import UNKNOWN_ZERO, zero_drift_of
from calibration.quantities.receiver import RECEIVER_REST_M_S

if TYPE_CHECKING:
    from collections.abc import Iterable

    from numpy.typing import NDArray

    from calibration.certificates.force import ForceCertificate
    from calibration.field.mean_counts import MeanCounts

__all__ = [
    "ExpectedZero",
    "GuardAnswer",
    "GuardKind",
    "ZeroGuard",
    "doubted_u",
    "expected_zero",
    "guard_offset",
    "guard_rail",
    "guard_receiver",
    "guard_scatter",
    "guard_wheel",
    "railed",
    "standing",
]

MOST_PULSES: Final = 2
"""An edge under the sensor of a wheel at rest is counted to and fro: one pulse, two with both
tracks (from experience)."""
USUAL_LIMIT: Final = 0.01
"""Share of capacity that a zero may lie off the one before it, where the certificate states no
limit: as a bench states it by default."""
SURE: Final = 2.0
"""Standard uncertainties of what was expected that a zero may lie off beyond the limit."""


class GuardKind(StrEnum):
    """Which witness was asked."""

    WHEEL = "wheel"
    RECEIVER = "receiver"
    RAIL = "rail"
    SCATTER = "scatter"
    OFFSET = "offset"


class GuardAnswer(StrEnum):
    """What it said of the zero."""

    PASSED = "passed"
    REFUSED = "refused"
    NOT_KNOWN = "not known"


MOTION: Final = frozenset({GuardKind.WHEEL, GuardKind.RECEIVER})
"""Those that tell whether the train stood."""


@dataclass(frozen=True, slots=True, kw_only=True)
class ZeroGuard:
    """One witness and its answer."""

    kind: GuardKind
    answer: GuardAnswer
    value: float | None = None
    """What it showed, in :attr:`unit`; None when it showed nothing."""
    limit: float | None = None
    """Beyond this it refuses; None when there is none to go by."""
    unit: str = ""
    text: str = ""
    """The same in words."""

    def to_document(self) -> dict[str, Any]:
        """Plain JSON, for the run file's events."""
        return {**asdict(self), "kind": str(self.kind), "answer": str(self.answer)}

    @classmethod
    def from_document(cls, document: object) -> Self | None:
        """Inverse of :meth:`to_document`; None for anything else."""
        if not isinstance(document, Mapping):
            return None
        try:
            return cls(
                kind=GuardKind(document["kind"]),
                answer=GuardAnswer(document["answer"]),
                value=_optional(document.get("value")),
                limit=_optional(document.get("limit")),
                unit=str(document.get("unit", "")),
                text=str(document.get("text", "")),
            )
        except (KeyError, TypeError, ValueError, OverflowError):
            return None


@dataclass(frozen=True, slots=True, kw_only=True)
class ExpectedZero:
    """Where the zero should lie, before it is taken."""

    counts: float
    u_counts: float
    """Standard uncertainty of that: of the zero before it, and what it may have drifted since."""
    limit_counts: float | None
    """Farther off, it is not believed; None: the certificate states no limit."""
    by: str
    """What it is expected by, in words."""


def expected_zero(
    certificate: ForceCertificate,
    last_counts: float | None = None,
    last_u_counts: float = math.nan,
    since_s: float = 0.0,
) -> ExpectedZero:
    """What is expected of the next zero: the last one accepted, else the bench's.

    Parameters
    ----------
    last_counts, last_u_counts
        The last accepted zero and its standard uncertainty (NaN: not known), in counts; None
        when none was accepted.
    since_s
        Seconds from that to the one to come.
    """
    per_kN = 1.0 / abs(certificate.tension.coefficients[1])
    stated = certificate.zero_limit_counts
    if last_counts is None:
        u = UNKNOWN_ZERO * certificate.capacity_kN * per_kN
        return ExpectedZero(
            counts=certificate.nominal_zero_counts,
            u_counts=u,
            # The certificate's own limit, as of the zero check: no two say different things of one.
            limit_counts=stated,
            by=f"the zero of certificate {certificate.certificate_id}",
        )
    own = last_u_counts
    if not math.isfinite(own):
        own = UNKNOWN_ZERO * certificate.capacity_kN * per_kN
    drift = float(zero_drift_of(certificate).u_kN(since_s)) * per_kN
    u = math.hypot(own, drift)
    limit = USUAL_LIMIT * certificate.capacity_kN * per_kN if stated is None else stated
    # An unsure zero before it makes the next one no easier to believe: its own part is left out.
    return ExpectedZero(
        counts=last_counts,
        u_counts=u,
        limit_counts=limit + SURE * drift,
        by="the zero before it",
    )


# ---------------------------------------------------------------------- the guards


def guard_wheel(pulses: int | None, *, m_per_pulse: float | None, device: str) -> ZeroGuard:
    """Whether the wheel turned. ``pulses`` is the greatest less the least count, None: nothing
    came of it."""
    kind = GuardKind.WHEEL
    if pulses is None:
        words = f"{device} sent nothing"
        return ZeroGuard(kind=kind, answer=GuardAnswer.NOT_KNOWN, unit="pulses", text=words)
    moved = "" if m_per_pulse is None else f" ({pulses * m_per_pulse:.3g} m)"
    refused = pulses > MOST_PULSES
    verb = "THE TRAIN MOVED, " if refused else ""
    return ZeroGuard(
        kind=kind,
        answer=GuardAnswer.REFUSED if refused else GuardAnswer.PASSED,
        value=float(pulses),
        limit=float(MOST_PULSES),
        unit="pulses",
        text=f"{verb}{device}: {pulses} pulses{moved}, at most {MOST_PULSES}",
    )


def guard_receiver(speed_m_s: NDArray[np.float64] | None, *, device: str) -> ZeroGuard:
    """Whether the receiver saw the train run: the median of its (n,) speeds, m/s, with a fix.
    None: it sent nothing at all."""
    kind, unit = GuardKind.RECEIVER, "m/s"
    known = np.empty(0) if speed_m_s is None else speed_m_s[np.isfinite(speed_m_s)]
    if not len(known):
        words = f"{device} {'sent nothing' if speed_m_s is None else 'has no fix'}"
        return ZeroGuard(kind=kind, answer=GuardAnswer.NOT_KNOWN, unit=unit, text=words)
    speed = float(np.median(np.abs(known)))
    refused = speed > RECEIVER_REST_M_S
    verb = "THE TRAIN MOVED, " if refused else ""
    return ZeroGuard(
        kind=kind,
        answer=GuardAnswer.REFUSED if refused else GuardAnswer.PASSED,
        value=speed,
        limit=RECEIVER_REST_M_S,
        unit=unit,
        text=f"{verb}{device}: {speed:.2f} m/s, at most {RECEIVER_REST_M_S:g}",
    )


def guard_rail(certificate: ForceCertificate, found: MeanCounts) -> ZeroGuard:
    """Whether the converter stood at a rail: then there is no zero at all."""
    at_rail = stands_at_rail(certificate, found)
    return ZeroGuard(
        kind=GuardKind.RAIL,
        answer=GuardAnswer.REFUSED if at_rail else GuardAnswer.PASSED,
        value=found.highest
        if at_rail and found.highest >= certificate.rails[1]
        else found.lowest,
        limit=float(certificate.rails[0 if found.lowest <= certificate.rails[0] else 1]),
        unit="counts",
        text="the converter stands at its rail; look at cable and cell"
        if at_rail
        else "off rails",
    )


def guard_scatter(certificate: ForceCertificate, found: MeanCounts) -> ZeroGuard:
    """Whether the counts held still."""
    restless = unsteady(certificate, found)
    return ZeroGuard(
        kind=GuardKind.SCATTER,
        answer=GuardAnswer.REFUSED if restless else GuardAnswer.PASSED,
        value=found.sd,
        limit=None,
        unit="counts",
        text=f"NOT STEADY, {restless}" if restless else f"steady, sd {found.sd:.1f} counts",
    )


def guard_offset(
    certificate: ForceCertificate, found: MeanCounts, expected: ExpectedZero
) -> ZeroGuard:
    """Whether it lies where a zero can lie."""
    offset = found.mean - expected.counts
    force = offset * certificate.tension.coefficients[1]
    where = f"{offset:+.0f} counts ({force:+.3g} kN) from {expected.by}"
    if expected.limit_counts is None:
        answer, text = GuardAnswer.NOT_KNOWN, f"{where}, no limit is stated"
    else:
        refused = abs(offset) > expected.limit_counts
        answer = GuardAnswer.REFUSED if refused else GuardAnswer.PASSED
        most = f"at most {expected.limit_counts:.0f}"
        text = f"{'OUT OF LIMITS, ' * refused}{where}, {most}"
    return ZeroGuard(
        kind=GuardKind.OFFSET,
        answer=answer,
        value=offset,
        limit=expected.limit_counts,
        unit="counts",
        text=text,
    )


# ---------------------------------------------------------------------- what they say together


def standing(guards: Iterable[ZeroGuard]) -> GuardAnswer:
    """Whether the train stood, by wheel and receiver: one that saw it move is enough."""
    answers = {guard.answer for guard in guards if guard.kind in MOTION}
    for answer in (GuardAnswer.REFUSED, GuardAnswer.PASSED):
        if answer in answers:
            return answer
    return GuardAnswer.NOT_KNOWN


def railed(guards: Iterable[ZeroGuard]) -> bool:
    """Whether the counts stood at a rail of the converter."""
    return any(
        guard.kind is GuardKind.RAIL and guard.answer is GuardAnswer.REFUSED for guard in guards
    )


def doubted_u(u_counts: float, offset_counts: float, expected: ExpectedZero) -> float:
    """Standard uncertainty in counts of a zero that may be a force.

    What lies between it and the expected zero may be zero or force: rectangular over that, and
    no surer than what was expected. So a doubted zero is never worth more than none.
    """
    return math.hypot(u_counts, math.hypot(offset_counts / math.sqrt(3.0), expected.u_counts))


def _optional(value: object) -> float | None:
    if value is None or isinstance(value, bool) or not isinstance(value, int | float):
        return None
    return float(value)

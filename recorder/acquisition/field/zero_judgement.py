"""Whether a zero is accepted: its guards together, what the crew wish, and how sure it then is."""

from __future__ import annotations

import math
from dataclasses import dataclass
from typing import TYPE_CHECKING, Final

from calibration.field.checks import check_zero
from calibration.field.zero_guards import (
    GuardAnswer,
    GuardKind,
    doubted_u,
    expected_zero,
    guard_offset,
    guard_rail,
    guard_scatter,
    railed,
    standing,
)
from recorder.run.checks.zero_line import Zero

if TYPE_CHECKING:
    from calibration.certificates.force import ForceCertificate
    from calibration.field.mean_counts import MeanCounts
    from calibration.field.zero_guards import ExpectedZero, ZeroGuard
    from recorder.run.checks.zero_line import ZeroTime, ZeroWish

__all__ = ["TakenZero", "judged_zero"]

NOTHING_CAME: Final = "nothing came; the last accepted zero, or the certificate's, still holds"
WHAT_TO_DO: Final = (
    "the zero before it, else the certificate's, holds; train at rest, coupler slack (local rules"
    " first), then take it again"
)


@dataclass(frozen=True, slots=True, kw_only=True)
class TakenZero:
    """A zero as it was collected, before anybody judged it."""

    channel: str
    certificate: ForceCertificate
    found: MeanCounts | None
    """None: nothing came."""
    motion: tuple[ZeroGuard, ...]
    """What wheel and receiver saw meanwhile."""
    last: Zero | None
    """The zero accepted before it."""
    seconds: float
    t_s: float
    """Run time it stands for."""
    when: ZeroTime


def judged_zero(taken: TakenZero, wish: ZeroWish) -> Zero:
    """The zero accepted or refused.

    A guard that refuses is enough to refuse it; a wish to force it is kept with its reason, and
    its uncertainty then covers the doubt. Where nothing came, or at a rail, there is no zero to
    force.
    """
    found = taken.found
    if found is None:
        return Zero(
            channel=taken.channel, t_s=taken.t_s, counts=math.nan, accepted=False,
            when=taken.when, reason=NOTHING_CAME, guards=taken.motion,
        )  # fmt: skip
    expected = _expected(taken)
    guards = (
        *taken.motion,
        guard_rail(taken.certificate, found),
        guard_scatter(taken.certificate, found),
        guard_offset(taken.certificate, found, expected),
    )
    refusing = [guard for guard in guards if guard.answer is GuardAnswer.REFUSED]
    forced = bool(refusing and wish.force) and not railed(guards)
    check = check_zero(taken.certificate, found)
    doubt = check.text if check.passed is False else ""
    return Zero(
        channel=taken.channel,
        t_s=taken.t_s,
        counts=found.mean,
        u_counts=_u_counts(found, guards, expected, doubted=bool(doubt)),
        accepted=forced or not refusing,
        when=taken.when,
        reason=_reason(refusing, doubt, forced=forced),
        sd_counts=found.sd,
        n=found.n,
        drift_counts=found.drift,
        seconds=taken.seconds,
        check=check,
        guards=guards,
        forced=wish.force if forced else "",
        by=wish.by if forced else "",
    )


def _expected(taken: TakenZero) -> ExpectedZero:
    last = taken.last
    if last is None:
        return expected_zero(taken.certificate)
    since_s = abs(taken.t_s - last.t_s)
    return expected_zero(taken.certificate, last.counts, last.u_counts, since_s)


def _u_counts(
    found: MeanCounts, guards: tuple[ZeroGuard, ...], expected: ExpectedZero, *, doubted: bool
) -> float:
    refusing = {guard.kind for guard in guards if guard.answer is GuardAnswer.REFUSED}
    # What moves steadily stands half as far again from the mean at the end as its thirds lie apart.
    u = math.hypot(found.u, 0.75 * abs(found.drift) / math.sqrt(3.0))
    if GuardKind.SCATTER in refusing:
        # What moved it is not known: the zero may lie anywhere it was seen.
        u = max(u, found.sd, abs(found.drift) / math.sqrt(3.0))
    if refusing or doubted or standing(guards) is not GuardAnswer.PASSED:
        u = doubted_u(u, found.mean - expected.counts, expected)
    return u


def _reason(refusing: list[ZeroGuard], doubt: str, *, forced: bool) -> str:
    if not refusing:
        return doubt
    words = [guard.text for guard in refusing]
    return "; ".join(words if forced else [*words, WHAT_TO_DO])

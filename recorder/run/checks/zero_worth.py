"""What each zero of a run is worth: how sure it is, and what it does to the pull."""

from __future__ import annotations

import math
from dataclasses import dataclass
from enum import StrEnum
from typing import TYPE_CHECKING

import numpy as np

from calibration.field.zero_guards import expected_zero
from recorder.run.checks.zero_line import ZeroLine, current_zeros

if TYPE_CHECKING:
    from collections.abc import Iterable

    from calibration.certificates.force import ForceCertificate
    from calibration.field.zero_guards import ExpectedZero
    from recorder.run.checks.zero_line import Zero

__all__ = ["ZeroState", "ZeroWorth", "zero_without", "zero_worth"]


class ZeroState(StrEnum):
    """What became of a zero; in capitals where somebody should look at it."""

    ACCEPTED = "accepted"
    REFUSED = "REFUSED"
    FORCED = "FORCED"
    WITHDRAWN = "WITHDRAWN"


@dataclass(frozen=True, slots=True, kw_only=True)
class ZeroWorth:
    """One zero with its number in the run and its figures as force."""

    number: int
    """From 1, in the order taken; what ``testcar zeros`` calls it by."""
    zero: Zero
    u_kN: float
    """Standard uncertainty; NaN when it is not known."""
    effect_kN: float
    """What the pull at its time is with it less what it is without; for one that was refused or
    withdrawn, what it would be. NaN without counts or certificate."""

    @property
    def state(self) -> ZeroState:
        """What became of it."""
        if self.zero.withdrawn:
            return ZeroState.WITHDRAWN
        if not self.zero.accepted:
            return ZeroState.REFUSED
        return ZeroState.FORCED if self.zero.forced else ZeroState.ACCEPTED


def zero_worth(
    zeros: Iterable[Zero], certificates: dict[str, ForceCertificate]
) -> list[ZeroWorth]:
    """Every zero of a run in the order taken; ``certificates`` by channel."""
    listed = current_zeros(zeros)
    return [
        _worth(k, zero, listed, certificates.get(zero.channel))
        for k, zero in enumerate(listed, start=1)
    ]


def _worth(
    number: int, zero: Zero, listed: list[Zero], certificate: ForceCertificate | None
) -> ZeroWorth:
    if certificate is None:
        return ZeroWorth(number=number, zero=zero, u_kN=math.nan, effect_kN=math.nan)
    slope = certificate.tension.coefficients[1]
    without = zero_without(zero, listed, certificate)
    return ZeroWorth(
        number=number,
        zero=zero,
        u_kN=abs(slope) * zero.u_counts,
        effect_kN=-slope * (zero.counts - without.counts),
    )


def zero_without(
    zero: Zero, zeros: Iterable[Zero], certificate: ForceCertificate
) -> ExpectedZero:
    """What the zero at the time of one of them would be without it: by the others of its
    channel, or by the certificate."""
    line = ZeroLine.through(z for z in zeros if z.channel == zero.channel and z is not zero)
    if line is None:
        return expected_zero(certificate)
    since_s = float(np.min(np.abs(line.t_s - zero.t_s)))
    counts, u_counts = float(line.at(zero.t_s)), float(line.u_at(zero.t_s))
    return expected_zero(certificate, counts, u_counts, since_s)

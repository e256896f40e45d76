"""What each zero of a run is worth: how sure it is, and what it does to the pull."""

from __future__ import annotations

import math
from dataclasses import dataclass
from typing import TYPE_CHECKING

from recorder.run.checks.zero_line import ZeroLine, current_zeros

if TYPE_CHECKING:
    from collections.abc import Iterable

    from calibration.certificates.force import ForceCertificate
    from recorder.run.checks.zero_line import Zero

__all__ = ["ZeroWorth", "zero_worth"]


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
    def state(self) -> str:
        """``accepted``, ``REFUSED``, ``FORCED`` or ``WITHDRAWN``."""
        if self.zero.withdrawn:
            return "WITHDRAWN"
        if not self.zero.accepted:
            return "REFUSED"
        return "FORCED" if self.zero.forced else "accepted"


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
    others = [z for z in listed if z.channel == zero.channel and z is not zero]
    line = ZeroLine.through(others)
    without = certificate.nominal_zero_counts if line is None else float(line.at(zero.t_s))
    return ZeroWorth(
        number=number,
        zero=zero,
        u_kN=abs(slope) * zero.u_counts,
        effect_kN=-slope * (zero.counts - without),
    )

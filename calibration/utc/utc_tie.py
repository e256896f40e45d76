"""Run time to UTC as judged: by whom, and how well it is known."""

from __future__ import annotations

import math
from dataclasses import dataclass, replace
from typing import TYPE_CHECKING

import numpy as np

from calibration.utc.computer_line import ComputerLine
from calibration.utc.utc_witnesses import WitnessKind

if TYPE_CHECKING:
    from numpy.typing import ArrayLike, NDArray

    from calibration.utc.receiver_account import ReceiverAccount
    from calibration.utc.utc_witnesses import UtcEvidence, UtcJudgement

__all__ = ["UtcTie"]


@dataclass(frozen=True, slots=True, kw_only=True)
class UtcTie:
    """Run time to UTC as judged."""

    source: WitnessKind
    judgement: UtcJudgement
    evidence: UtcEvidence
    receiver: ReceiverAccount | None
    computer: ComputerLine | None
    shift_s: float = 0.0
    """Added to what the source says."""
    u_s_base: float = math.nan
    """Standard uncertainty that the judgement leaves; NaN: UTC is not known."""

    def utc_ns(self, t_run_s: ArrayLike) -> NDArray[np.int64]:
        """UTC in nanoseconds since 1970 of (...) run times, s."""
        t = self.evidence.awake_s(np.asarray(t_run_s, np.float64))
        if self.source is WitnessKind.COMPUTER or self.receiver is None:
            line = self.computer or ComputerLine(origin_ns=0, offset_s=0.0, rate=0.0)
            return line.utc_ns(t)
        return np.asarray(self.receiver.fit.utc_ns(t) + round(self.shift_s * 1e9))

    def u_s(self, t_run_s: ArrayLike) -> NDArray[np.float64]:
        """Standard uncertainty at (...) run times, s; NaN: not known."""
        t = self.evidence.awake_s(np.asarray(t_run_s, np.float64))
        if self.source is WitnessKind.COMPUTER or self.receiver is None:
            return np.full(t.shape, self.u_s_base)
        fit = replace(self.receiver.fit, base_u_s=0.0)
        return np.asarray(np.hypot(self.u_s_base, fit.u_s(t)))

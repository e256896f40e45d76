"""Words that several papers share."""

from __future__ import annotations

import math
from typing import Final

from recorder.report.pages.document import plain

__all__ = ["CAUTION", "short_time"]

CAUTION: Final = (
    "This record is no safety system and no authority to move a train. Signals, local rules and"
    " licensed practice come first."
)


def short_time(u_s: float | None) -> str:
    """A short time as people read it; ``not known`` without one, or when it is not finite."""
    if u_s is None or not math.isfinite(u_s):
        return "not known"
    return f"{plain(u_s, 2)} s" if u_s >= 0.01 else f"{plain(u_s * 1e3, 2)} ms"

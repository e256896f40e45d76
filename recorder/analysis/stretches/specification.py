"""What was specified: least drawbar pull against speed, and at starting."""

from __future__ import annotations

import math
from dataclasses import dataclass, replace
from typing import TYPE_CHECKING, Final

import numpy as np

from recorder.marks.handling import FULL, ThrottleMark
from recorder.marks.kinds import Kind
from recorder.marks.values import read_kept
from recorder.sheets.admission_limits import AdmissionLimits

if TYPE_CHECKING:
    from collections.abc import Sequence

    from numpy.typing import NDArray

    from recorder.sheets import TripSheet

__all__ = ["Specification", "specification_of"]

POWER_SPEEDS_M_S: Final = (2.0, 50.0, 0.1)
"""From, to and step of the pull made of a specified power: below, adhesion sets the limit."""
SLOPE_STEP_M_S: Final = 0.05
"""To either side, over which the slope of the curve is taken."""


LAST_NOTCH: Final = 8
_DEFAULT_LIMITS: Final = AdmissionLimits()


@dataclass(frozen=True, slots=True, kw_only=True)
class Specification:
    """Least drawbar pull against speed; straight lines between points, nothing beyond."""

    name: str
    speed_m_s: tuple[float, ...]
    """Rising; none when only a starting pull is specified."""
    pull_kN: tuple[float, ...]
    starting_pull_kN: float | None = None
    settings: tuple[ThrottleMark, ...] = (FULL,)
    """Throttle settings that count."""
    admission: AdmissionLimits = _DEFAULT_LIMITS

    def with_marks(self, marks: Sequence[ThrottleMark]) -> Specification:
        """Less the eighth notch, where a higher one was keyed and the sheet names none."""
        higher = any(m.notch is not None and m.notch > LAST_NOTCH for m in marks)
        if self.admission.throttle or not higher:
            return self
        return replace(self, settings=tuple(s for s in self.settings if s.notch is None))

    def accepts(self, mark: ThrottleMark) -> bool:
        """Whether a throttle mark is one of the settings that count."""
        return any(mark.agrees(s) for s in self.settings)

    def limit_kN(self, speed_m_s: float) -> float:
        """Specified pull at a speed; NaN outside the points."""
        return float(self.limits_kN(np.array([speed_m_s]))[0])

    def limits_kN(self, speed_m_s: NDArray[np.float64]) -> NDArray[np.float64]:
        """Specified pull (n,) at speeds (n,); NaN outside the points."""
        if not self.speed_m_s:
            return np.full(len(speed_m_s), np.nan)
        return np.interp(speed_m_s, self.speed_m_s, self.pull_kN, left=math.nan, right=math.nan)

    def slope(self, speed_m_s: float) -> float:
        """Change of the specified pull per m/s at a speed; 0 outside the points."""
        low = max(speed_m_s - SLOPE_STEP_M_S, self.speed_m_s[0])
        high = min(speed_m_s + SLOPE_STEP_M_S, self.speed_m_s[-1])
        if high <= low:
            return 0.0
        return (self.limit_kN(high) - self.limit_kN(low)) / (high - low)


def specification_of(sheet: TripSheet | None) -> Specification | None:
    """The specification of a trip sheet, less its tolerance; ``None`` without one.

    A specified drawbar power without points becomes the pull ``P/V`` from 2 to 50 m/s.
    """
    stated = None if sheet is None else sheet.specification
    if stated is None:
        return None
    factor = 1.0 - stated.tolerance_pct / 100.0
    points = list(stated.points)
    if not points and stated.power_kW is not None:
        low, high, step = POWER_SPEEDS_M_S
        speeds = np.arange(low, high + step / 2, step)
        points = [(float(v), stated.power_kW / float(v)) for v in speeds]
    starting = stated.starting_pull_kN
    return Specification(
        name=stated.name,
        speed_m_s=tuple(v for v, _ in points),
        pull_kN=tuple(p * factor for _, p in points),
        starting_pull_kN=None if starting is None else starting * factor,
        settings=_settings(stated.admission.throttle, sheet),
        admission=stated.admission,
    )


def _settings(words: tuple[str, ...], sheet: TripSheet | None) -> tuple[ThrottleMark, ...]:
    """Throttle settings as a mark would say them; by default full, and but for steam the eighth
    notch, which is the last of most controllers (from experience)."""
    if not words:
        steam = sheet is not None and sheet.locomotive.kind == "steam"
        return (FULL,) if steam else (FULL, ThrottleMark(notch=LAST_NOTCH))
    read = [read_kept(Kind.THROTTLE, word) for word in words]
    # What does not read stays as its words: it must not vanish, and agrees with nothing else.
    return tuple(
        mark if isinstance(mark, ThrottleMark) else ThrottleMark(words=word)
        for mark, word in zip(read, words, strict=True)
    )

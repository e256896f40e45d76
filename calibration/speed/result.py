"""Speed at every record: what the wheel's pulses come to, and how well it is known."""

from __future__ import annotations

from dataclasses import dataclass
from typing import TYPE_CHECKING

if TYPE_CHECKING:
    import numpy as np
    from numpy.typing import NDArray

__all__ = ["SpeedResult"]


@dataclass(frozen=True, slots=True, kw_only=True)
class SpeedResult:
    """(n,) each, at the records' own times."""

    t_s: NDArray[np.float64]
    speed_m_s: NDArray[np.float64]
    """Forward positive; exactly 0 at standstill; NaN where it is not known."""
    u_m_s: NDArray[np.float64]
    """Standard uncertainty, circumference included."""
    acceleration_m_s2: NDArray[np.float64]
    u_acceleration_m_s2: NDArray[np.float64]
    flags: NDArray[np.uint8]
    """``SUSPECT`` where pulses were missed or doubled."""
    pattern_pulses: NDArray[np.float64] | None = None
    """Unevenness found of the encoder, in pulses by line; None when the run does not show it."""

"""The count at which a wheel's distance is 0, kept over restarts and wraps of the counter."""

from __future__ import annotations

from typing import TYPE_CHECKING, Final

import numpy as np

from recorder.run.parts.quantities import FASTEST_M_S

if TYPE_CHECKING:
    from numpy.typing import NDArray

    from calibration.certificates.wheel import WheelCertificate

__all__ = ["ILLEGAL_QUADRATURE", "WheelBase"]

ILLEGAL_QUADRATURE: Final = 2
"""Bit of a wheel record's own flags."""
SLACK_M: Final = 10.0
"""Allowed on top of that, since two records may be timed closer together than they were made."""


class WheelBase:
    """Counts at distance 0, stretch by stretch, of one device.

    Distance is 0 at the first record of the run. Where the counter began anew distance goes on
    from where it was: the gap shows that something is missing.
    """

    def __init__(self, field: str, certificate: WheelCertificate) -> None:
        self.restarts: set[int] = set()
        """Records of the run, by number, before which the counter began anew."""
        self._field = field
        self._m_per_count = abs(certificate.m_per_pulse)
        self._seen = 0
        self._base = 0
        self._last: tuple[int, int, float] | None = None

    def advance(
        self, records: NDArray[np.void], time_s: NDArray[np.float64]
    ) -> int | NDArray[np.int64]:
        """Base of the next (n,) records, n ≥ 1: one number, or (n,) where it changes."""
        counts = np.asarray(records[self._field], dtype=np.int64)
        ticks = np.asarray(records["tick"], dtype=np.uint64)
        first = (int(counts[0]), int(ticks[0]), float(time_s[0]))
        if self._last is None:
            self._base, self._last = first[0], first
        step = np.diff(counts, prepend=self._last[0])
        took = np.maximum(np.diff(time_s, prepend=self._last[2]), 0.0)
        back = np.append(ticks[0] < np.uint64(self._last[1]), ticks[1:] < ticks[:-1])
        odd = back | (np.abs(step) * self._m_per_count > FASTEST_M_S * took + SLACK_M)
        named = [r - self._seen for r in self.restarts if 0 <= r - self._seen < len(records)]
        odd[named] = True
        base: int | NDArray[np.int64] = self._base
        if odd.any():
            shift = np.zeros(len(records), np.int64)
            for i in np.flatnonzero(odd):
                moved = 0 if i in named else self._moved(int(step[i]), float(took[i]))
                shift[i] = int(step[i]) - moved
            base = self._base + np.cumsum(shift)
            self._base = int(base[-1])
        self._last = (int(counts[-1]), int(ticks[-1]), float(time_s[-1]))
        self._seen += len(records)
        return base

    def _moved(self, step: int, took_s: float) -> int:
        """Counts really moved over an odd step: 32-bit wrap undone, or nothing (a restart)."""
        wrapped = (step + 2**31) % 2**32 - 2**31
        reach = FASTEST_M_S * took_s + SLACK_M
        return wrapped if abs(wrapped) * self._m_per_count <= reach else 0

"""Which records are the first to tell of a pulse per second, live and at the seal."""

from __future__ import annotations

from typing import TYPE_CHECKING

import numpy as np

from drivers.protocols.wheel_pulses import PPS_SEEN

if TYPE_CHECKING:
    from numpy.typing import NDArray

__all__ = ["NewPulses"]


class NewPulses:
    """Finds the pulses of one device, records after records; each once."""

    def __init__(self) -> None:
        self._last: NDArray[np.uint64] | None = None

    def among(
        self, pps_tick: NDArray[np.uint64], flags: NDArray[np.uint8], tick: NDArray[np.uint64]
    ) -> NDArray[np.intp]:
        """(k,) numbers of those among the next (n,) records that tell of a new pulse.

        What the first record of all tells of may be long past, and no tie of ticks to run time
        holds that long: it is no new one. Nor is one after its own record, from before a restart.
        """
        before = np.concatenate((pps_tick[:1] if self._last is None else self._last, pps_tick))
        self._last = before[-1:] if len(before) else None
        new = (flags & PPS_SEEN != 0) & (pps_tick != before[: len(pps_tick)])
        return np.flatnonzero(new & (pps_tick <= tick))

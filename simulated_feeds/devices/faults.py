"""Faults of the wire, whatever the device: bytes damaged, lost, or held up.

Bytes that are held up keep their order, as on any line: what waits behind one that is late
comes with it.
"""

from __future__ import annotations

from typing import TYPE_CHECKING, Final

import numpy as np

from simulated_feeds.devices.emission import Emission, SimulatedDevice
from simulated_feeds.devices.fault_kinds import FaultKind, FeedFault

if TYPE_CHECKING:
    from collections.abc import Sequence

    from simulated_feeds.physics.motion import Motion

__all__ = ["FaultyDevice"]

_OFTEN: Final = 0.3
_TAIL: Final = 1.5
"""Shape of the Pareto draws: a mean, but no variance; usual for queues."""
_LONGEST_S: Final = 1.0
"""Of one such draw: what waits behind it fits into the buffer of a port."""
_DAMAGE: Final = (
    FaultKind.DROPOUT, FaultKind.GARBAGE, FaultKind.CRC, FaultKind.TRUNCATE, FaultKind.SILENCE,
    FaultKind.RESTART,
)  # fmt: skip
_DELAYS: Final = (FaultKind.LATE, FaultKind.UNEVEN, FaultKind.BURSTS)


class FaultyDevice:
    """A device with the faults of its wire; a :class:`SimulatedDevice` itself."""

    def __init__(
        self,
        device: SimulatedDevice,
        faults: Sequence[FeedFault],
        *,
        seed: np.random.SeedSequence,
    ) -> None:
        self._device = device
        self.name = device.name
        own = [f for f in faults if f.strikes(device.name)]
        self._damage = [f for f in own if f.kind in _DAMAGE]
        self._delays = [f for f in own if f.kind in _DELAYS]
        self._restarts = sorted(f.at_s + f.lasts_s for f in own if f.kind is FaultKind.RESTART)
        self._rng = np.random.default_rng(seed)
        self._waits = np.random.default_rng(seed.spawn(1)[0])
        self._last_due_s = 0.0

    def restart(self, t_s: float) -> None:
        """Hand on."""
        self._device.restart(t_s)

    def advance(self, motion: Motion) -> list[Emission]:
        """What the device sends, less or more what the faults make of it."""
        sent = self._device.advance(motion)
        end = float(motion.t_s[-1])
        if self._restarts and self._restarts[0] <= end:
            # What it still sent with its old ticks never left it.
            self._restarts = [t for t in self._restarts if t > end]
            self._device.restart(end)
            return []
        if self._damage:
            sent = [struck for emission in sent for struck in self._struck(emission)]
        return [self._delayed(emission) for emission in sent] if self._delays else sent

    def _delayed(self, emission: Emission) -> Emission:
        due = emission.due_s
        wait = sum(self._wait_s(f) for f in self._delays if f.on(emission.due_s))
        self._last_due_s = max(due + wait, self._last_due_s)
        return Emission(self._last_due_s, emission.data, emission.tag)

    def _wait_s(self, fault: FeedFault) -> float:
        """How long one emission waits for one fault."""
        if fault.kind is FaultKind.UNEVEN:
            return float(self._waits.exponential(fault.value))
        if fault.kind is FaultKind.BURSTS:
            return min(fault.value * float(self._waits.pareto(_TAIL)), _LONGEST_S)
        return fault.value

    def _struck(self, emission: Emission) -> list[Emission]:
        result = [emission]
        for fault in self._damage:
            if fault.on(emission.due_s):
                result = [e for one in result for e in self._strike(fault.kind, one)]
        return result

    def _strike(self, kind: FaultKind, emission: Emission) -> list[Emission]:
        rng, data = self._rng, emission.data
        if kind in (FaultKind.SILENCE, FaultKind.RESTART):
            return []
        if kind is FaultKind.GARBAGE:
            noise = rng.integers(0, 256, int(rng.integers(1, 200)), dtype=np.uint8).tobytes()
            return [Emission(emission.due_s, noise), emission]
        if rng.random() > _OFTEN:
            return [emission]
        if kind is FaultKind.DROPOUT:
            return []
        at = int(rng.integers(0, len(data)))
        if kind is FaultKind.TRUNCATE:
            return [Emission(emission.due_s, data[:at])]
        wrong = bytearray(data)
        wrong[at] ^= 1 << int(rng.integers(0, 8))
        return [Emission(emission.due_s, bytes(wrong))]

"""Faults on demand: what real ports and devices do when least wanted.

Written ``KIND[:DEVICE]@T[+SECONDS]``, e.g. ``unplug:drawbar@20+3``, ``slip@40+5``;
seconds of simulated time.
"""

from __future__ import annotations

import re
from dataclasses import dataclass
from typing import TYPE_CHECKING, Final

import numpy as np

from simulated_feeds.devices.emission import Emission, SimulatedDevice
from simulated_feeds.settings.errors import FeedError

if TYPE_CHECKING:
    from collections.abc import Sequence

    from simulated_feeds.physics.motion import Motion

__all__ = ["KINDS", "FaultyDevice", "FeedFault", "parse_fault"]

KINDS: Final = {
    "dropout": "three frames in ten are missing",
    "garbage": "random bytes between the frames",
    "crc": "three frames in ten have a flipped bit",
    "truncate": "three frames in ten are cut short",
    "silence": "nothing is sent",
    "restart": "the device loses power; ticks and counts begin anew",
    "unplug": "the port vanishes and comes back",
    "outage": "the GNSS clock has no fix",
    "slip": "the rail is greasy under the drivers",
    "slide": "the measuring wheel turns too slowly",
}
"""Kind → what happens."""
WORLD_KINDS: Final = ("slip", "outage", "slide")
"""These are of the train or the sky, not of a port."""
_USUAL_S: Final = {"restart": 1.5, "unplug": 3.0, "slip": 5.0, "outage": 60.0, "slide": 5.0}
_FORM: Final = re.compile(r"([a-z]+)(?::([a-z0-9_-]+))?@(\d+(?:\.\d+)?)(?:\+(\d+(?:\.\d+)?))?")
_OFTEN: Final = 0.3


@dataclass(frozen=True, slots=True, kw_only=True)
class FeedFault:
    """One fault."""

    kind: str
    device: str
    """Empty: every device it can strike."""
    at_s: float
    lasts_s: float

    def strikes(self, device: str) -> bool:
        """Whether it is this device's."""
        return self.device in ("", device)

    def on(self, t_s: float) -> bool:
        """Whether it holds at a simulated time."""
        return self.at_s <= t_s < self.at_s + self.lasts_s


def parse_fault(text: str, devices: Sequence[str] = ()) -> FeedFault:
    """Read ``KIND[:DEVICE]@T[+SECONDS]``.

    Raises
    ------
    FeedError
        Not of that form, an unknown kind, or no such device among those given.
    """
    match = _FORM.fullmatch(text.strip())
    if match is None:
        msg = f"fault {text!r} is not understood; write KIND[:DEVICE]@T[+SECONDS], e.g. crc@5+2"
        raise FeedError(msg)
    kind, device, at, lasts = match.groups()
    if kind not in KINDS:
        msg = f"fault {text!r}: unknown kind {kind!r}; known: {', '.join(KINDS)}"
        raise FeedError(msg)
    if device and devices and device not in devices:
        msg = f"fault {text!r}: no device {device!r}; there are {', '.join(devices)}"
        raise FeedError(msg)
    span = float(lasts) if lasts else _USUAL_S.get(kind, 1.0)
    return FeedFault(kind=kind, device=device or "", at_s=float(at), lasts_s=span)


class FaultyDevice:
    """A device with its faults; a :class:`SimulatedDevice` itself."""

    def __init__(
        self,
        device: SimulatedDevice,
        faults: Sequence[FeedFault],
        *,
        seed: np.random.SeedSequence,
    ) -> None:
        self._device = device
        self.name = device.name
        self._faults = [f for f in faults if f.strikes(device.name)]
        self._restarts = sorted(f.at_s + f.lasts_s for f in self._faults if f.kind == "restart")
        self._rng = np.random.default_rng(seed)

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
        if not self._faults:
            return sent
        out: list[Emission] = []
        for emission in sent:
            out += self._struck(emission)
        return out

    def _struck(self, emission: Emission) -> list[Emission]:
        result = [emission]
        for fault in self._faults:
            if fault.kind not in WORLD_KINDS and fault.on(emission.due_s):
                result = [e for one in result for e in self._strike(fault.kind, one)]
        return result

    def _strike(self, kind: str, emission: Emission) -> list[Emission]:
        rng, data = self._rng, emission.data
        if kind in ("silence", "restart"):
            return []
        if kind == "garbage":
            noise = rng.integers(0, 256, int(rng.integers(1, 200)), dtype=np.uint8).tobytes()
            return [Emission(emission.due_s, noise), emission]
        if kind not in ("dropout", "crc", "truncate") or rng.random() > _OFTEN:
            return [emission]
        if kind == "dropout":
            return []
        at = int(rng.integers(0, len(data)))
        if kind == "truncate":
            return [Emission(emission.due_s, data[:at])]
        wrong = bytearray(data)
        wrong[at] ^= 1 << int(rng.integers(0, 8))
        return [Emission(emission.due_s, bytes(wrong))]

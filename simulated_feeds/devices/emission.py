"""The devices there are, what one sends, and when the first byte is due."""

from __future__ import annotations

from dataclasses import dataclass
from enum import StrEnum
from typing import TYPE_CHECKING, Protocol

if TYPE_CHECKING:
    from simulated_feeds.physics.motion import Motion

__all__ = ["DeviceName", "Emission", "SimulatedDevice"]


class DeviceName(StrEnum):
    """The three instruments."""

    DRAWBAR = "drawbar"
    WHEEL = "wheel"
    CLOCK = "clock"


@dataclass(frozen=True, slots=True)
class Emission:
    """One frame or sentence."""

    due_s: float
    """Simulated time."""
    data: bytes
    tag: int = -1
    """0 and up: whoever sends it notes when."""


class SimulatedDevice(Protocol):
    """A simulated instrument."""

    name: str

    def advance(self, motion: Motion) -> list[Emission]:
        """What is sent while the train moves so; by rising due time."""
        ...

    def restart(self, t_s: float) -> None:
        """Power fails and comes back: ticks, counts and sequence begin anew."""
        ...

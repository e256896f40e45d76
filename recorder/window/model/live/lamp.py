"""The lamp: what the recording is doing, in one word. No Qt here."""

from __future__ import annotations

from dataclasses import dataclass
from enum import Enum
from typing import Final

from recorder.run.parts.states import RunState

__all__ = ["Glow", "Lamp", "lamp_of"]


class Glow(Enum):
    """How the lamp stands out."""

    DARK = "dark"
    """Nothing is recorded, and that is as it should be."""
    AMBER = "amber"
    """Something other than recording is going on; it will pass."""
    RECORDING = "recording"
    ALARM = "alarm"


@dataclass(frozen=True, slots=True)
class Lamp:
    """What to show."""

    word: str
    glow: Glow


_LAMPS: Final = {
    RunState.OPENING: Lamp("OPENING", Glow.AMBER),
    RunState.ZERO: Lamp("TAKING ZERO", Glow.AMBER),
    RunState.RECORDING: Lamp("RECORDING", Glow.RECORDING),
    RunState.STOPPING: Lamp("STOPPING", Glow.AMBER),
    RunState.SEALING: Lamp("SEALING", Glow.AMBER),
    RunState.ENDED: Lamp("ENDED", Glow.DARK),
}


def lamp_of(state: RunState | None, *, lost: bool) -> Lamp:
    """The lamp of a state as last reported; None before that, lost when nobody answers."""
    if lost and state is not RunState.ENDED:
        return Lamp("NO CONTACT", Glow.ALARM)
    if state is None:
        return Lamp("CONNECTING", Glow.DARK)
    return _LAMPS[state]

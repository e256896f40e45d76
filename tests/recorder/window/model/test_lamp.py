"""The lamp shows each state for what it is."""

from __future__ import annotations

import pytest

from recorder.run.states import RunState
from recorder.window.model.live.lamp import Glow, lamp_of


@pytest.mark.parametrize(
    ("state", "word", "glow"),
    [
        (None, "CONNECTING", Glow.DARK),
        (RunState.OPENING, "OPENING", Glow.AMBER),
        (RunState.ZERO, "TAKING ZERO", Glow.AMBER),
        (RunState.RECORDING, "RECORDING", Glow.RECORDING),
        (RunState.STOPPING, "STOPPING", Glow.AMBER),
        (RunState.SEALING, "SEALING", Glow.AMBER),
        (RunState.ENDED, "ENDED", Glow.DARK),
    ],
)
def test_each_state_has_a_word_of_its_own(
    state: RunState | None, word: str, glow: Glow
) -> None:
    assert (lamp_of(state, lost=False).word, lamp_of(state, lost=False).glow) == (word, glow)


def test_a_recording_out_of_reach_is_an_alarm_unless_it_has_ended() -> None:
    for state in (None, *RunState):
        lamp = lamp_of(state, lost=True)
        ended = state is RunState.ENDED
        assert lamp.glow is (Glow.DARK if ended else Glow.ALARM)

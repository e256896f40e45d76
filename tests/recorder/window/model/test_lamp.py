"""The lamp shows each state for what it is; run time before the run has a sign."""

from __future__ import annotations

import pytest

from recorder.run.parts.states import RunState
from recorder.window.model.live.device_lines import run_time_text
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


def test_run_time_counts_up_to_the_run_while_the_zero_is_taken() -> None:
    times = (-600.0, -5.9, -0.4, 0.0, 59.9, 3723.0)
    assert [run_time_text(t) for t in times] == [
        "\N{MINUS SIGN}0:10:00", "\N{MINUS SIGN}0:00:05", "0:00:00", "0:00:00", "0:00:59",
        "1:02:03",
    ]  # fmt: skip

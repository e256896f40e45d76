"""States as they go over the wire, and what each allows."""

from __future__ import annotations

import json

import pytest

from recorder.run.parts.states import DeviceState, FilerState, RunState


def test_marks_are_taken_until_the_seal() -> None:
    """From requirement: in every state from attach to the seal."""
    assert [s.value for s in RunState if s.takes_marks] == [
        "opening", "zero", "recording", "stopping",
    ]  # fmt: skip


def test_a_zero_at_the_end_of_the_run_is_not_its_end() -> None:
    assert [s.value for s in RunState if s.is_ending] == ["stopping", "sealing", "ended"]


@pytest.mark.parametrize("kind", [RunState, DeviceState, FilerState])
def test_a_state_is_read_back_from_its_word_and_no_other_is_one(
    kind: type[RunState | DeviceState | FilerState],
) -> None:
    for state in kind:
        assert kind(json.loads(json.dumps(state))) is state
    with pytest.raises(ValueError, match="'resting'"):
        kind("resting")

"""What keys do, in each state, and when a key went down."""

from __future__ import annotations

from typing import TYPE_CHECKING

import pytest
from hypothesis import given
from hypothesis import strategies as st

from recorder.window.model.crew.key_commands import Command, KeyCommands, KeyMode
from recorder.window.model.live.live_run import LiveRun
from recorder.window.qt.frame.key_filter import pressed_ns

if TYPE_CHECKING:
    from tests.recorder.window.conftest import FakeSession, Kit


@pytest.fixture
def done() -> list[Command]:
    return []


@pytest.fixture
def commands(run: LiveRun, done: list[Command]) -> KeyCommands:
    return KeyCommands(run.marks, done.append)


def mode(commands: KeyCommands) -> KeyMode:
    """Asked anew each time: a key changes it."""
    return commands.mode


def type_in(commands: KeyCommands, words: str) -> None:
    for letter in words:
        commands.key(letter.upper(), letter, 0)


def test_a_letter_is_a_mark_and_while_typing_a_letter(
    commands: KeyCommands, run: LiveRun, session: FakeSession, kit: Kit
) -> None:
    at = session.header.started_monotonic_ns
    assert commands.key("S", "s", at)
    kit.settle(run)
    commands.key("Enter", "\r", at)
    assert mode(commands) is KeyMode.DETAILS
    type_in(commands, "Mill s")
    assert len(run.marks.entries) == 1
    commands.key("Backspace", "\b", at)
    commands.key("Backspace", "\b", at)
    commands.key("Enter", "\r", at)
    kit.settle(run)
    assert mode(commands) is KeyMode.KEYS
    assert run.marks.entries[0].mark.value == "Mill"


def test_with_alt_a_mark_is_taken_while_typing(
    commands: KeyCommands, run: LiveRun, session: FakeSession, kit: Kit
) -> None:
    at = session.header.started_monotonic_ns
    commands.key("R", "r", at)
    kit.settle(run)
    commands.key("Enter", "", at)
    type_in(commands, "owl")
    assert commands.key("M", "m", at + 1, alt=True)
    assert commands.typed == "owl"
    assert [e.mark.kind for e in run.marks.entries] == ["remark", "milepost"]
    commands.key("Enter", "", at)
    assert run.marks.entries[0].shown.value == "owl"


def test_what_cannot_stand_is_said_and_typing_goes_on(
    commands: KeyCommands, run: LiveRun, session: FakeSession, kit: Kit
) -> None:
    commands.key("V", "v", session.header.started_monotonic_ns)
    kit.settle(run)
    commands.key("Enter", "", 0)
    type_in(commands, "steep")
    commands.key("Enter", "", 0)
    assert mode(commands) is KeyMode.DETAILS
    assert "per cent" in commands.caution
    commands.key("Escape", "", 0)
    assert (mode(commands), commands.caution) == (KeyMode.KEYS, "")


def test_stop_asks_first_and_marks_go_on_meanwhile(
    commands: KeyCommands, run: LiveRun, session: FakeSession, done: list[Command]
) -> None:
    commands.key("Ctrl+S", "", 0)
    assert mode(commands) is KeyMode.ASKING
    assert commands.question is not None
    assert commands.key("B", "b", session.header.started_monotonic_ns)
    assert run.marks.entries[0].mark.kind == "brake"
    assert done == []
    commands.key("Escape", "", 0)
    assert done == []
    commands.key("Ctrl+S", "", 0)
    commands.key("Ctrl+S", "", 0)
    assert done == []
    commands.key("Enter", "", 0)
    assert done == [Command.STOP]


def test_zero_asks_first(commands: KeyCommands, done: list[Command]) -> None:
    commands.key("Ctrl+0", "", 0)
    assert commands.question is not None
    assert "no force" in commands.question.words
    commands.key("Enter", "", 0)
    assert done == [Command.ZERO]


def test_a_shunt_check_asks_before_each_reading(
    commands: KeyCommands, done: list[Command]
) -> None:
    """The first without the shunt, the second, which the window asks for, with it."""
    commands.key("Ctrl+9", "", 0)
    assert commands.question is not None
    assert "coupler slack, shunt OFF" in commands.question.words
    assert done == []
    commands.key("Enter", "", 0)
    commands.command(Command.SHUNTED)
    assert commands.question is not None
    assert "shunt ON" in commands.question.words
    commands.key("Escape", "", 0)
    assert done == [Command.SHUNT]


def test_no_key_is_meant_for_two_commands() -> None:
    keys = [command.key for command in Command if command.key]
    assert len(keys) == len(set(keys))


def test_delete_withdraws_the_mark_that_is_chosen(
    commands: KeyCommands, run: LiveRun, session: FakeSession, kit: Kit
) -> None:
    at = session.header.started_monotonic_ns
    for i, key in enumerate("SGB"):
        commands.key(key, key.lower(), at + i * 1_000_000_000)
    kit.settle(run)
    commands.key("Up", "", 0)
    commands.key("Delete", "", 0)
    kit.settle(run)
    assert [e.mark.withdrawn for e in run.marks.entries] == [False, True, False]
    commands.key("Down", "", 0)
    assert commands.selected is None


def test_commands_never_take_a_key_that_makes_marks(run: LiveRun) -> None:
    for key in (command.key for command in Command if command.key):
        assert len(key) > 1
        assert key not in run.marks.keys


def test_nothing_to_type_about_is_no_error(commands: KeyCommands) -> None:
    commands.key("Enter", "", 0)
    commands.key("Delete", "", 0)
    commands.key("Up", "", 0)
    assert mode(commands) is KeyMode.KEYS
    assert commands.prompt() == ""


def test_the_next_milepost_is_typed_and_the_count_goes_on_from_it(
    commands: KeyCommands, run: LiveRun, session: FakeSession
) -> None:
    at = session.header.started_monotonic_ns
    commands.key("M", "m", at + 1)
    assert commands.key("Ctrl+M", "\r", at + 2)
    assert mode(commands) is KeyMode.NEXT_POST
    assert "now 13" in commands.prompt()
    type_in(commands, "40")
    assert commands.key("M", "m", at + 3, alt=True), "a mark is taken meanwhile, as ever"
    commands.key("Enter", "\r", at + 4)
    assert mode(commands) is KeyMode.KEYS
    commands.key("M", "m", at + 5)
    commands.key("M", "m", at + 6)
    assert [e.mark.value for e in run.marks.entries] == ["12", "13", "40", "41"]


def test_a_next_milepost_that_is_no_number_is_refused_and_may_be_left(
    commands: KeyCommands, run: LiveRun
) -> None:
    commands.command(Command.NEXT_POST)
    type_in(commands, "north")
    commands.key("Enter", "", 0)
    assert mode(commands) is KeyMode.NEXT_POST
    assert "a milepost number" in commands.caution
    commands.key("Escape", "", 0)
    assert mode(commands) is KeyMode.KEYS
    assert run.marks.next_milepost().text == "12"


def test_an_input_method_types_too(
    commands: KeyCommands, run: LiveRun, session: FakeSession, kit: Kit
) -> None:
    commands.key("S", "s", session.header.started_monotonic_ns)
    kit.settle(run)
    commands.typed_text("not typing yet")
    commands.command(Command.DETAILS)
    commands.typed_text("Łąka\n")
    assert commands.typed == "Łąka"


@given(st.integers(10**9, 2**62), st.integers(0, 249))
def test_the_stamp_takes_back_what_a_frame_held_up(true_ns: int, late_ms: int) -> None:
    now = true_ns + late_ms * 1_000_000
    stamp = (true_ns // 1_000_000) % 2**32
    assert abs(pressed_ns(now, stamp) - true_ns) <= 500_000
    assert pressed_ns(now, stamp) <= now


@given(st.integers(10**9, 2**62), st.integers(0, 2**32 - 1))
def test_a_stamp_of_another_clock_is_not_believed(now: int, stamp: int) -> None:
    keyed = pressed_ns(now, stamp)
    assert now - 251_000_000 <= keyed <= now

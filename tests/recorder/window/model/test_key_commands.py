"""What keys do, in each state, and when a key went down."""

from __future__ import annotations

from typing import TYPE_CHECKING

import pytest
from hypothesis import given
from hypothesis import strategies as st

from recorder.window.model.crew.key_commands import COMMANDS, KeyCommands
from recorder.window.model.live.live_run import LiveRun
from recorder.window.qt.frame.key_filter import pressed_ns

if TYPE_CHECKING:
    from tests.recorder.window.conftest import FakeSession, Kit


@pytest.fixture
def done() -> list[str]:
    return []


@pytest.fixture
def desk(run: LiveRun, done: list[str]) -> KeyCommands:
    return KeyCommands(run, done.append)


def type_in(desk: KeyCommands, words: str) -> None:
    for letter in words:
        desk.key(letter.upper(), letter, 0)


def test_a_letter_is_a_mark_and_while_typing_a_letter(
    desk: KeyCommands, run: LiveRun, session: FakeSession, kit: Kit
) -> None:
    at = session.header.started_monotonic_ns
    assert desk.key("S", "s", at)
    kit.settle(run)
    desk.key("Enter", "\r", at)
    assert desk.mode == "typing"
    type_in(desk, "Mill s")
    assert len(run.book.entries) == 1
    desk.key("Backspace", "\b", at)
    desk.key("Backspace", "\b", at)
    desk.key("Enter", "\r", at)
    kit.settle(run)
    assert desk.mode == "keys"
    assert run.book.entries[0].mark.value == "Mill"


def test_with_alt_a_mark_is_taken_while_typing(
    desk: KeyCommands, run: LiveRun, session: FakeSession, kit: Kit
) -> None:
    at = session.header.started_monotonic_ns
    desk.key("R", "r", at)
    kit.settle(run)
    desk.key("Enter", "", at)
    type_in(desk, "owl")
    assert desk.key("M", "m", at + 1, alt=True)
    assert desk.typed == "owl"
    assert [e.mark.kind for e in run.book.entries] == ["remark", "milepost"]
    desk.key("Enter", "", at)
    assert run.book.entries[0].shown.value == "owl"


def test_what_cannot_stand_is_said_and_typing_goes_on(
    desk: KeyCommands, run: LiveRun, session: FakeSession, kit: Kit
) -> None:
    desk.key("V", "v", session.header.started_monotonic_ns)
    kit.settle(run)
    desk.key("Enter", "", 0)
    type_in(desk, "steep")
    desk.key("Enter", "", 0)
    assert desk.mode == "typing"
    assert "per cent" in desk.caution
    desk.key("Escape", "", 0)
    assert (desk.mode, desk.caution) == ("keys", "")


def test_stop_asks_first_and_marks_go_on_meanwhile(
    desk: KeyCommands, run: LiveRun, session: FakeSession, done: list[str]
) -> None:
    desk.key("Ctrl+S", "", 0)
    assert desk.mode == "asking"
    assert desk.question is not None
    assert desk.key("B", "b", session.header.started_monotonic_ns)
    assert run.book.entries[0].mark.kind == "brake"
    assert done == []
    desk.key("Escape", "", 0)
    assert done == []
    desk.key("Ctrl+S", "", 0)
    desk.key("Ctrl+S", "", 0)
    assert done == []
    desk.key("Enter", "", 0)
    assert done == ["stop"]


def test_zero_asks_first(desk: KeyCommands, done: list[str]) -> None:
    desk.key("Ctrl+0", "", 0)
    assert desk.question is not None
    assert "no force" in desk.question.words
    desk.key("Enter", "", 0)
    assert done == ["zero"]


def test_delete_withdraws_the_mark_that_is_chosen(
    desk: KeyCommands, run: LiveRun, session: FakeSession, kit: Kit
) -> None:
    at = session.header.started_monotonic_ns
    for i, key in enumerate("SGB"):
        desk.key(key, key.lower(), at + i * 1_000_000_000)
    kit.settle(run)
    desk.key("Up", "", 0)
    desk.key("Delete", "", 0)
    kit.settle(run)
    assert [e.mark.withdrawn for e in run.book.entries] == [False, True, False]
    desk.key("Down", "", 0)
    assert desk.selected is None


def test_commands_never_take_a_key_that_makes_marks(run: LiveRun) -> None:
    for command in COMMANDS:
        assert len(command.key) > 1
        assert command.key not in run.book.keys


def test_nothing_to_type_about_is_no_error(desk: KeyCommands) -> None:
    desk.key("Enter", "", 0)
    desk.key("Delete", "", 0)
    desk.key("Up", "", 0)
    assert desk.mode == "keys"
    assert desk.prompt() == ""


def test_an_input_method_types_too(
    desk: KeyCommands, run: LiveRun, session: FakeSession, kit: Kit
) -> None:
    desk.key("S", "s", session.header.started_monotonic_ns)
    kit.settle(run)
    desk.typed_text("not typing yet")
    desk.command("details")
    desk.typed_text("Łąka\n")
    assert desk.typed == "Łąka"


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

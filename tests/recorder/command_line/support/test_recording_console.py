"""Nothing waits for the screen: lines that a terminal does not take are held, then left out."""

from __future__ import annotations

import os
import threading
from collections.abc import Callable

import pytest

from recorder.acquisition.process.reports import Warned
from recorder.command_line.support.recording_console import MOST_LINES, RecordingConsole
from recorder.command_line.support.screen import guarded
from tests.recorder.full_pipe import full_pipe

pytestmark = pytest.mark.skipif(
    os.name == "nt", reason="pipes that are full, as POSIX has them"
)


def read_to_end(reads: int) -> list[str]:
    with os.fdopen(reads, "rb") as pipe:
        return pipe.read().decode().lstrip("\0").splitlines()


def told_to_a_full_pipe(
    monkeypatch: pytest.MonkeyPatch, tell: Callable[[RecordingConsole], None]
) -> list[str]:
    """All lines of a reader that takes none until everything is told."""
    reads, writes = full_pipe()
    lines: list[str] = []
    reader = threading.Thread(target=lambda: lines.extend(read_to_end(reads)))
    with os.fdopen(writes, "w", encoding="utf-8") as stderr:
        monkeypatch.setattr("sys.stderr", stderr)
        with guarded():
            console = RecordingConsole(window=False)
            tell(console)
            reader.start()
            console.end()
    reader.join(20.0)
    return lines


def test_what_it_takes_later_comes_in_order_and_steers_nothing(
    monkeypatch: pytest.MonkeyPatch,
) -> None:
    def tell(console: RecordingConsole) -> None:
        for i in range(500):
            console(Warned(f"{i} \x1b[2J"))

    lines = told_to_a_full_pipe(monkeypatch, tell)
    assert lines == [f"warning: {i} \ufffd[2J" for i in range(500)]


def test_what_is_too_much_to_be_held_is_counted(monkeypatch: pytest.MonkeyPatch) -> None:
    def tell(console: RecordingConsole) -> None:
        for i in range(MOST_LINES + 250):
            console(Warned(str(i)))

    *held, last = told_to_a_full_pipe(monkeypatch, tell)
    assert held == [f"warning: {i}" for i in range(len(held))]
    # One more than are held may be on its way to the terminal.
    assert len(held) in (MOST_LINES, MOST_LINES + 1)
    left_out = MOST_LINES + 250 - len(held)
    assert last == f"{left_out} lines left out: this terminal took none"


def test_a_reader_that_is_gone_costs_nothing(monkeypatch: pytest.MonkeyPatch) -> None:
    reads, writes = os.pipe()
    os.close(reads)
    stderr = os.fdopen(writes, "w", encoding="utf-8")
    monkeypatch.setattr("sys.stderr", stderr)
    console = RecordingConsole(window=False)
    console(Warned("nobody hears this"))
    console.end()
    stderr.close()
    assert not [t for t in threading.enumerate() if t.name == "console"]

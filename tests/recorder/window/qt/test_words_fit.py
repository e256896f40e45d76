"""Words of the window are read whole at the sizes of usual screens."""

from __future__ import annotations

import time
from collections.abc import Iterator
from typing import TYPE_CHECKING

import pytest
from PyQt6.QtCore import QRectF
from PyQt6.QtGui import QFontMetricsF

from recorder.window.model.crew.key_commands import Command
from recorder.window.qt.frame.application import destroy
from recorder.window.qt.frame.main_window import CrewWindow
from recorder.window.qt.panels import mark_panel
from recorder.window.qt.panels.appearance import font

if TYPE_CHECKING:
    from PyQt6.QtWidgets import QApplication

    from tests.recorder.window.conftest import FakeSession, Kit


@pytest.fixture
def window(application: QApplication, session: FakeSession, kit: Kit) -> Iterator[CrewWindow]:
    run = kit.make_run(session)
    kit.settle(run)
    made = CrewWindow(run)
    made.show()
    application.processEvents()
    yield made
    destroy(made)
    run.close()


@pytest.mark.parametrize("size", [(1024, 600), (1280, 720), (1920, 1080)])
def test_no_word_of_a_button_is_cut(
    window: CrewWindow, application: QApplication, size: tuple[int, int]
) -> None:
    window.resize(*size)
    application.processEvents()
    for button in window.buttons:
        metrics = QFontMetricsF(button.font())
        wide = max(metrics.horizontalAdvance(line) for line in button.text().split("\n"))
        assert wide <= button.width() - 4, button.text()


@pytest.mark.parametrize("size", [(1280, 720), (1920, 1080)])
def test_the_hints_under_the_marks_are_read_whole(
    window: CrewWindow,
    application: QApplication,
    monkeypatch: pytest.MonkeyPatch,
    size: tuple[int, int],
) -> None:
    """What stands there with nothing keyed, and while details of any kind of mark are typed."""
    told: list[tuple[str, float, float]] = []

    def noted(
        _: object, area: QRectF, text: str, _colour: str, pixels: float, **how: bool
    ) -> float:
        metrics = QFontMetricsF(font(pixels, bold=how.get("bold", False)))
        told.append((text, metrics.horizontalAdvance(text), area.width()))
        return metrics.horizontalAdvance(text)

    window.resize(*size)
    application.processEvents()
    monkeypatch.setattr(mark_panel, "write", noted)
    window.marks.grab()
    for kind, key in ((kind, key) for key, kind in window.run.marks.keys.items()):
        assert window.run.marks.press(key, time.monotonic_ns()) is not None, kind
        window.commands.command(Command.DETAILS)
        window.marks.grab()
        window.commands.key("Escape", "", 0)
    assert len(told) > 3 * len(window.run.marks.keys)
    assert [text for text, wide, room in told if wide > room] == []

"""What drawing the window costs, counted in paintings."""

from __future__ import annotations

from collections.abc import Callable, Iterator
from typing import TYPE_CHECKING

import numpy as np
import pytest
from numpy.typing import NDArray
from PyQt6.QtCore import QPointF
from PyQt6.QtGui import QImage

from recorder.window.model.crew.key_commands import Command
from recorder.window.qt.frame.application import destroy
from recorder.window.qt.frame.main_window import CrewWindow

if TYPE_CHECKING:
    from PyQt6.QtCore import QRectF
    from PyQt6.QtGui import QPainter
    from PyQt6.QtWidgets import QApplication, QWidget

    from tests.recorder.window.conftest import FakeSession, Kit


@pytest.fixture
def window(application: QApplication, session: FakeSession, kit: Kit) -> Iterator[CrewWindow]:
    kit.shift_start(session, 30.0)
    run = kit.make_run(session)
    kit.settle(run)
    kit.send_train(session, 30.0)
    kit.settle(run)
    made = CrewWindow(run)
    made.resize(1280, 720)
    made.show()
    application.processEvents()
    yield made
    destroy(made)
    run.close()


def test_paper_that_moves_is_painted_once_a_frame(
    window: CrewWindow, application: QApplication
) -> None:
    painted = []
    for span_s in (30.0, 10.0, 30.0, 10.0, 30.0):
        window.paper.view.show(span_s)
        window.paper.draw()
        before = window.paper.frames
        for _ in range(5):
            application.processEvents()
        painted.append(window.paper.frames - before)
    assert painted[1:] == [1, 1, 1, 1]


def send_a_second(window: CrewWindow, session: FakeSession, kit: Kit, t_s: float) -> None:
    session.send_wheel(t_s, 400.0 + 14.0 * (t_s - 30.0) + 0.14 * np.arange(100.0))
    session.send_pull(t_s, 100.0 + 20.0 * np.sin(np.arange(2000.0)))
    kit.settle(window.run)


def test_views_stand_still_while_the_paper_moves(
    window: CrewWindow, session: FakeSession, kit: Kit
) -> None:
    window.paper.view.show(10.0)
    send_a_second(window, session, kit, 30.0)
    window.draw_frame()
    moved: list[str] = []
    for strip in window.paper.strips:
        name = strip.pen.name
        strip.plot.getViewBox().sigRangeChanged.connect(
            lambda *_, name=name: moved.append(name)
        )
    for second in range(31, 36):
        send_a_second(window, session, kit, float(second))
        window.draw_frame()
    assert moved == []


def paper_of(window: CrewWindow) -> NDArray[np.uint32]:
    """(height, width) colours of the strip of the pull between its title and its dotted zero."""
    box = window.paper.strips[0].plot.getViewBox()
    zero = window.paper.mapFromScene(box.mapViewToScene(QPointF(0.0, 0.0))).y()
    at = window.paper.mapFromScene(box.sceneBoundingRect()).boundingRect()
    picture = window.paper.grab().toImage().convertToFormat(QImage.Format.Format_RGB32)
    bits = picture.constBits()
    assert bits is not None
    values = np.frombuffer(bits.asstring(picture.sizeInBytes()), np.uint32)
    whole = values.reshape(picture.height(), -1)
    title = round(2.5 * window.small)
    return whole[at.top() + title : zero - 1, at.left() + 1 : at.right() - 1]


@pytest.mark.parametrize("appearance", ["day", "night"])
def test_paper_moves_by_whole_pixels_and_keeps_what_is_drawn(
    window: CrewWindow, session: FakeSession, kit: Kit, appearance: str
) -> None:
    window.look_name = appearance
    window.dress()
    window.paper.view.show(10.0)
    window.run.marks.press("R", session.header.started_monotonic_ns + 28 * 10**9)
    for second in (30.0, 31.0):
        send_a_second(window, session, kit, second)
    window.draw_frame()
    before = paper_of(window)
    send_a_second(window, session, kit, 32.0)
    window.draw_frame()
    after = paper_of(window)
    # Ten seconds are shown, and 1.5 % of that at the right of them.
    by = round(before.shape[1] / (10.0 * 1.015))
    changed = sorted(
        np.count_nonzero(before[:, n:-by] != after[:, : -by - n]) for n in range(by - 3, by + 4)
    )
    # A point midway between two rows of pixels may be drawn in either.
    assert changed[0] <= 5
    assert changed[1] > 100


def test_a_panel_that_shows_the_same_is_not_painted_again(
    window: CrewWindow, session: FakeSession, kit: Kit, application: QApplication
) -> None:
    painted: list[QWidget] = []
    for panel in (window.keys, window.devices, window.numerals):
        draw = panel.draw

        def noted(
            painter: QPainter,
            area: QRectF,
            panel: QWidget = panel,
            draw: Callable[[QPainter, QRectF], None] = draw,
        ) -> None:
            painted.append(panel)
            draw(painter, area)

        panel.draw = noted  # type: ignore[method-assign]  # to count

    def words_change(change: Callable[[], object]) -> list[QWidget]:
        application.processEvents()
        painted.clear()
        change()
        window.draw_words()
        application.processEvents()
        return [panel for panel in painted if panel is not window.numerals]

    words_change(lambda: None)
    assert words_change(lambda: None) == []
    assert window.numerals in painted
    assert words_change(lambda: setattr(window.keys, "lit", "R")) == [window.keys]
    assert words_change(lambda: window.commands.command(Command.APPEARANCE)) == [
        window.keys,
        window.devices,
    ]
    post = session.header.started_monotonic_ns + 10**10
    assert words_change(lambda: window.run.marks.press("M", post)) == [window.keys]
    assert words_change(lambda: kit.settle(window.run, now_s=100.0)) == [window.devices]

"""What drawing the window costs, counted in paintings."""

from __future__ import annotations

from collections.abc import Iterator
from typing import TYPE_CHECKING

import pytest

from recorder.window.qt.frame.application import destroy
from recorder.window.qt.frame.main_window import CrewWindow

if TYPE_CHECKING:
    from PyQt6.QtWidgets import QApplication

    from tests.recorder.window.conftest import FakeSession, Kit


@pytest.fixture
def window(application: QApplication, session: FakeSession, kit: Kit) -> Iterator[CrewWindow]:
    kit.shift_start(session, 30.0)
    run = kit.make_run(session)
    kit.settle(run)
    kit.send_train(session, 30.0)
    kit.settle(run)
    made = CrewWindow(run)
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

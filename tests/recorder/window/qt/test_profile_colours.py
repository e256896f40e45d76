"""The strip of the line draws ground, curves and train in colours of its own."""

from __future__ import annotations

from dataclasses import replace
from typing import TYPE_CHECKING

import numpy as np
import pytest
from PyQt6.QtGui import QColor, QImage

from recorder.window.qt.frame.application import destroy
from recorder.window.qt.panels.appearance import APPEARANCES
from recorder.window.qt.paper.profile_panel import ProfilePanel

if TYPE_CHECKING:
    from numpy.typing import NDArray
    from PyQt6.QtWidgets import QApplication

    from tests.recorder.window.conftest import FakeSession, Kit

ROUTE = """chainage_m,end_chainage_m,kind,value,unit,name,direction,degree
0,,station,,,Ambleford,,
900,,milepost,10,,,,
0,1200,grade,0,,,,
1200,5000,grade,1.0,%,,,
1300,1700,curve,,,,right,3
"""


def pixels(panel: ProfilePanel) -> NDArray[np.uint32]:
    """(rows, columns) RGB of what the panel shows."""
    picture = panel.grab().toImage().convertToFormat(QImage.Format.Format_RGB32)
    bits = picture.constBits()
    assert bits is not None
    raw = bits.asstring(picture.sizeInBytes())
    whole = np.frombuffer(raw, np.uint32).reshape(picture.height(), -1)
    return np.asarray(whole[:, : picture.width()] & 0xFFFFFF)


@pytest.mark.parametrize("appearance", APPEARANCES)
def test_no_colour_of_a_pen_is_in_the_strip_of_the_line(
    application: QApplication, session: FakeSession, kit: Kit, appearance: str
) -> None:
    """But for the ink, which is also that of words."""
    del application
    trip = kit.TRIP_SHEET + '\n[route]\nfile = "gone.csv"\nstart_chainage_m = 900.0\n'
    session.header = replace(kit.header(trip=trip), route=ROUTE)
    run = kit.make_run(session)
    kit.settle(run)
    # As if just opened: what the wheel last said is of now.
    session.send_wheel(run.now_s(), 10.0 * np.arange(100) / 100.0)
    kit.settle(run)
    panel = ProfilePanel(run)
    panel.dress(APPEARANCES[appearance], 13.0)
    panel.resize(1000, 100)
    shown = pixels(panel)
    look = APPEARANCES[appearance]
    for name, drawn in (("land", True), ("train", True), ("speed", False), ("power", False),
                        ("other", False)):  # fmt: skip
        colour = QColor(getattr(look, name)).rgb() & 0xFFFFFF
        assert bool(np.count_nonzero(shown == colour) > 20) == drawn, name
    destroy(panel)
    run.close()

"""The skin, drawn without a screen."""

from __future__ import annotations

import itertools
import math
import sys
import time
from collections.abc import Iterator
from dataclasses import replace
from pathlib import Path
from typing import TYPE_CHECKING

import numpy as np
import pytest
from PyQt6.QtCore import QEvent, QPoint, QRectF, Qt
from PyQt6.QtGui import QFontMetricsF, QImage, QKeyEvent
from PyQt6.QtTest import QTest

from calibration.quantities.written import NO_VALUE
from recorder.window.model.crew.key_commands import KeyMode
from recorder.window.model.live.device_lines import device_lines
from recorder.window.model.trace.pyramid import Columns
from recorder.window.qt.frame.application import destroy
from recorder.window.qt.frame.key_filter import key_name
from recorder.window.qt.frame.main_window import CAUTION, CrewWindow
from recorder.window.qt.frame.picture import render_window, save_picture
from recorder.window.qt.panels.appearance import APPEARANCES, font
from recorder.window.qt.paper.paper import Lanes
from recorder.window.qt.paper.strips import Scale, path_arrays

if TYPE_CHECKING:
    from PyQt6.QtWidgets import QApplication, QWidget

    from tests.recorder.window.conftest import FakeSession, Kit

Held = Qt.KeyboardModifier | None

pytestmark = pytest.mark.usefixtures("application")


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


def click(
    widget: QWidget, key: Qt.Key, held: Qt.KeyboardModifier = Qt.KeyboardModifier.NoModifier
) -> None:
    """PyQt's own stub takes keyClick for an instance method, which it is not."""
    QTest.keyClick(widget, key, held)  # type: ignore[call-overload]  # see above


def press(key: Qt.Key, text: str = "", *, repeat: bool = False, held: Held = None) -> QKeyEvent:
    modifiers = Qt.KeyboardModifier.NoModifier if held is None else held
    return QKeyEvent(QEvent.Type.KeyPress, key, modifiers, text, repeat)


def test_a_key_anywhere_in_the_window_makes_a_mark(window: CrewWindow) -> None:
    before = time.monotonic_ns()
    click(window.marks, Qt.Key.Key_S)
    entries = window.run.marks.entries
    assert [e.mark.kind for e in entries] == ["station"]
    asked = entries[0].keyed
    assert asked is not None
    assert before <= asked.keyed_monotonic_ns <= time.monotonic_ns()


def test_a_held_key_makes_one_mark(window: CrewWindow, application: QApplication) -> None:
    assert application.sendEvent(window.marks, press(Qt.Key.Key_B, "b"))
    for _ in range(5):
        assert application.sendEvent(window.marks, press(Qt.Key.Key_B, "b", repeat=True))
    assert len(window.run.marks.entries) == 1


@pytest.mark.parametrize(
    ("key", "text", "held", "expected"),
    [
        (Qt.Key.Key_A, "a", None, "A"),
        (Qt.Key.Key_F5, "", None, "F5"),
        (Qt.Key.Key_Return, "\r", None, "Enter"),
        (Qt.Key.Key_Space, " ", None, "Space"),
        (Qt.Key.Key_T, "", Qt.KeyboardModifier.ControlModifier, "Ctrl+T"),
        (Qt.Key.Key_Shift, "", None, ""),
        (Qt.Key.Key_MediaPlay, "", None, ""),
    ],
)
def test_keys_have_names(key: Qt.Key, text: str, held: Held, expected: str) -> None:
    assert key_name(press(key, text, held=held)) == expected


def test_a_touch_on_a_cap_is_a_press(window: CrewWindow, application: QApplication) -> None:
    window.draw_words()
    window.grab()
    box = next(b for b, key in window.keys.caps if key == "S")
    point = QPoint(round(box.center().x()), round(box.center().y()))
    # As with keyClick, the stub is wrong.
    QTest.mouseClick(window.keys, Qt.MouseButton.LeftButton, pos=point)  # type: ignore[call-overload]
    application.processEvents()
    assert [e.mark.kind for e in window.run.marks.entries] == ["station"]


def test_the_next_milepost_has_its_key_and_its_button(
    window: CrewWindow, application: QApplication
) -> None:
    click(window, Qt.Key.Key_M, Qt.KeyboardModifier.ControlModifier)
    assert window.commands.mode is KeyMode.NEXT_POST
    for digit, key in (("4", Qt.Key.Key_4), ("0", Qt.Key.Key_0)):
        assert application.sendEvent(window.marks, press(key, digit))
    click(window, Qt.Key.Key_Return)
    click(window, Qt.Key.Key_M)
    assert [e.mark.value for e in window.run.marks.entries] == ["40"]
    assert any("Ctrl+M" in button.text() for button in window.buttons)


def test_stop_is_asked_in_the_window_and_goes_to_the_recording(
    window: CrewWindow, session: FakeSession, kit: Kit
) -> None:
    click(window, Qt.Key.Key_S, Qt.KeyboardModifier.ControlModifier)
    window.draw_words()
    assert window.alarm.question.startswith("Stop the recording?")
    assert window.alarm.height() > 0
    click(window, Qt.Key.Key_Return)
    kit.settle(window.run, now_s=100.0)
    assert ("stop", "stopped from the window") in session.asked
    assert window.run.is_ending


def test_commands_change_what_is_shown(window: CrewWindow) -> None:
    control = Qt.KeyboardModifier.ControlModifier
    click(window, Qt.Key.Key_T, control)
    click(window, Qt.Key.Key_U, control)
    click(window, Qt.Key.Key_N, control)
    assert window.paper.view.axis == "distance"
    assert window.numerals.system == "customary"
    assert window.look_name == "night"
    span = window.paper.view.span
    click(window, Qt.Key.Key_Up, control)
    assert window.paper.view.span > span
    window.draw_frame()


def test_frames_add_no_items(
    window: CrewWindow, session: FakeSession, kit: Kit, application: QApplication
) -> None:
    """Items that come and go leak memory; the pools are made once."""
    at = session.header.started_monotonic_ns
    for i in range(120):
        window.run.marks.press("RSBG"[i % 4], at + i * 240_000_000)
    kit.settle(window.run)
    window.draw_frame()
    count = len(window.paper.scene().items())
    for _ in range(20):
        window.draw_words()
        window.draw_frame()
        application.processEvents()
    assert len(window.paper.scene().items()) == count


def test_paper_that_stands_still_is_not_drawn_again(
    window: CrewWindow, session: FakeSession, kit: Kit, monkeypatch: pytest.MonkeyPatch
) -> None:
    kit.settle(window.run)
    window.draw_frame()
    drawn: list[int] = []
    monkeypatch.setattr(window.paper, "draw", lambda: drawn.append(1))
    for _ in range(10):
        window.draw_frame()
    assert drawn == []
    # What may have changed is drawn with the numerals, and what a key does at once.
    window.draw_words()
    window.draw_frame()
    assert len(drawn) == 1
    click(window, Qt.Key.Key_Up, Qt.KeyboardModifier.ControlModifier)
    window.draw_frame()
    window.run.marks.press("R", session.header.started_monotonic_ns)
    window.draw_words()
    window.draw_frame()
    assert len(drawn) == 3


def test_an_error_in_a_slot_is_told_and_the_window_lives(window: CrewWindow) -> None:
    assert sys.excepthook is not sys.__excepthook__
    sys.excepthook(RuntimeError, RuntimeError("a pen broke"), None)
    assert "a pen broke" in window.run.message


@pytest.mark.parametrize("appearance", APPEARANCES)
@pytest.mark.parametrize("size", [(1024, 600), (1920, 1080)])
def test_pictures_show_every_pen_in_its_colour(
    tmp_path: Path, session: FakeSession, kit: Kit, appearance: str, size: tuple[int, int]
) -> None:
    kit.shift_start(session, 30.0)
    run = kit.make_run(session)
    kit.settle(run)
    kit.send_train(session, 30.0)
    kit.settle(run)
    run.marks.press("M", session.header.started_monotonic_ns + 10**10)
    kit.settle(run)
    file = tmp_path / "window.png"
    render_window(run, file, size, appearance)
    run.close()
    picture = QImage(str(file))
    assert (picture.width(), picture.height()) == size
    pixels = picture.convertToFormat(QImage.Format.Format_RGB32)
    bits = pixels.constBits()
    assert bits is not None
    raw = bits.asstring(pixels.sizeInBytes())
    values = np.frombuffer(raw, np.uint32).reshape(size[1], -1)[:, : size[0]]
    paper = values[: int(size[1] * 0.6), : int(size[0] * 0.7)] & 0xFFFFFF
    for quantity in ("pull", "speed", "power"):
        colour = APPEARANCES[appearance].pen(quantity).rgb() & 0xFFFFFF
        assert np.count_nonzero(paper == colour) > 100, quantity


def test_text_is_letters_not_boxes(application: QApplication) -> None:
    metrics = QFontMetricsF(font(40))
    assert "DejaVu" in application.font().family()
    assert all(metrics.inFontUcs4(ord(c)) for c in "kNmph−±✓…●▲■Łß·°")
    assert metrics.horizontalAdvance("i") < metrics.horizontalAdvance("W")


def test_the_caution_is_there_and_the_devices_have_lines(window: CrewWindow) -> None:
    assert "Not a safety system" in CAUTION
    assert [line.name for line in device_lines(window.run.status)] == ["drawbar", "wheel"]


def test_counts_are_shown_as_counts_and_power_as_not_measured(
    application: QApplication, session: FakeSession, kit: Kit
) -> None:
    drawbar, wheel = session.header.devices
    (pull,) = drawbar.channels
    bare = replace(drawbar, channels=(replace(pull, certificate=""),))
    session.header = replace(session.header, devices=(bare, wheel))
    run = kit.make_run(session)
    kit.settle(run)
    session.send_wheel(0.0, 10.0 * np.arange(100) / 100.0)
    session.send_pull(0.0, np.full(2000, 123.3568))
    kit.settle(run)
    made = CrewWindow(run)
    pull_now, speed_now, power_now = made.numerals.numerals(1.0)
    assert (pull_now.text, pull_now.unit.label) == ("1\u2009234\u2009568", "counts")
    assert pull_now.words == "in counts: no certificate"
    assert speed_now.unit.label == "km/h"
    assert (power_now.text, power_now.words) == (NO_VALUE, "not measured")
    titles = [strip.title.toPlainText() for strip in made.paper.strips]
    assert titles[0] == "Drawbar pull, counts"
    assert not [t for t in titles if "kN" in t or "kW" in t]
    made.resize(1280, 720)
    made.show()
    made.draw_words()
    application.processEvents()
    assert math.isnan(made.numerals.highest_kN)
    destroy(made)
    run.close()


@pytest.mark.parametrize(("peak_kN", "said"), [(1e4, "beyond +"), (300.0, "in view +")])
def test_a_highest_pull_at_the_rail_is_told_as_a_bound(
    application: QApplication, session: FakeSession, kit: Kit, peak_kN: float, said: str
) -> None:
    run = kit.make_run(session)
    kit.settle(run)
    session.send_pull(0.0, np.where(np.arange(20_000) == 2000, peak_kN, 50.0))
    kit.settle(run)
    made = CrewWindow(run)
    made.resize(1280, 720)
    made.show()
    made.draw_frame()
    made.draw_words()
    application.processEvents()
    pull_now, _, _ = made.numerals.numerals(10.0)
    assert said in pull_now.words
    destroy(made)
    run.close()


def test_a_picture_that_cannot_be_written_is_an_error(
    window: CrewWindow, tmp_path: Path
) -> None:
    with pytest.raises(OSError, match="cannot be written"):
        save_picture(window, tmp_path / "no folder" / "x.png")


def columns_of(values: list[float]) -> Columns:
    value = np.array(values)
    x = np.arange(len(value), dtype=np.float64)
    return Columns(x, value, value + 0.5, np.ones(len(value), np.bool_))


def test_every_stroke_is_drawn_whatever_the_style() -> None:
    for style in ("solid", "dashed", "dotted", "dash-dot"):
        xs, ys, link = path_arrays(columns_of([1.0, 5.0, 2.0, 2.0] * 10), 2.0, style, 1.0)
        assert np.all(link[0::2] == 1)
        assert sorted(set(ys[0::2]) | set(ys[1::2])) == [2.0, 3.0, 4.0, 5.0, 10.0, 11.0]
        assert len(xs) == len(ys) == len(link) == 80


def test_unknown_columns_part_the_line() -> None:
    xs, _, link = path_arrays(columns_of([1.0, np.nan, 3.0, 4.0]), 1.0, "solid", 1.0)
    assert xs.tolist() == [0.0, 0.0, 2.0, 2.0, 3.0, 3.0]
    assert link.tolist() == [1, 0, 1, 1, 1, 0]


def test_nothing_known_draws_nothing() -> None:
    xs, ys, link = path_arrays(columns_of([np.nan, np.nan]), 1.0, "dashed", 1.0)
    assert len(xs) == len(ys) == len(link) == 0


def test_a_scale_grows_at_once_and_shrinks_late() -> None:
    scale = Scale(least=10.0)
    assert scale.update(None) == (0.0, 1.0)
    first = scale.update((-1.0, 40.0))
    assert first[0] <= -1.0
    assert first[1] >= 40.0
    assert scale.update((0.0, 90.0))[1] >= 90.0
    wide = scale.shown
    assert scale.update((0.0, 12.0)) == wide
    for _ in range(400):
        scale.update((0.0, 12.0))
    assert scale.shown[1] < 30.0


def test_a_sheet_scale_holds_but_the_pen_is_followed_beyond_it() -> None:
    scale = Scale(low=-100.0, high=300.0)
    assert scale.update((0.0, 50.0)) == (-100.0, 300.0)
    assert scale.update((0.0, 350.0))[1] >= 350.0


def test_labels_never_overlap_nor_do_stems_run_through_them() -> None:
    rng = np.random.default_rng(5)
    for _ in range(200):
        lanes = Lanes(1000.0, 3)
        boxes: list[tuple[QRectF, float, int]] = []
        for at in sorted(rng.uniform(0, 1000, 15), reverse=True):
            room = float(rng.uniform(40, 160))
            if (found := lanes.find(float(at), room)) is None:
                continue
            lane, left = found
            start = at - room if left else at
            boxes.append((QRectF(start, lane, room, 0.9), float(at), lane))
        assert len(boxes) >= 3
        for (a, _, _), (b, _, _) in itertools.combinations(boxes, 2):
            assert not a.intersects(b)
        for box, _, lane in boxes:
            for _, stem, top in boxes:
                assert not (top > lane and box.left() + 0.1 < stem < box.right() - 0.1)


def test_a_shunt_check_goes_on_by_itself_to_its_second_question(
    window: CrewWindow, session: FakeSession
) -> None:
    click(window.paper, Qt.Key.Key_9, Qt.KeyboardModifier.ControlModifier)
    click(window.paper, Qt.Key.Key_Return)
    reports = window.run.control.reports
    reports.put(reports.get(timeout=10.0))
    window.draw_frame()
    window.draw_words()
    assert "2 of 2" in window.alarm.question
    click(window.paper, Qt.Key.Key_Return)
    reports.put(reports.get(timeout=10.0))
    window.draw_frame()
    window.draw_words()
    assert window.alarm.question == ""
    assert window.run.message.startswith("take the shunt OFF")
    assert [step for what, (step, *_) in session.asked if what == "shunt"] == [
        "open",
        "shunted",
    ]


def test_an_alarm_is_written_whole(session: FakeSession, window: CrewWindow, kit: Kit) -> None:
    """As long as the longest the recording has to say: it takes more lines, and is not cut."""
    session.unsound = (
        "pull is not sound: " + "the very same count while the train moves, " * 6,
    )
    kit.settle(window.run, now_s=100.0)
    window.draw_words()
    one_row = 2.5 * window.alarm.small
    assert window.alarm.height() > one_row
    session.unsound = ()
    kit.settle(window.run, now_s=200.0)
    window.draw_words()
    assert window.alarm.height() < one_row

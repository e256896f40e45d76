"""Opening a window: options, what is missing, and a picture of a run on no screen."""

from __future__ import annotations

import csv
import ctypes.util
import os
import subprocess
import sys
from argparse import Namespace
from pathlib import Path
from typing import TYPE_CHECKING, Any

import numpy as np
import pytest

from recorder.acquisition.control.session_files import SessionError
from recorder.command_line.main import main as command
from recorder.command_line.verbs import verb_demo, verb_window
from recorder.machine.host import WINDOW
from recorder.run.parts.states import RunState
from recorder.window.model.live import ring_worker
from recorder.window.model.shown.options import WindowOptions
from recorder.window.qt.frame import app, closing, picture, preflight
from recorder.window.qt.frame.measuring import COLUMNS
from recorder.window.qt.paper.paper import View

if TYPE_CHECKING:
    from tests.recorder.window.conftest import FakeSession, Kit


@pytest.fixture
def attached(monkeypatch: pytest.MonkeyPatch, session: FakeSession, kit: Kit) -> FakeSession:
    kit.shift_start(session, 20.0)
    kit.send_train(session, 20.0)
    monkeypatch.setattr(app, "attach", lambda _=None: session)
    return session


def test_a_picture_and_a_log_of_frames(attached: FakeSession, tmp_path: Path) -> None:
    file, log = tmp_path / "w.png", tmp_path / "frames.csv"
    options = WindowOptions(
        png=str(file), seconds=0.6, size=(900, 560), appearance="night", measure=str(log)
    )
    code = app.run_window(options)
    assert code == 0
    assert file.stat().st_size > 10_000
    with log.open() as stream:
        rows = list(csv.DictReader(stream))
    assert tuple(rows[0]) == COLUMNS
    assert {row["device"] for row in rows} == {"drawbar", "wheel"}
    painted = np.array([float(row["painted_s"]) for row in rows])
    assert np.all(np.diff(painted) >= 0)
    assert attached.closed


def test_a_picture_is_taken_when_the_recording_stops(
    attached: FakeSession, tmp_path: Path, monkeypatch: pytest.MonkeyPatch
) -> None:
    attached.state = RunState.STOPPING
    attached_status = attached.status

    def status() -> Any:
        told = attached_status()
        attached.gone = "the recording of run.h5 has ended"
        return told

    monkeypatch.setattr(attached, "status", status)
    options = WindowOptions(png=str(tmp_path / "w.png"), seconds=60.0, size=(900, 560))
    assert app.run_window(options) == 0
    assert (tmp_path / "w.png").exists()


@pytest.mark.slow
@pytest.mark.parametrize("state", [RunState.RECORDING, RunState.SEALING])
def test_a_picture_waits_until_the_window_has_caught_up(
    session: FakeSession,
    kit: Kit,
    tmp_path: Path,
    monkeypatch: pytest.MonkeyPatch,
    state: RunState,
) -> None:
    """A backlog that takes a second or two to read: longer than the first look, and than the
    time asked for."""
    monkeypatch.setattr(ring_worker, "MOST_BLOCKS", 1)
    kit.shift_start(session, 40.0)
    for i in range(400):
        session.send_wheel(0.05 * i, 10.0 * (0.05 * i + np.arange(5) / 100.0))
    session.state = state
    monkeypatch.setattr(app, "attach", lambda _=None: session)
    shown: list[float] = []

    def taken(window: Any, path: str) -> None:
        shown.append(window.run.traces.distance_s)
        picture.save_picture(window, path)

    monkeypatch.setattr(closing, "save_picture", taken)
    options = WindowOptions(png=str(tmp_path / "w.png"), seconds=0.3, size=(900, 560))
    assert app.run_window(options) == 0
    assert shown == pytest.approx([19.99], abs=0.02)
    assert (tmp_path / "w.png").exists()


def test_no_recording_is_one_line_and_code_2(
    capsys: pytest.CaptureFixture[str], monkeypatch: pytest.MonkeyPatch, tmp_path: Path
) -> None:
    monkeypatch.setenv("TESTCAR_RUNTIME_DIR", str(tmp_path))
    assert app.main(["--session", "gone.h5", "--wait", "0"]) == 2
    told = capsys.readouterr().err
    assert told.count("\n") == 1
    assert "testcar record" in told
    monkeypatch.setattr(
        verb_window, "give_way", lambda _steps: None
    )  # of this process, for good
    assert command(["window", "--wait", "0"]) == 2
    assert "no recording" in capsys.readouterr().err


@pytest.mark.skipif(not hasattr(os, "nice"), reason="priorities as POSIX has them")
def test_a_window_opened_by_hand_gives_way_to_the_recording_as_any_other() -> None:
    lines = (
        "import os",
        "from recorder.command_line.main import main",
        "from recorder.command_line.verbs import verb_window",
        "verb_window.run_window = lambda _options: os.nice(0)",
        "print(main(['window']))",
    )
    code = [sys.executable, "-c", "\n".join(lines)]
    assert int(subprocess.check_output(code, text=True)) == min(os.nice(0) + WINDOW, 19)


def test_a_recording_that_is_just_starting_is_waited_for(
    monkeypatch: pytest.MonkeyPatch, session: FakeSession
) -> None:
    answers = iter([SessionError("not yet"), SessionError("not yet"), session])

    def attach(_: object = None) -> Any:
        answer = next(answers)
        if isinstance(answer, SessionError):
            raise answer
        return answer

    monkeypatch.setattr(app, "attach", attach)
    found: object = app.attach_when_there(None, 10.0)
    assert found is session


@pytest.mark.parametrize("words", [["--fps", "0"], ["--seconds", "-1"], ["--seconds", "nan"]])
def test_options_that_make_no_sense_are_refused(
    words: list[str], capsys: pytest.CaptureFixture[str]
) -> None:
    assert app.main(words) == 2
    assert words[0] in capsys.readouterr().err


@pytest.mark.parametrize("size", ["big", "10x10", "1024", "-5x600", "1024x600x3"])
def test_a_size_that_is_none_is_refused(size: str) -> None:
    with pytest.raises(SystemExit) as ended:
        app.main(["--size", size])
    assert ended.value.code == 2


def test_no_screen_is_said_with_what_to_do(monkeypatch: pytest.MonkeyPatch) -> None:
    monkeypatch.setattr(sys, "platform", "linux")
    for name in ("DISPLAY", "WAYLAND_DISPLAY", "QT_QPA_PLATFORM"):
        monkeypatch.delenv(name, raising=False)
    with pytest.raises(preflight.NoScreenError, match="testcar record --headless"):
        preflight.check_screen()


@pytest.mark.parametrize(
    ("system", "environment", "seen"),
    [
        ("win32", {}, True),
        ("darwin", {}, True),
        ("linux", {}, False),
        ("linux", {"DISPLAY": ":0"}, True),
        ("linux", {"WAYLAND_DISPLAY": "wayland-0"}, True),
        ("win32", {"QT_QPA_PLATFORM": "offscreen"}, False),
        ("linux", {"DISPLAY": ":0", "QT_QPA_PLATFORM": "minimal"}, False),
    ],
)
def test_a_screen_is_there_on_every_system_that_has_one(
    system: str, environment: dict[str, str], seen: bool, monkeypatch: pytest.MonkeyPatch
) -> None:
    monkeypatch.setattr(sys, "platform", system)
    for name in ("DISPLAY", "WAYLAND_DISPLAY", "QT_QPA_PLATFORM"):
        monkeypatch.delenv(name, raising=False)
    for name, value in environment.items():
        monkeypatch.setenv(name, value)
    assert preflight.has_screen() is seen


@pytest.mark.parametrize(("system", "platform"), [("darwin", None), ("linux", "offscreen")])
def test_a_picture_is_drawn_unseen_only_where_there_is_no_screen(
    system: str, platform: str | None, monkeypatch: pytest.MonkeyPatch
) -> None:
    monkeypatch.setattr(sys, "platform", system)
    monkeypatch.setenv("QT_QPA_PLATFORM", "to be put back afterwards")
    for name in ("DISPLAY", "WAYLAND_DISPLAY", "QT_QPA_PLATFORM"):
        monkeypatch.delenv(name, raising=False)
    preflight.draw_unseen()
    assert os.environ.get("QT_QPA_PLATFORM") == platform


def test_a_ride_that_nobody_could_key_is_not_begun(
    tmp_path: Path, monkeypatch: pytest.MonkeyPatch
) -> None:
    monkeypatch.setattr(sys, "platform", "linux")
    monkeypatch.setattr(ctypes.util, "find_library", lambda _: None)
    monkeypatch.setenv("DISPLAY", ":0")
    for name in ("WAYLAND_DISPLAY", "QT_QPA_PLATFORM"):
        monkeypatch.delenv(name, raising=False)
    ride = Namespace(ride=True, headless=False, seconds=None, seed=1, out=tmp_path / "ride")
    with pytest.raises(preflight.NoScreenError, match="libxcb-cursor0"):
        verb_demo.run(ride)
    assert not ride.out.exists()


def test_a_missing_library_is_named_with_its_package(monkeypatch: pytest.MonkeyPatch) -> None:
    monkeypatch.setattr(sys, "platform", "linux")
    monkeypatch.setattr(ctypes.util, "find_library", lambda _: None)
    monkeypatch.setenv("DISPLAY", ":0")
    monkeypatch.delenv("WAYLAND_DISPLAY", raising=False)
    monkeypatch.delenv("QT_QPA_PLATFORM", raising=False)
    with pytest.raises(preflight.NoScreenError, match="libxcb-cursor0"):
        preflight.check_screen()
    words = preflight.library_words("libEGL.so.1: cannot open shared object file")
    assert "install libegl1" in words


@pytest.mark.parametrize(
    ("axis", "asked", "shown"),
    [("time", 3600.0, 3600.0), ("time", 61.0, 120.0), ("time", 1e9, 43_200.0),
     ("distance", 1500.0, 2000.0)],
)  # fmt: skip
def test_so_much_paper_is_shown_as_was_asked_for_at_least(
    axis: str, asked: float, shown: float
) -> None:
    view = View(axis=axis)
    view.show(asked)
    assert view.span == shown

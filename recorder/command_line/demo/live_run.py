"""A live run of the demo: a simulated train on real ports, recorded as any other."""

from __future__ import annotations

import sys
from contextlib import ExitStack
from dataclasses import dataclass
from typing import TYPE_CHECKING, Final

from calibration.quantities.written import lasting
from recorder.acquisition.process.launch import start_recording
from recorder.acquisition.process.reports import CheckReport, Progress, Swept, Warned
from recorder.command_line.demo.beside import WindowBeside
from recorder.command_line.demo.live_crew import DemoCrew
from recorder.command_line.demo.lookout import Lookout
from recorder.command_line.support.errors import UsageError
from simulated_feeds.serving.serving import start_feed

if TYPE_CHECKING:
    from collections.abc import Callable
    from pathlib import Path

    from recorder.acquisition.process.launch import RecordingProcess
    from recorder.acquisition.process.reports import RecordingReport

__all__ = ["DemoProgress", "LiveDemo", "record_live"]

PATIENCE_S: Final = 300.0


@dataclass(frozen=True, slots=True, kw_only=True)
class LiveDemo:
    """What is recorded, and who keys."""

    folder: Path
    seconds: float
    seed: int
    unseen: bool
    """No window on a screen."""
    by_hand: bool = False
    """Marks are keyed at the window, and what is to be keyed is called out."""


def record_live(demo: LiveDemo) -> int:
    """Record it into ``folder/run.h5``; the monotonic ns of run time 0.

    Raises
    ------
    UsageError
        The recording did not end well.
    """
    feed_folder = demo.folder / "feed"
    with start_feed(feed_folder, seed=demo.seed, from_bench=True) as feed:
        sheets = feed.sheets
        with (
            start_recording(
                sheets["car"], sheets["trip"], demo.folder / "run.h5", seconds=demo.seconds,
                report=DemoProgress(),
            ) as recording,
            ExitStack() as beside,
        ):  # fmt: skip
            started_ns = recording.session.header.started_monotonic_ns
            window = _window(recording, demo)
            helper = Lookout(feed_folder, _caller(_calls(demo))) if demo.by_hand else None
            crew = None if demo.by_hand else DemoCrew(recording.session, feed_folder)
            for one in (helper, crew):
                if one is not None:
                    beside.callback(one.close)
            code = recording.wait(demo.seconds + PATIENCE_S)
        window.close()
        feed.stop()
    if code != 0:
        msg = f"the recording ended with exit code {code}; see the lines above"
        raise UsageError(msg)
    return started_ns


def _window(recording: RecordingProcess, demo: LiveDemo) -> WindowBeside:
    # The picture is taken just before the end, with the whole run behind it.
    before_s = 2.0 if demo.unseen else 0.5
    return WindowBeside(
        recording.session_path, demo.folder / "window.png", unseen=demo.unseen,
        seconds=max(demo.seconds - before_s, 1.0),
        calls=_calls(demo) if demo.by_hand else None,
    )  # fmt: skip


def _calls(demo: LiveDemo) -> Path:
    """Where the window reads what is called out."""
    return demo.folder / "feed" / "calls.txt"


def _caller(path: Path) -> Callable[[str], None]:
    """Calls out on the terminal and, for the window, in a file."""

    def call(words: str) -> None:
        print(words, flush=True)
        with path.open("a", encoding="utf-8") as stream:
            stream.write(f"{words}\n")

    return call


class DemoProgress:
    """How far the run is, a line each so many seconds, and whatever else the recording reports."""

    def __init__(self, every_s: float = 10.0) -> None:
        self._every_s = every_s
        self._next_s = 0.0

    def __call__(self, report: RecordingReport) -> None:
        match report:
            case Progress(status):
                if status.t_s >= self._next_s:
                    self._next_s = self._every_s * (status.t_s // self._every_s + 1.0)
                    print(f"demo: {lasting(status.t_s)} recorded", file=sys.stderr)
            case Warned(text) | CheckReport(text) | Swept(text):
                print(f"demo: {text}", file=sys.stderr)

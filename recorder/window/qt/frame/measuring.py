"""How long a sample takes from the port to the screen: one row a frame and device."""

from __future__ import annotations

import csv
from pathlib import Path
from typing import TYPE_CHECKING

if TYPE_CHECKING:
    from recorder.window.model.live.live_run import Drawn
    from recorder.window.qt.frame.main_window import CrewWindow

__all__ = ["COLUMNS", "FrameLog"]

COLUMNS = ("frame", "painted_s", "device", "sample_s", "received_s", "draw_ms")
"""Run time in s: when the frame was painted, the newest sample of the device drawn in it, and
when that sample was in the recorder's hand; last, what the frame cost."""


class FrameLog:
    """Writes the CSV while the window runs; raises ``OSError`` when it cannot be written."""

    def __init__(self, path: str | Path, window: CrewWindow) -> None:
        self._stream = Path(path).open("w", newline="", encoding="utf-8")  # noqa: SIM115 - until close
        self._rows = csv.writer(self._stream)
        self._rows.writerow(COLUMNS)
        self._window = window
        self._drawn: dict[str, Drawn] = {}
        self._began_s = 0.0
        window.after_draw = self._note_drawn
        window.paper.after_paint = self._note_painted

    def _note_drawn(self, drawn: dict[str, Drawn], began_s: float) -> None:
        self._drawn, self._began_s = drawn, began_s

    def _note_painted(self, painted_ns: int) -> None:
        painted_s = self._window.run.now_s(painted_ns)
        cost = f"{(painted_s - self._began_s) * 1e3:.3f}"
        for d in self._drawn.values():
            row = (f"{painted_s:.6f}", d.device, f"{d.time_s:.6f}", f"{d.received_s:.6f}", cost)
            self._rows.writerow((self._window.paper.frames, *row))
        self._drawn = {}

    def close(self) -> None:
        """Finish the file."""
        self._window.after_draw = self._window.paper.after_paint = None
        self._stream.close()

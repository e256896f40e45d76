"""What a frame of the crew's window costs, and whether frames cost memory.

    python tests/benchmarks/bench_window.py [--channels 8] [--hz 20000] [--frames 1500]

Draws without a screen. Prints the cost of a frame against the time there is at 60 frames a
second, the same for a plain curve of all samples, and the growth of memory over the frames.
"""

from __future__ import annotations

import argparse
import os
import sys
import time
from types import SimpleNamespace
from typing import TYPE_CHECKING, cast

os.environ["QT_QPA_PLATFORM"] = "offscreen"

import numpy as np
import psutil
import pyqtgraph as pg
from PyQt6.QtGui import QColor, QPen
from PyQt6.QtWidgets import QApplication

from recorder.window.model.crew.mark_list import MarkList
from recorder.window.model.trace.pens import Pen
from recorder.window.model.trace.trace_chunk import TraceChunk
from recorder.window.model.trace.trace_model import TraceModel
from recorder.window.qt.frame.application import application
from recorder.window.qt.panels.appearance import APPEARANCES
from recorder.window.qt.paper.paper import SPANS, Paper

if TYPE_CHECKING:
    from recorder.window.model.live.live_run import LiveRun

WIDTH, HEIGHT = 1600, 900
SHOWN_S = 60.0
FRAME_S = 1.0 / 60.0


class Run:
    """As much of a run as the paper looks at."""

    def __init__(self, channels: int) -> None:
        self.pens = tuple(
            Pen(name=f"ch{i}", title=f"Channel {i}", quantity="pull", unit="kN", device="d",
                channel=f"ch{i}")
            for i in range(channels)
        )  # fmt: skip
        self.traces = TraceModel(self.pens)
        self.marks = MarkList({}, send=lambda _order: None)
        self.header = SimpleNamespace(started_utc_ns=0)
        self.car = SimpleNamespace(time_zone="UTC")


def own(app: QApplication, channels: int, hz: float, frames: int) -> tuple[float, float, float]:
    """Seconds to take up samples and to draw, a frame; MiB grown over the second half."""
    run = Run(channels)
    paper = Paper(cast("LiveRun", run))
    paper.resize(WIDTH, HEIGHT)
    paper.dress(APPEARANCES["day"], "metric", 12.0)
    paper.view.choice = {"time": SPANS["time"].index(SHOWN_S), "distance": 0}
    paper.show()
    step = int(hz * FRAME_S)
    noise = np.random.default_rng(1).normal(0.0, 5.0, step)
    feeding = drawing = 0.0
    half = 0
    for frame in range(frames):
        t = (frame * step + np.arange(step)) / hz
        values = dict.fromkeys((p.channel for p in run.pens), 100.0 * np.sin(0.3 * t) + noise)
        began = time.perf_counter()
        run.traces.take(
            TraceChunk(device="d", received_s=float(t[-1]), time_s=t, values=values, flags={},
                  breaks=np.empty(0, np.intp))
        )  # fmt: skip
        fed = time.perf_counter()
        paper.draw()
        app.processEvents()
        drawn = time.perf_counter()
        feeding += fed - began
        drawing += drawn - fed
        if frame == frames // 2:
            half = psutil.Process().memory_info().rss
    grown = (psutil.Process().memory_info().rss - half) / 2**20
    paper.close()
    return feeding / frames, drawing / frames, grown


def plain(app: QApplication, channels: int, hz: float) -> float:
    """Seconds a frame when every sample shown is handed to a plain curve."""
    widget = pg.GraphicsLayoutWidget()
    widget.resize(WIDTH, HEIGHT)
    t = np.arange(int(SHOWN_S * hz)) / hz
    curves = []
    for i in range(channels):
        plot = widget.addPlot(row=i, col=0)
        plot.disableAutoRange()
        plot.setXRange(0, SHOWN_S)
        plot.setYRange(-150, 150)
        curves.append(plot.plot(pen=QPen(QColor("#0A3D73"), 0)))
    widget.show()
    values = 100.0 * np.sin(0.3 * t) + np.random.default_rng(1).normal(0.0, 5.0, len(t))
    began = time.perf_counter()
    for _ in range(2):
        for curve in curves:
            curve.setData(t, values)
        app.processEvents()
    widget.close()
    return (time.perf_counter() - began) / 2


def main() -> int:
    """Print the figures."""
    parser = argparse.ArgumentParser(description=__doc__)
    parser.add_argument("--channels", type=int, default=8)
    parser.add_argument("--hz", type=float, default=20_000.0)
    parser.add_argument("--frames", type=int, default=1500)
    args = parser.parse_args()
    app = application()
    feed_s, draw_s, grown = own(app, args.channels, args.hz, args.frames)
    bare_s = plain(app, args.channels, args.hz)
    share = (feed_s + draw_s) / FRAME_S
    print(
        f"{args.channels} channels at {args.hz:g} Hz, {SHOWN_S:g} s shown, {args.frames} frames"
    )
    print(f"take up samples      {feed_s * 1e3:8.2f} ms a frame")
    print(f"draw and paint       {draw_s * 1e3:8.2f} ms a frame")
    print(f"share of 1/60 s      {share:8.2f}")
    print(
        f"plain curves         {bare_s * 1e3:8.2f} ms a frame, {bare_s / draw_s:.0f} times ours"
    )
    print(f"memory, second half  {grown:8.2f} MiB in {args.frames // 2} frames")
    return 0


if __name__ == "__main__":
    sys.exit(main())

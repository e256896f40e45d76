"""A load-cell front end at any rate, cheap to run: for benchmarks.

Frames are made in advance; only sequence, tick and checksum change. Channel 0 can step between
two levels; the moment each step's frame goes out is noted in ``steps.csv``, so that the way to
the screen can be timed.

As a process it is this module, given its settings as JSON, and reports as a feed does.
"""

from __future__ import annotations

import json
import os
import sys
import time
import zlib
from contextlib import ExitStack
from dataclasses import asdict, dataclass
from pathlib import Path
from typing import TYPE_CHECKING, Any, Final

import numpy as np
import tomli_w

from calibration.certificates.certificate import dump_certificate
from recorder.machine.clocks import now_ns
from simulated_feeds.devices.emission import Emission
from simulated_feeds.devices.wire import load_cell_frames
from simulated_feeds.outing.scenario import make_scenario
from simulated_feeds.serving.feed_process import FeedProcess, run_child, start_process
from simulated_feeds.serving.feed_reports import FeedEnded, FeedReady, FeedStarted
from simulated_feeds.serving.ports import open_ports
from simulated_feeds.serving.server import Server
from simulated_feeds.serving.serving import write_note
from simulated_feeds.settings.errors import FeedError
from simulated_feeds.sheets.sheet_files import (
    CAR,
    PULL_CERTIFICATE,
    TRIP,
    car_sheet,
    force_certificate,
    trip_sheet,
)

if TYPE_CHECKING:
    from collections.abc import Callable

    from simulated_feeds.serving.feed_reports import FeedReporter

__all__ = ["LoadSettings", "LoadSource", "run_load", "start_load"]

STEPS: Final = "steps.csv"
DEVICE: Final = "drawbar"
_POOL: Final = 64
"""Frames made in advance."""


@dataclass(frozen=True, slots=True, kw_only=True)
class LoadSettings:
    """How to load a recorder. Checked once, never changed."""

    folder: str
    channels: int = 8
    sample_rate_hz: int = 20_000
    samples_per_frame: int = 200
    seconds: float | None = None
    speed: float = 1.0
    """0: as fast as the reader takes it."""
    transport: str = "tcp"
    step_every_s: float = 0.0
    """Channel 0 steps so often; 0: never."""
    step_counts: int = 2_000_000
    seed: int = 1

    def __post_init__(self) -> None:
        if not 1 <= self.sample_rate_hz <= 1_000_000:
            msg = f"sample rate must be 1 to 1000000 Hz, got {self.sample_rate_hz}"
            raise FeedError(msg)
        if not (1 <= self.channels <= 16 and 1 <= self.samples_per_frame <= 512):
            msg = (
                "channels must be 1 to 16 and samples per frame 1 to 512, got"
                f" {self.channels} and {self.samples_per_frame}"
            )
            raise FeedError(msg)

    @property
    def tick_hz(self) -> int:
        """A multiple of the sample rate, so that steps are whole ticks."""
        return self.sample_rate_hz * max(1, 1_000_000 // self.sample_rate_hz)


class LoadSource:
    """A :class:`~simulated_feeds.serving.server.EmissionSource` of one device."""

    def __init__(self, settings: LoadSettings) -> None:
        self._settings = s = settings
        rng = np.random.default_rng(s.seed)
        self._step_ticks = s.tick_hz // s.sample_rate_hz
        self._frame_s = s.samples_per_frame / s.sample_rate_hz
        wave = 3.0e5 * np.sin(2.0 * np.pi * np.arange(_POOL * s.samples_per_frame) / 4001.0)
        counts = wave[:, None] + rng.normal(0.0, 300.0, (wave.size, s.channels))
        whole = np.rint(counts).astype(np.int64).reshape(_POOL, s.samples_per_frame, s.channels)
        high = whole.copy()
        high[:, :, 0] = s.step_counts + whole[:, :, 0] // 100
        if s.step_every_s > 0.0:
            whole[:, :, 0] //= 100
        self._pools = [self._frames(whole), self._frames(high)]
        self._next = 0
        self._level = 0
        self._per_stretch = max(1, round(0.02 / self._frame_s))

    def _frames(self, counts: Any) -> list[bytearray]:  # noqa: ANN401 - an array
        frames = load_cell_frames(
            counts, first_sequence=0, first_ticks=np.zeros(len(counts), np.int64),
            step_ticks=self._step_ticks, tick_hz=self._settings.tick_hz,
        )  # fmt: skip
        return [bytearray(frame) for frame in frames]

    @property
    def t_s(self) -> float:
        """Simulated time given out."""
        return self._next * self._frame_s

    def advance(self) -> dict[str, list[Emission]] | None:
        """The next 20 ms, or one frame when it is longer."""
        return {DEVICE: [self._emission(self._next) for _ in range(self._per_stretch)]}

    def _emission(self, number: int) -> Emission:
        s = self._settings
        tag = -1
        if s.step_every_s > 0.0:
            step = int(number * self._frame_s / s.step_every_s)
            if step != self._level:
                self._level, tag = step, step
        frame = self._pools[self._level % 2][number % _POOL]
        tick = number * s.samples_per_frame * self._step_ticks
        frame[6:10] = (number % 2**32).to_bytes(4, "little")
        frame[10:14] = (tick % 2**32).to_bytes(4, "little")
        check = zlib.crc32(memoryview(frame)[2:-4])
        frame[-4:] = check.to_bytes(4, "little")
        self._next = number + 1
        return Emission(self._next * self._frame_s, bytes(frame), tag)


def run_load(
    settings: LoadSettings, report: FeedReporter, stop: Callable[[], bool]
) -> FeedEnded:
    """Run the source in this thread until its end; what became of every frame.

    Raises
    ------
    FeedError, OSError
        Port or folder are not to be had.
    """
    folder = Path(settings.folder)
    folder.mkdir(parents=True, exist_ok=True)
    source = LoadSource(settings)
    with ExitStack() as held:
        ports = open_ports([DEVICE], settings.transport, folder / "ports")
        for port in ports:
            held.callback(port.close)
        sheets = _write_sheets(folder, settings, ports[0].address)
        report(
            FeedReady(
                pid=os.getpid(), ports={DEVICE: ports[0].address}, sheets=sheets,
                folder=settings.folder, seed=settings.seed,
            )
        )  # fmt: skip
        steps = held.enter_context((folder / STEPS).open("w", encoding="utf-8", newline=""))
        steps.write("step,monotonic_ns\n")
        server = Server(
            source, ports, speed=settings.speed, seconds=settings.seconds, stop=stop,
            note_sent=lambda tag, at_ns: print(tag, at_ns, sep=",", file=steps, flush=True),
        )  # fmt: skip
        began = server.wait_for_readers()
        if began:
            now = now_ns()
            write_note(folder, {"simulated0_monotonic_ns": now, "speed": settings.speed or 1.0})
            report(FeedStarted(simulated0_monotonic_ns=now, utc0_ns=time.time_ns()))
            server.run(now)
        ended = FeedEnded(
            began=began, simulated_s=source.t_s, frames={p.name: p.stats for p in ports},
            worst_late_ms=server.late_ns / 1e6,
            complete=settings.seconds is not None and source.t_s >= settings.seconds,
        )  # fmt: skip
    report(ended)
    return ended


def _write_sheets(folder: Path, settings: LoadSettings, address: str) -> dict[str, str]:
    scenario = make_scenario(
        settings.seed, channels=settings.channels, sample_rate_hz=settings.sample_rate_hz
    )
    car = car_sheet(
        scenario, {DEVICE: address, "wheel": "-", "clock": "-"}, speed=settings.speed
    )
    car["devices"] = {DEVICE: car["devices"][DEVICE]}
    car["devices"][DEVICE]["options"]["tick_hz"] = settings.tick_hz
    car["recording"]["zero_seconds"] = 0.0
    trip = trip_sheet(scenario)
    del trip["route"]
    texts = {
        CAR: tomli_w.dumps(car),
        TRIP: tomli_w.dumps(trip),
        PULL_CERTIFICATE: dump_certificate(force_certificate(scenario)),
    }
    for name, text in texts.items():
        (folder / name).write_text(text, encoding="utf-8", newline="\n")
    return {"car": str(folder / CAR), "trip": str(folder / TRIP)}


def start_load(
    folder: Path | str,
    *,
    ready_timeout_s: float = 30.0,
    **settings: Any,  # noqa: ANN401 - checked by LoadSettings
) -> FeedProcess:
    """Start the source as a process of its own and wait until its port is there.

    Raises
    ------
    FeedError
        The settings cannot work, or the process ended before it was ready.
    """
    checked = LoadSettings(folder=str(folder), **settings)
    return start_process(
        "simulated_feeds.serving.load_source",
        json.dumps(asdict(checked)),
        Path(folder),
        ready_timeout_s=ready_timeout_s,
    )


if __name__ == "__main__":
    sys.exit(run_child(lambda text, *rest: run_load(LoadSettings(**json.loads(text)), *rest)))

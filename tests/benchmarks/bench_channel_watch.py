"""What the watch over the channels costs: live, a second of it; and at the seal, of 12 hours.

    PYTHONPATH=. .venv/bin/python tests/benchmarks/bench_channel_watch.py

Rings of a cell, a wheel and a receiver are filled by the second, and the processor time of the
watch alone is taken; at most 1 % of a core is allowed.
"""

from __future__ import annotations

import os
import time
from dataclasses import replace

import numpy as np

from calibration.certificates.certificate import Certificate
from calibration.clock.tick_line import TickLine
from recorder.acquisition.field.channel_watch import ChannelWatch
from recorder.acquisition.ring.ring import RingWriter
from recorder.run.checks.channel_health import Episode
from recorder.run.checks.run_health import RunHealth
from recorder.run.parts.block import Block
from recorder.run.parts.header import DeviceHeader, RunHeader
from tests.recorder.made_runs import CELL, WHEEL, header, load_cell, wheel
from tests.recorder.run.checks.health_cases import receiver

CERTIFICATES: dict[str, Certificate] = {"certs/cell.json": CELL, "wheel": WHEEL}
SECONDS = 60


class Nobody:
    """Is told, and says nothing."""

    def begun(self, episode: Episode) -> None:
        """Nothing."""

    def ended(self, episode: Episode) -> None:
        """Nothing."""


def wide_cell(channels: int) -> DeviceHeader:
    """A cell with so many wired channels."""
    held = load_cell()
    (pull,) = held.channels
    return replace(
        held,
        dtype=[["tick", "<u8"], *([f"ch{i}", "<i4"] for i in range(channels))],
        channels=tuple(replace(pull, name=f"pull{i}", field=f"ch{i}") for i in range(channels)),
    )


def a_second(
    device: DeviceHeader, hz: int, second: int, rng: np.random.Generator
) -> np.ndarray:
    """(hz,) records."""
    records = np.zeros(hz, device.record_dtype)
    t = second + np.arange(hz) / hz
    records["tick"] = np.rint(t * 1e6).astype(np.uint64)
    for name in device.record_dtype.names or ():
        if name.startswith("ch"):
            records[name] = rng.normal(500_000.0, 300.0, hz).astype(np.int32)
        elif name == "count":
            records[name] = (t * 400.0).astype(np.int64)
        elif name == "speed_m_s":
            records[name] = 12.0
        elif name == "valid":
            records[name] = 1
    return records


def live(made: RunHeader, rates_hz: dict[str, int], blocks: dict[str, int]) -> float:
    """Processor seconds a second of the run."""
    rng = np.random.default_rng(1)
    writers = {
        d.name: RingWriter(f"tcbench_{os.getpid()}_{d.name}", dtype=d.record_dtype)
        for d in made.devices
    }
    readers = {name: writer.reader(name) for name, writer in writers.items()}
    watch = ChannelWatch(made, CERTIFICATES, readers, print)
    line, spent = TickLine(tick0=0, t0_s=0.0, s_per_tick=1e-6), 0.0
    for second in range(SECONDS):
        for device in made.devices:
            records = a_second(device, rates_hz[device.name], second, rng)
            for part in np.array_split(records, blocks[device.name]):
                writers[device.name].write(
                    Block(device=device.name, received_s=second + 1.0, records=part, line=line)
                )
        begun = time.process_time()
        watch.second(second + 1.0)
        spent += time.process_time() - begun
    watch.close()
    for writer in writers.values():
        writer.close()
    return spent / SECONDS


def sealed(made: RunHeader, rates_hz: dict[str, int]) -> float:
    """Processor seconds of 12 hours, from ten minutes fed in pieces of the seal's size."""
    rng = np.random.default_rng(1)
    watch, spent = RunHealth(made, CERTIFICATES, Nobody()), 0.0
    for start in range(0, 600, 200):
        for device in made.devices:
            hz = rates_hz[device.name]
            seconds = [a_second(device, hz, start + i, rng) for i in range(200)]
            records = np.concatenate(seconds)
            time_s = records["tick"] * 1e-6
            begun = time.process_time()
            watch.feed(device.name, time_s, records)
            spent += time.process_time() - begun
        begun = time.process_time()
        watch.judge_whole()
        spent += time.process_time() - begun
    return spent * 12.0 * 6.0


def main() -> None:
    """Print figures and ratios."""
    for channels, hz in ((1, 2000), (4, 2000), (4, 20_000), (16, 20_000)):
        made = header(wide_cell(channels), wheel(), receiver())
        rates = {"cell": hz, "wheel": 100, "gnss": 5}
        share = live(made, rates, {"cell": 100, "wheel": 100, "gnss": 5})
        print(
            f"{channels} channels at {hz} samples/s: live {1e3 * share:.2f} ms a second,"
            f" {100 * share:.3f} % of a core (1 % allowed);"
            f" 12 h at the seal {sealed(made, rates):.1f} s"
        )


if __name__ == "__main__":
    main()

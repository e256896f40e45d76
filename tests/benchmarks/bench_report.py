"""The report of long runs: time and memory on one core at 1, 4 and 12 hours.

    python tests/benchmarks/bench_report.py [--hours 1 4 12]

Makes runs of 2 kHz and four channels with a wheel and a specification, reports on each in a
process of its own pinned to one core, and prints seconds, peak memory and ratios per hour.
"""

from __future__ import annotations

import argparse
import os
import resource
import subprocess
import sys
import tempfile
import time
import uuid
from datetime import date
from pathlib import Path

import numpy as np
from numpy.typing import NDArray

from calibration.certificates.certificate import dump_certificate
from calibration.certificates.force import ForceCertificate
from calibration.certificates.wheel import WheelCertificate
from recorder.marks.mark import Mark
from recorder.run.parts.header import ChannelHeader, DeviceHeader, RunHeader
from recorder.run_file.seal.write_whole import DeviceData, write_run

TRIP = """
[trip]
name = "long run"
[locomotive]
mass_t = 150.0
rotary_allowance = 0.05
[consist]
mass_t = 1000.0
length_m = 300.0
axles = 84
[specification]
[[specification.points]]
speed_km_h = 5
pull_kN = 150
[[specification.points]]
speed_km_h = 90
pull_kN = 60
"""
REPORT = "from recorder.command_line.main import main; import sys; sys.exit(main(sys.argv[1:]))"


def main() -> int:
    """Make and report."""
    parser = argparse.ArgumentParser(description=__doc__)
    parser.add_argument("--hours", type=float, nargs="+", default=[1.0, 4.0, 12.0])
    args = parser.parse_args()
    first = 0.0
    for hours in args.hours:
        with tempfile.TemporaryDirectory(prefix="bench-report-") as folder:
            path = Path(folder) / "run.h5"
            # In a process of its own: what making a run needs is not the report's.
            subprocess.run(
                [sys.executable, __file__, "--make", str(path), str(hours)], check=True
            )
            seconds, peak = _report(path)
        first = first or seconds / hours
        print(
            f"{hours:4g} h: report in {seconds:.1f} s, peak {peak:.0f} MiB,"
            f" {seconds / hours:.2f} s an hour of run, {seconds / hours / first:.2f} of the first",
            flush=True,
        )
    return 0


def _report(path: Path) -> tuple[float, float]:
    before = os.sched_getaffinity(0)
    os.sched_setaffinity(0, {0})
    try:
        began = time.monotonic()
        words = ["report", str(path), "--out", str(path.parent / "report")]
        process = subprocess.Popen(
            [sys.executable, "-c", REPORT, *words], stdout=subprocess.DEVNULL
        )
        _, status, usage = os.wait4(process.pid, 0)
    finally:
        os.sched_setaffinity(0, before)
    if status:
        print("the report failed")
    return time.monotonic() - began, usage.ru_maxrss / 1024.0


def make(path: Path, hours: float) -> None:
    """Write one run."""
    rate, wheel_rate = 2000, 100
    n, m = int(hours * 3600 * rate), int(hours * 3600 * wheel_rate)
    rng = np.random.default_rng(1)
    tw = np.arange(m) / wheel_rate
    speed = 12.0 + 6.0 * np.sin(tw / 700.0)
    cell = ForceCertificate.from_coefficients([0.0, 1e-4], capacity_kN=900.0)
    wheel = WheelCertificate(
        certificate_id="w",
        issued=date(2026, 1, 1),
        expires=None,
        wheel="bench",
        circumference_m=2.87,
        u_circumference_m=0.002,
        pulses_per_revolution=200,
    )
    kind = np.dtype([("tick", "<u8"), *((f"ch{i}", "<i4") for i in range(4))])
    records = np.zeros(n, kind)
    records["tick"] = np.arange(n, dtype=np.uint64) * np.uint64(500)
    pull = 155.0 - 4.0 * speed
    records["ch0"] = np.repeat(pull * 1e4, rate // wheel_rate) + rng.integers(-3000, 3000, n)
    frames = _wheel_frames(speed, wheel_rate, wheel.m_per_pulse)
    header = _header(kind, frames.dtype, dump_certificate(cell), dump_certificate(wheel))
    marks = [
        Mark(mark_id=uuid.uuid4().hex, kind="throttle", t_s=1.0, value="full"),
        *(
            Mark(mark_id=uuid.uuid4().hex, kind="milepost", t_s=100.0 * k, value=str(k))
            for k in range(1, int(hours * 36))
        ),
        Mark(mark_id=uuid.uuid4().hex, kind="grade", t_s=0.5, value="0.3"),
    ]
    data = {
        "cell": DeviceData(time_s=np.arange(n) / rate, records=records),
        "wheel": DeviceData(time_s=tw, records=frames),
    }
    write_run(path, header, data, marks=marks)


def _wheel_frames(
    speed_m_s: NDArray[np.float64], frame_hz: int, m_per_pulse: float
) -> NDArray[np.void]:
    turns = np.cumsum(speed_m_s) / frame_hz / m_per_pulse
    kind = np.dtype([("tick", "<u8"), ("edge_tick", "<u8"), ("count", "<i8"), ("flags", "u1")])
    frames = np.zeros(len(speed_m_s), kind)
    frames["tick"] = np.arange(len(speed_m_s), dtype=np.uint64) * np.uint64(10_000)
    frames["count"] = np.floor(turns)
    part = (turns - np.floor(turns)) * m_per_pulse / speed_m_s
    frames["edge_tick"] = np.maximum(frames["tick"].astype(np.int64) - np.rint(part * 1e6), 0)
    return frames


def _device(
    name: str, driver: str, dtype: np.dtype[np.void], channels: tuple[ChannelHeader, ...]
) -> DeviceHeader:
    fields = [[n, dtype[n].str] for n in dtype.names or ()]
    return DeviceHeader(
        name=name, driver=driver, port="none", dtype=fields, tick_hz=1e6, channels=channels
    )


def _channel(name: str, unit: str, field: str, certificate: str) -> ChannelHeader:
    return ChannelHeader(
        name=name, quantity=name, unit=unit, field=field, certificate=certificate
    )


def _header(
    kind: np.dtype[np.void], wheel_kind: np.dtype[np.void], cell: str, wheel: str
) -> RunHeader:
    pull = (_channel("pull", "kN", "ch0", "cell"),)
    motion = (
        _channel("distance", "m", "count", "wheel"),
        _channel("speed", "m/s", "count", "wheel"),
    )
    return RunHeader(
        run_id=uuid.uuid4().hex,
        started_utc_ns=1_790_000_000 * 10**9,
        started_monotonic_ns=0,
        boot_id="bench",
        software="bench",
        car_sheet="",
        trip_sheet=TRIP,
        certificates={"cell": cell, "wheel": wheel},
        devices=(
            _device("cell", "load-cell-frames", kind, pull),
            _device("wheel", "wheel-pulses", wheel_kind, motion),
        ),
    )


if __name__ == "__main__":
    if sys.argv[1:2] == ["--make"]:
        resource.setrlimit(resource.RLIMIT_CORE, (0, 0))
        make(Path(sys.argv[2]), float(sys.argv[3]))
    else:
        sys.exit(main())

"""Twelve hours of clock ties and wheel records: processor time over seconds of running.

Run: ``python tests/benchmarks/bench_clock_speed.py``. Prints, from one run, the share of the
twelve hours that each job takes, and its time over that of reading the same records once.
"""

from __future__ import annotations

import time
import tracemalloc
from datetime import date
from typing import TYPE_CHECKING

import numpy as np

from calibration.certificates.wheel import WheelCertificate
from calibration.clock.live_tick_clock import LiveTickClock
from calibration.clock.ticks_to_run_time import fit_ticks
from calibration.speed.live_speed import LiveSpeed
from calibration.speed.speed import speed_from_pulses
from calibration.utc.run_time_to_utc import fit_utc
from calibration.utc.utc_judgement import judge_utc
from calibration.utc.utc_witnesses import UtcEvidence

if TYPE_CHECKING:
    from collections.abc import Callable

HOURS_S = 12 * 3600
RATE = 100
WHEEL = WheelCertificate(
    certificate_id="bench",
    issued=date(2026, 1, 1),
    expires=None,
    wheel="200 pulses a metre",
    circumference_m=2.875,
    u_circumference_m=0.0005,
    pulses_per_revolution=575,
)


def wheel_records() -> tuple[np.ndarray, np.ndarray]:
    """Frames at 100 a second of a train that runs, slows and stands."""
    t = np.arange(HOURS_S * RATE) / RATE
    speed = np.clip(10 + 12 * np.sin(t / 900) + 3 * np.sin(t / 77), 0, None)
    pulses = np.cumsum(speed) / RATE / WHEEL.m_per_pulse
    moving = speed > 0.02
    held = np.maximum.accumulate(np.where(moving, np.arange(len(t)), 0))
    count = np.floor(pulses)
    edge = t - (pulses - count) / np.maximum(speed / WHEEL.m_per_pulse, 1e-9)
    records = np.zeros(len(t), [("tick", "<u8"), ("edge_tick", "<u8"), ("count", "<i8")])
    records["tick"] = np.round(t * 1e6) + 10**7
    records["edge_tick"] = np.round(np.maximum(edge[held], 0.0) * 1e6) + 10**7
    records["count"] = count[held]
    return t, records


def witnesses(late: np.ndarray, utc: np.ndarray, second: np.ndarray) -> UtcEvidence:
    """A receiver, its pulses, and the computer's clock read every second."""
    return UtcEvidence(
        sentence_t_s=late,
        sentence_utc_ns=utc,
        sentence_kind=np.full(len(late), b"RMC"),
        pulse_t_s=second,
        computer_t_s=second,
        computer_utc_ns=utc[: len(second)],
    )


def told(name: str, work: Callable[[], object], base_s: float) -> None:
    """Take the processor time of one job and print its two ratios."""
    start = time.process_time()
    work()
    took = time.process_time() - start
    print(
        f"{name:<44} {took:7.2f} s  1:{HOURS_S / took:>8.0f} of the run  × {took / base_s:.1f}"
    )


def ties(base_s: float) -> None:
    """Ticks to run time, and run time to UTC."""
    rng = np.random.default_rng(1)
    blocks = np.arange(HOURS_S * 1000, dtype=np.uint64) * np.uint64(1000)
    received = np.arange(len(blocks)) * 1e-3 + rng.random(len(blocks)) * 0.01
    told(
        "ticks, 1000 blocks a second", lambda: fit_ticks(blocks, received, tick_hz=1e6), base_s
    )
    slow = received * 1.02
    told("  of an oscillator 2 % off", lambda: fit_ticks(blocks, slow, tick_hz=1e6), base_s)
    stepped = received + np.where((received // 3600.0) % 2.0 > 0.0, 0.02, 0.0)
    told(
        "  whose floor steps every hour",
        lambda: fit_ticks(blocks, stepped, tick_hz=1e6),
        base_s,
    )
    second = np.arange(1.0, HOURS_S)
    utc = 1_790_000_000 * 10**9 + second.astype(np.int64) * 10**9
    late = second + 0.085 + rng.exponential(0.01, len(second))
    told("UTC by sentences", lambda: fit_utc(late, utc), base_s)
    told("UTC by pulses", lambda: fit_utc(late, utc, pps_t_s=second), base_s)
    heard = witnesses(late, utc, second)
    told("UTC by all its witnesses, as the seal", lambda: judge_utc(heard), base_s)
    short = witnesses(late[:600], utc[:600], second[:200])
    start = time.process_time()
    for _ in range(10):
        judge_utc(short)
    hearing = (time.process_time() - start) / 10.0
    print(f"UTC live, once a minute: {hearing:.3f} s, {100 * hearing / 60.0:.3f} % of one core")


def main() -> None:
    """Run every job once; the last one again with its memory counted."""
    t, records = wheel_records()
    start = time.process_time()
    records.copy()
    for field in records.dtype.names or ():
        np.sort(records[field][::2])
    base_s = time.process_time() - start
    print(f"copying the records and sorting half of each column: {base_s:.2f} s = × 1")
    ties(base_s)
    told("speed, 100 frames a second", lambda: speed_from_pulses(records, t, WHEEL), base_s)

    def alive() -> None:
        clock, speed = LiveTickClock(1e6), LiveSpeed(WHEEL)
        for i in range(0, 200_000, 5):
            some = records[i : i + 5]
            speed.update(some, clock.update(int(some["tick"][-1]), float(t[i + 4]) + 0.001))

    start = time.process_time()
    alive()
    share = (time.process_time() - start) / 2000.0
    print(f"live clock and speed, 20 blocks a second: {100 * share:.3f} % of one core")
    tracemalloc.start()
    speed_from_pulses(records, t, WHEEL)
    peak = tracemalloc.get_traced_memory()[1]
    print(f"speed: peak memory {peak / records.nbytes:.1f} times the records' own")


if __name__ == "__main__":
    main()

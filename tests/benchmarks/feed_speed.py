"""How much faster than real time the simulated world runs; prints ratios.

Run: ``python tests/benchmarks/feed_speed.py``
"""

from __future__ import annotations

import sys
import time
from collections.abc import Callable
from pathlib import Path

sys.path.insert(0, str(Path(__file__).parents[2]))

from simulated_feeds.outing.rendering import render_bytes, render_run_arrays
from simulated_feeds.outing.scenario import make_scenario
from simulated_feeds.physics.lumped_train import LumpedTrain
from simulated_feeds.physics.scenery import invent_line
from simulated_feeds.serving.load_source import LoadSettings, LoadSource


def timed(work: Callable[[], float]) -> tuple[float, float]:
    """(world seconds, seconds taken)."""
    began = time.perf_counter()
    world = work()
    return world, time.perf_counter() - began


def train() -> float:
    mover = LumpedTrain(make_scenario(1, cars=40, utc0_ns=0).journey)
    return float(mover.advance(30_000).t_s[-1])


def feed() -> float:
    render_bytes(make_scenario(1, cars=40, utc0_ns=0), 60.0)
    return 60.0


def day() -> float:
    scenario = make_scenario(5, line=invent_line(200.0, 3), utc0_ns=0)
    return float(render_run_arrays(scenario).truth.time_s[-1])


def load() -> float:
    source = LoadSource(LoadSettings(folder=".", channels=8, sample_rate_hz=50_000))
    while source.t_s < 60.0:
        source.advance()
    return source.t_s


def main() -> None:
    """Print one line each."""
    for name, work in (
        ("40 cars, 500 steps/s, motion alone", train),
        ("40 cars, 2 kHz x 4 channels, wheel, clock: bytes", feed),
        ("200 km, one mass, records at 10 Hz", day),
        ("load source, 8 channels x 50 kHz: bytes", load),
    ):
        world, took = timed(work)
        print(f"{name:<50} {world / took:8.0f} x real time ({world:.0f} s in {took:.2f} s)")


if __name__ == "__main__":
    main()

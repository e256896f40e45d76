"""Live speed, block by block, against rides of our own making."""

import pickle

import numpy as np
import pytest

from calibration.clock.tick_line import TickLine
from calibration.speed.live_speed import LiveSpeed
from tests.calibration.speed.made_rides import WHEEL, ride


def live(records: np.ndarray, line: TickLine, size: int = 2) -> np.ndarray:
    speed = LiveSpeed(WHEEL)
    return np.array(
        [speed.update(records[i : i + size], line) for i in range(0, len(records), size)]
    )


def test_live_speed_agrees_and_stops() -> None:
    speed = np.concatenate([np.full(2000, 8.0), np.zeros(1000), np.full(500, 3.0)])
    _, records = ride(speed)
    found = live(records, TickLine(5_000_000, 0.0, 1e-6))
    assert found[100:990] == pytest.approx(8.0, abs=0.02)
    assert found[1480] == 0.0
    assert found[1560:] == pytest.approx(3.0, abs=0.02)


def test_live_speed_while_the_clock_leans_and_when_the_device_restarts() -> None:
    _, records = ride(np.full(3000, 8.0))
    again = records.copy()
    again["tick"] -= np.uint64(4_900_000)
    again["edge_tick"] -= np.uint64(4_900_000)
    again["count"] -= 990
    speed = LiveSpeed(WHEEL)
    found = []
    for part in (records, again):
        for i in range(0, 3000, 2):
            leaning = 0.5e-6 if 400 <= i < 440 else 1e-6
            found.append(speed.update(part[i : i + 2], TickLine(0, 0.0, leaning)))
    assert np.array(found[100:1490]) == pytest.approx(8.0, abs=0.02)
    assert np.array(found[1600:2990]) == pytest.approx(8.0, abs=0.02)
    assert max(found) < 8.7
    assert min(found) >= 0.0
    # Bounded whatever the run's length: what is held of 6000 records.
    assert len(pickle.dumps(speed)) < 20_000
    assert speed.update(records[:0], TickLine(0, 0.0, 1e-6)) == found[-1]

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
    # Of a device that has just begun nothing is known before its second edge: never a speed of 0.
    unknown = np.flatnonzero(np.isnan(found))
    assert set(unknown) <= {0, 1500}
    known = np.delete(found, unknown)
    assert known.max() < 8.7
    assert known.min() > 0.0
    # Bounded whatever the run's length: what is held of 6000 records.
    assert len(pickle.dumps(speed)) < 20_000
    assert speed.update(records[:0], TickLine(0, 0.0, 1e-6)) == found[-1]


@pytest.mark.parametrize("hole_s", [3.0, 13.0])
def test_a_moving_train_is_never_said_to_stand_after_a_gap(hole_s: float) -> None:
    _, records = ride(np.full(3000, 8.0))
    t_s = records["tick"] / 1e6
    kept = records[(t_s < t_s[0] + 5.0) | (t_s > t_s[0] + 5.0 + hole_s)]
    found = live(kept, TickLine(5_000_000, 0.0, 1e-6), size=1)
    unknown = np.isnan(found)
    assert found[~unknown] == pytest.approx(8.0, abs=0.5)
    assert unknown.sum() < 10


def test_a_train_at_rest_is_known_to_stand_after_half_a_second() -> None:
    _, records = ride(np.full(300, 8.0))
    records["count"], records["edge_tick"] = 7, 0
    found = live(records, TickLine(5_000_000, 0.0, 1e-6), size=1)
    assert np.isnan(found[:40]).all()
    assert (found[60:] == 0.0).all()


def test_what_came_at_once_after_a_stop_of_the_reader_is_as_fast_as_before() -> None:
    _, records = ride(np.full(3000, 8.0))
    speed = LiveSpeed(WHEEL)
    found = []
    for i in range(0, 1200, 2):
        at_once = i >= 400
        line = TickLine(0, 1.0, 0.0) if at_once else TickLine(0, 0.0, 1e-6)
        found.append(speed.update(records[i : i + 2], line))
    assert found[100:] == pytest.approx(np.full(len(found) - 100, 8.0), abs=0.02)

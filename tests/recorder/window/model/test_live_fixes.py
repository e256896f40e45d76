"""A receiver's records on their way to the train's place in the window."""

from __future__ import annotations

from dataclasses import replace
from typing import TYPE_CHECKING

import numpy as np
import pytest
from numpy.typing import NDArray

from calibration.clock.tick_line import TickLine
from recorder.run.parts.block import Block
from recorder.run.parts.header import ChannelHeader, DeviceHeader
from recorder.window.model.live.live_run import LiveRun

if TYPE_CHECKING:
    from tests.recorder.window.conftest import FakeSession, Kit

ROUTE = """chainage_m,kind,value,latitude_deg,longitude_deg
0,milepost,10,47.0,8.0
20000,milepost,30,47.17985,8.0
"""
NORTH_M = 111_205.0
"""Metres a degree, along this line."""
CLOCK = DeviceHeader(
    name="clock", driver="nmea-0183", port="tcp://127.0.0.1:4003",
    dtype=[["tick", "<u8"], ["valid", "|u1"], ["latitude_deg", "<f8"], ["longitude_deg", "<f8"]],
    tick_hz=1e9,
    channels=(
        ChannelHeader(name="latitude", quantity="latitude", unit="deg", field="latitude_deg"),
        ChannelHeader(name="longitude", quantity="longitude", unit="deg", field="longitude_deg"),
    ),
)  # fmt: skip


def sentence(t_s: float, s_m: float, *, valid: bool = True) -> NDArray[np.void]:
    """One record received a fifth of a second after it was true."""
    record = np.zeros(1, CLOCK.record_dtype)
    record["tick"] = round((t_s + 0.2) * 1e9)
    record["valid"] = valid
    record["latitude_deg"] = 47.0 + s_m / NORTH_M
    record["longitude_deg"] = 8.0
    return record


class Outing:
    """Two minutes at 10 m/s from chainage 3000, a sentence a second, as the window sees them."""

    def __init__(self, session: FakeSession, kit: Kit) -> None:
        session.header = replace(
            kit.header(), route=ROUTE, devices=(*session.header.devices, CLOCK)
        )
        session.rings["clock"] = type(session.rings["wheel"])()
        self._session, self._kit = session, kit
        self.run: LiveRun = kit.make_run(session)

    def go(
        self,
        *,
        valid: bool = True,
        lie_m: float = 0.0,
        talks: bool = True,
        late: bool = False,
        seconds: range = range(120),
        rolls: bool = True,
    ) -> None:
        """``late``: the window attaches at the end, and takes up all of it at once."""
        for k in seconds:
            t = k + np.arange(100) / 100.0
            if rolls:
                self._session.send_wheel(float(k), 10.0 * t)
            self._session.send_pull(float(k), np.full(100, 50.0), hz=100.0)
            if talks:
                self._put(k, sentence(k + 0.5, 3005.0 + 10.0 * k + lie_m * k, valid=valid))
            if not late:
                self._kit.settle(self.run)
        self._kit.settle(self.run)

    def _put(self, k: int, record: NDArray[np.void]) -> None:
        block = Block(
            device="clock", sequence=k, first_record=k, records=record,
            received_s=k + 0.7, line=TickLine(0, 0.0, 1e-9),
        )  # fmt: skip
        self._session.rings["clock"].waiting.append(block)

    def alarms(self) -> str:
        return " | ".join(a.text for a in self.run.alarms(self.run.status_ns))


@pytest.fixture
def outing(session: FakeSession, kit: Kit) -> Outing:
    return Outing(session, kit)


@pytest.mark.parametrize("late", [False, True])
def test_a_receiver_places_the_train(outing: Outing, *, late: bool) -> None:
    outing.go(late=late)
    run = outing.run
    assert run.ahead is not None
    assert run.ahead.chainage_m(run.traces.distance_m) == pytest.approx(4200.0, abs=15.0)
    assert "receiver" not in outing.alarms()
    run.close()


@pytest.mark.parametrize(("valid", "talks"), [(False, True), (True, False)])
def test_a_receiver_without_a_fix_says_nothing(
    outing: Outing, *, valid: bool, talks: bool
) -> None:
    outing.go(valid=valid, talks=talks)
    run = outing.run
    assert run.ahead is not None
    assert not run.ahead.placed
    assert "receiver" not in outing.alarms()
    run.close()


def test_a_receiver_that_does_not_go_with_the_wheel_is_told(outing: Outing) -> None:
    """It seems to go three times as fast as the wheel rolls."""
    outing.go(lie_m=20.0)
    assert "satellite position disagrees with posts or wheel" in outing.alarms()
    outing.run.close()


def test_a_silent_wheel_does_not_say_that_the_train_stands(outing: Outing) -> None:
    """Pull and fixes come on; the wheel is back after a minute."""
    outing.go()
    outing.go(seconds=range(120, 180), rolls=False)
    run = outing.run
    assert run.traces.newest_s > 179.0
    assert run.traces.distance_s < 120.0
    assert "receiver" not in outing.alarms()
    outing.go(seconds=range(180, 200))
    assert run.ahead is not None
    assert run.ahead.chainage_m(run.traces.distance_m) == pytest.approx(5000.0, abs=15.0)
    assert "receiver" not in outing.alarms()
    run.close()


def test_a_distance_of_long_ago_is_not_where_the_train_is(
    session: FakeSession, kit: Kit
) -> None:
    kit.shift_start(session, 30.0)
    run = kit.make_run(session)
    kit.settle(run)
    stale = [run.distance_is_stale]  # before anything came
    session.send_wheel(29.0, 10.0 * np.arange(100) / 100.0)
    kit.settle(run)
    stale.append(run.distance_is_stale)
    kit.shift_start(session, 34.0)
    stale.append(run.distance_is_stale)
    assert stale == [True, False, True]
    assert run.distance_age_s == pytest.approx(4.0, abs=1.0)
    run.close()

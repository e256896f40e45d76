"""The window of a car whose channels have no certificate: counts are counts, power is none."""

from __future__ import annotations

import math
from dataclasses import replace
from typing import TYPE_CHECKING

import numpy as np
import pytest

from calibration.clock.tick_line import TickLine
from recorder.run.parts.block import Block
from recorder.run.parts.header import ChannelHeader, DeviceHeader
from recorder.sheets import PenSheet
from recorder.window.model.live.live_run import LiveRun
from recorder.window.model.trace.pens import POWER, pens_of, power_factors

if TYPE_CHECKING:
    from numpy.typing import NDArray

    from tests.recorder.window.conftest import FakeSession, Kit

CLOCK = DeviceHeader(
    name="clock", driver="nmea-0183", port="tcp://127.0.0.1:4003",
    dtype=[["tick", "<u8"], ["valid", "|u1"], ["speed_m_s", "<f8"]],
    tick_hz=1e9,
    channels=(
        ChannelHeader(name="gnss_speed", quantity="gnss_speed", unit="m/s", field="speed_m_s"),
    ),
)  # fmt: skip


def _without(session: FakeSession, *names: str, unit: str = "") -> None:
    """Take the certificates of these channels away; the stated unit stays, or is ``unit``."""
    devices = tuple(
        replace(
            device,
            channels=tuple(
                replace(c, certificate="", unit=unit or c.unit) if c.name in names else c
                for c in device.channels
            ),
        )
        for device in session.header.devices
    )
    session.header = replace(session.header, devices=devices)


def _ride(session: FakeSession, kit: Kit, run: LiveRun) -> float:
    """Ten seconds at 10 m/s with 50 kN; returns the run time after them."""
    kit.settle(run)
    session.send_wheel(0.0, 10.0 * np.arange(1000) / 100.0)
    session.send_pull(0.0, np.full(20_000, 50.0))
    kit.settle(run)
    return 10.0


@pytest.mark.parametrize("unit", ["", "counts"])
def test_a_pull_without_a_certificate_is_counts_and_gives_no_power(
    session: FakeSession, kit: Kit, unit: str
) -> None:
    _without(session, "pull", unit=unit)
    run = kit.make_run(session)
    now_s = _ride(session, kit, run)
    (pull, speed) = run.pens
    assert (pull.unit, pull.measures, speed.unit) == ("counts", False, "m/s")
    assert run.numerals.reading("pull", now_s).value == pytest.approx(501_000.0)
    assert run.numerals.reading("speed", now_s).value == pytest.approx(10.0, rel=0.01)
    assert math.isnan(run.numerals.power_kW(now_s))
    run.close()


def test_a_sheets_scale_in_kilonewtons_is_not_put_on_counts(session: FakeSession) -> None:
    _without(session, "pull")
    (pull, *_) = pens_of(session.header, {"pull": PenSheet(low=-200.0, high=500.0)})
    assert (pull.low, pull.high) == (None, None)


def test_pulses_give_no_distance_speed_or_power(session: FakeSession, kit: Kit) -> None:
    _without(session, "distance", "speed")
    run = kit.make_run(session)
    now_s = _ride(session, kit, run)
    assert [pen.channel for pen in run.pens] == ["pull"]
    assert not run.traces.measures_distance
    assert math.isnan(run.traces.distance_m)
    assert math.isnan(run.numerals.power_kW(now_s))
    run.close()


def _sentences(k: int) -> NDArray[np.void]:
    """A sentence with a speed, and one without, of the same second."""
    records = np.zeros(2, CLOCK.record_dtype)
    records["tick"] = [int((k + 0.2) * 1e9), int((k + 0.21) * 1e9)]
    records["valid"] = 1
    records["speed_m_s"] = [20.0, np.nan]
    return records


def test_without_a_wheel_the_receivers_speed_is_shown_as_what_it_is(
    session: FakeSession, kit: Kit
) -> None:
    _without(session, "distance", "speed")
    session.header = replace(session.header, devices=(*session.header.devices, CLOCK))
    session.rings["clock"] = type(session.rings["wheel"])()
    run = kit.make_run(session)
    kit.settle(run)
    for k in range(10):
        session.send_pull(float(k), np.full(2000, 50.0))
        session.rings["clock"].waiting.append(
            Block(
                device="clock",
                sequence=k,
                first_record=2 * k,
                records=_sentences(k),
                received_s=k + 0.21,
                line=TickLine(0, 0.0, 1e-9),
            )
        )
        kit.settle(run)
    factors = power_factors(run.pens)
    assert factors is not None
    assert [(pen.title, pen.unit) for pen in factors] == [
        ("Drawbar pull", "kN"),
        ("Speed by satellite", "m/s"),
    ]
    assert run.numerals.power_kW(9.9) == pytest.approx(1000.0, rel=1e-3)
    drawn = run.traces.columns(POWER, "time", 0.0, 10.0, 0.5)
    told = drawn.low[np.isfinite(drawn.low)]
    assert len(told) >= 8
    np.testing.assert_allclose(told, 1000.0, rtol=1e-3)
    run.close()

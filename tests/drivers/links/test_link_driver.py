"""Going on after a reopening, and restarts that always begin a batch."""

from __future__ import annotations

import numpy as np
import pytest

from drivers.interface.driver_interface import Backlog, Batch, Fault, FaultCause
from drivers.interface.errors import LinkLostError, SetupError
from drivers.links.link_driver import LinkDriver, inherit, split_at_restarts
from drivers.protocols.load_cell_frames import LoadCellDecoder
from drivers.protocols.wheel_pulses import WheelDecoder
from tests.drivers.driver_contract import HandClock, ScriptedLink, read_until_lost
from tests.drivers.wire import load_cell_frame, wheel_frame


def frame(number: int, tick: int) -> bytes:
    return load_cell_frame([(number, -number)], sequence=number, tick=tick)


def driver_of(decoder: LoadCellDecoder, *reads: bytes) -> tuple[LinkDriver, ScriptedLink]:
    link = ScriptedLink(HandClock(), *reads)
    driver = LinkDriver(
        link, decoder, device_id="front", silence_limit_s=1.0, now_ns=link.clock
    )
    return driver, link


def test_a_reopened_device_goes_on_where_it_was() -> None:
    tick = 2**32 - 500
    first, _ = driver_of(LoadCellDecoder(channels=2), frame(0, tick), frame(1, tick + 500)[:9])
    assert first.read().records["tick"].tolist() == [tick]
    first.read()
    first.close()
    decoder = inherit(LoadCellDecoder(channels=2), first, "front")
    assert isinstance(decoder, LoadCellDecoder)
    second, _ = driver_of(decoder, frame(4, tick + 2000))
    batch = second.read()
    assert batch.records["tick"].tolist() == [tick + 2000]
    # The frame that was cut when the link was lost is one of the three, and its bytes are told.
    assert batch.partial_bytes == 9
    (fault,) = batch.faults
    assert (fault.cause, fault.lost_records) == ("lost frames", 3)


def test_another_layout_begins_anew() -> None:
    first, _ = driver_of(LoadCellDecoder(channels=2))
    fresh = LoadCellDecoder(channels=1)
    assert inherit(fresh, first, "front") is fresh


def test_another_kind_is_a_mistake() -> None:
    first, _ = driver_of(LoadCellDecoder(channels=2))
    with pytest.raises(SetupError, match="front: cannot go on from LinkDriver"):
        inherit(WheelDecoder(), first, "front")


def test_a_restart_begins_a_batch() -> None:
    reads = b"".join([frame(500, 900_000), frame(501, 900_500), frame(0, 100), frame(1, 600)])
    driver, _ = driver_of(LoadCellDecoder(channels=2), reads)
    before, after = driver.read(), driver.read()
    assert (len(before.records), len(after.records)) == (2, 2)
    assert before.faults == ()
    (fault,) = after.faults
    assert (fault.cause, fault.before_record) == ("device restarted", 0)
    assert np.diff(after.records["tick"]).tolist() == [500]


def test_splitting_keeps_every_record_and_fault() -> None:
    records = np.zeros(6, dtype=[("tick", "<u8")])
    records["tick"] = np.arange(6)
    faults = (
        Fault(cause=FaultCause.GARBAGE, detail="", before_record=1),
        Fault(cause=FaultCause.DEVICE_RESTARTED, detail="", before_record=2),
        Fault(cause=FaultCause.CHECKSUM, detail="", before_record=2),
        Fault(cause=FaultCause.COUNTER_RESTARTED, detail="", before_record=5),
        Fault(cause=FaultCause.GARBAGE, detail="", before_record=6),
    )
    parts = split_at_restarts(Batch(records=records, received_ns=9, faults=faults))
    assert [part.records["tick"].tolist() for part in parts] == [[0, 1], [2, 3, 4], [5]]
    assert [[(f.cause, f.before_record) for f in part.faults] for part in parts] == [
        [("garbage", 1)],
        [("device restarted", 0), ("checksum", 0)],
        [("counter restarted", 0), ("garbage", 1)],
    ]
    assert {part.received_ns for part in parts} == {9}


def test_a_refused_stream_is_lost_with_the_reason() -> None:
    driver, _ = driver_of(LoadCellDecoder(channels=4), *(frame(k, k * 500) for k in range(5)))
    with pytest.raises(
        LinkLostError, match="no acceptable frame for 1 s: frames carry 2 channels"
    ):
        read_until_lost(driver)


def test_a_stream_of_nothing_but_faults_is_lost_too() -> None:
    driver, link = driver_of(LoadCellDecoder(channels=4))
    refused = 0
    for number in range(60):
        link.clock.wind(0.02)
        link.reads.append(frame(number, number * 500))
        if number == 51:
            break
        refused += len(driver.read().faults)
    assert refused == 51
    with pytest.raises(LinkLostError, match="no acceptable frame for 1 s"):
        driver.read()


class HeldUpLink(ScriptedLink):
    """Its reader is held up after a read that brought nothing, while the device goes on."""

    held_up_s = 0.0
    meanwhile: bytes = b""

    def read(self, max_bytes: int) -> bytes:
        data = super().read(max_bytes)
        if not data and self.held_up_s:
            self.clock.wind(self.held_up_s)
            self.held_up_s = 0.0
            self.reads.append(self.meanwhile)
        return data


def test_a_reader_that_was_held_up_has_heard_no_silence() -> None:
    """What came while it slept waits at the port: the link is not lost, and nothing is."""
    link = HeldUpLink(HandClock(), frame(0, 0))
    driver = LinkDriver(
        link, LoadCellDecoder(channels=2), device_id="front", silence_limit_s=1.0,
        now_ns=link.clock,
    )  # fmt: skip
    assert len(driver.read().records) == 1
    link.held_up_s, link.meanwhile = 1.5, frame(1, 500) + frame(2, 1000)
    assert len(driver.read().records) == 0
    batch = driver.read()
    assert batch.records["tick"].tolist() == [500, 1000]
    assert batch.faults == ()
    with pytest.raises(LinkLostError, match="silent for 1 s"):
        read_until_lost(driver)


def flooded() -> tuple[LinkDriver, ScriptedLink, int]:
    """A driver that has just been told to be behind, its link, and the frames read by then."""
    driver, link = driver_of(LoadCellDecoder(channels=2), frame(0, 0))
    assert driver.read().backlog is None
    link.flood = link.full_bytes
    told: list[Backlog] = []
    number = 0
    while not told:
        number += 1
        link.clock.wind(0.1)
        link.reads.append(frame(number, number * 500))
        told += [batch.backlog for batch in [driver.read()] if batch.backlog]
    (backlog,) = told
    assert not backlog.over
    assert backlog.lasted_s == pytest.approx(2.0, abs=0.2)
    assert backlog.most_bytes >= link.full_bytes
    return driver, link, number


def test_bytes_that_come_faster_than_they_are_read_are_told_once() -> None:
    driver, link, number = flooded()
    for more in range(1, 100):
        link.clock.wind(0.1)
        link.reads.append(frame(number + more, (number + more) * 500))
        batch = driver.read()
        assert batch.backlog is None
        assert batch.faults == ()


def test_what_is_lost_meanwhile_is_lost_for_that_reason() -> None:
    driver, link, number = flooded()
    link.reads.append(frame(number + 3, (number + 3) * 500))
    (fault,) = driver.read().faults
    assert (fault.cause, fault.lost_records) == ("cannot keep up", 2)
    assert "lost frames: frames missing by sequence: 2" in fault.detail


def test_a_restart_meanwhile_stays_a_restart() -> None:
    driver, link, _ = flooded()
    link.reads.append(frame(0, 5))
    (fault,) = driver.read().faults
    assert fault.cause == "device restarted"


def test_what_still_waits_at_the_stop_is_a_fault_of_a_driver_that_is_behind() -> None:
    driver, link, number = flooded()
    link.reads.append(frame(number + 1, (number + 1) * 500))
    (batch,) = driver.drain().batches
    assert len(batch.records) == 1
    (fault,) = batch.faults
    assert (fault.cause, fault.before_record) == ("cannot keep up", 1)
    assert "1000 bytes or more still waited at the port at the stop" in fault.detail


def test_parts_of_a_batch_that_wait_are_drained_too() -> None:
    reads = b"".join([frame(500, 900_000), frame(0, 100), frame(1, 600)])
    driver, _ = driver_of(LoadCellDecoder(channels=2), reads)
    assert len(driver.read().records) == 1
    assert [len(batch.records) for batch in driver.drain().batches] == [2, 0]


def test_parts_of_a_batch_that_wait_outlast_a_port_that_goes_at_the_end() -> None:
    reads = b"".join([frame(500, 900_000), frame(0, 100), frame(1, 600)])
    driver, link = driver_of(LoadCellDecoder(channels=2), reads)
    driver.read()
    link.flood = 1
    link.reads.append(LinkLostError("front", "lost scripted"))
    with pytest.raises(LinkLostError, match="lost scripted"):
        driver.drain()
    driver.close()
    assert [len(batch.records) for batch in driver.drain().batches] == [2, 0]


def test_a_wheel_that_restarts_in_the_middle_of_a_read() -> None:
    reads = b"".join(
        [
            wheel_frame(sequence=k, count=9000 + k, made=90_000_000 + k * 10_000)
            for k in range(3)
        ]
        + [wheel_frame(sequence=k, count=k, made=k * 10_000) for k in range(3)]
    )
    link = ScriptedLink(HandClock(), reads)
    driver = LinkDriver(
        link, WheelDecoder(), device_id="wheel", silence_limit_s=1.0, now_ns=link.clock
    )
    assert len(driver.read().records) == 3
    batch = driver.read()
    assert [fault.cause for fault in batch.faults] == ["counter restarted"]
    assert batch.records["count"].tolist() == [0, 1, 2]

"""What every driver owes, whatever its protocol: one test class, inherited by each."""

from __future__ import annotations

import pickle
from abc import ABC, abstractmethod
from collections import deque

import numpy as np
import pytest

from drivers.decoding.framing import RecordDecoder
from drivers.interface.driver_interface import DeviceDriver
from drivers.interface.errors import LinkLostError
from drivers.links.link_driver import LinkDriver
from drivers.links.serial_line import LineCounters

SECOND_NS = 1_000_000_000


class HandClock:
    """A monotonic clock wound by hand."""

    def __init__(self) -> None:
        self.now_ns = 5 * SECOND_NS

    def __call__(self) -> int:
        return self.now_ns

    def wind(self, seconds: float) -> None:
        self.now_ns += round(seconds * SECOND_NS)


class ScriptedLink:
    """A link that gives what it was told to; each empty read lasts 0.05 s of its clock."""

    def __init__(self, clock: HandClock, *reads: bytes | Exception) -> None:
        self.port = "scripted"
        self.full_bytes = 1000
        self.flood = 0
        """Bytes that wait besides what was told."""
        self.reads: deque[bytes | Exception] = deque(reads)
        self.clock = clock
        self.closed = 0
        self.line = LineCounters(framing=0, overrun=0, parity=0, breaks=0, buffer_overrun=0)

    def waiting(self) -> int:
        if self.closed:
            return 0
        return self.flood + sum(len(read) for read in self.reads if isinstance(read, bytes))

    def read(self, max_bytes: int) -> bytes:
        if not self.reads:
            self.clock.wind(0.05)
            return b""
        first = self.reads.popleft()
        if isinstance(first, Exception):
            raise first
        if len(first) > max_bytes:
            self.reads.appendleft(first[max_bytes:])
        return first[:max_bytes]

    def write(self, data: bytes) -> None:
        msg = f"nothing is written to this device, got {data!r}"
        raise AssertionError(msg)

    def counters(self) -> LineCounters | None:
        return self.line

    def close(self) -> None:
        self.closed += 1


def read_until_lost(
    driver: DeviceDriver, chunk: bytes = b"", link: ScriptedLink | None = None
) -> int:
    """Read a thousand times; give the records if that ends well, which it should not."""
    count = 0
    for _ in range(1000):
        if link is not None:
            link.clock.wind(0.01)
            link.reads.append(chunk)
        count += len(driver.read().records)
    return count


class DriverContract(ABC):
    """Inherit, give a decoder and frames, and be held to it."""

    silence_limit_s = 1.0

    @abstractmethod
    def decoder(self) -> RecordDecoder:
        """A fresh decoder."""

    @abstractmethod
    def frames(self, count: int) -> list[bytes]:
        """``count`` good frames of one record each that follow each other."""

    def corrupt(self, frame: bytes) -> bytes:
        """The frame with one byte of its middle wrong."""
        middle = len(frame) // 2
        return frame[:middle] + bytes([frame[middle] ^ 0x01]) + frame[middle + 1 :]

    def make(self, *reads: bytes | Exception) -> tuple[LinkDriver, ScriptedLink]:
        link = ScriptedLink(HandClock(), *reads)
        driver = LinkDriver(
            link,
            self.decoder(),
            device_id="front",
            silence_limit_s=self.silence_limit_s,
            now_ns=link.clock,
        )
        return driver, link

    def test_reads_what_came(self) -> None:
        driver, _ = self.make(b"".join(self.frames(3)))
        checked: DeviceDriver = driver
        batch = checked.read()
        assert len(batch.records) == 3
        assert batch.faults == ()
        assert batch.records.dtype == driver.layout.dtype
        assert driver.layout.dtype.names is not None
        assert driver.layout.dtype.names[0] == "tick"
        assert driver.layout.dtype["tick"] == np.dtype("<u8")

    def test_a_batch_says_when_its_last_byte_was_in_hand(self) -> None:
        first, second = self.frames(2)
        driver, link = self.make(first)
        assert driver.read().received_ns == 5 * SECOND_NS
        link.clock.wind(0.25)
        link.reads.append(second)
        assert driver.read().received_ns == 5 * SECOND_NS + SECOND_NS // 4

    def test_half_a_frame_is_no_record_and_no_fault(self) -> None:
        frame = self.frames(1)[0]
        driver, link = self.make(frame[:7])
        batch = driver.read()
        assert len(batch.records) == 0
        assert batch.faults == ()
        link.reads.append(frame[7:])
        assert len(driver.read().records) == 1

    def test_joining_in_the_middle_of_a_frame_is_no_fault(self) -> None:
        frames = self.frames(3)
        driver, _ = self.make(frames[0][5:] + frames[1] + frames[2])
        batch = driver.read()
        assert len(batch.records) == 2
        assert batch.faults == ()
        # Line ends belong to no sentence.
        assert batch.partial_bytes == pytest.approx(len(frames[0]) - 5, abs=2)

    def test_what_has_come_by_the_stop_is_read_and_half_a_frame_told(self) -> None:
        frames = self.frames(4)
        driver, link = self.make(frames[0])
        assert len(driver.read().records) == 1
        link.reads.append(frames[1] + frames[2] + frames[3][:9])
        rest = driver.drain()
        assert [len(batch.records) for batch in rest.batches] == [2]
        assert rest.batches[0].faults == ()
        assert rest.cut_bytes == 9
        assert link.clock.now_ns == 5 * SECOND_NS

    def test_damage_after_the_last_good_frame_is_a_fault_at_the_stop(self) -> None:
        frames = self.frames(2)
        driver, link = self.make(frames[0])
        driver.read()
        link.reads.append(self.corrupt(frames[1]))
        (batch,) = driver.drain().batches
        assert len(batch.records) == 0
        assert [fault.cause for fault in batch.faults] == ["checksum"]
        assert sum(fault.bytes_dropped for fault in batch.faults) > 0

    def test_a_closed_port_is_drained_of_nothing(self) -> None:
        frames = self.frames(2)
        driver, link = self.make(frames[0] + frames[1][:9])
        driver.read()
        driver.close()
        link.reads.append(frames[1][9:])
        rest = driver.drain()
        assert [len(batch.records) for batch in rest.batches] == [0]
        assert rest.cut_bytes == 9

    def test_a_corrupt_frame_is_one_fault_and_the_next_is_read(self) -> None:
        frames = self.frames(5)
        driver, _ = self.make(b"".join([*frames[:2], self.corrupt(frames[2]), *frames[3:]]))
        batch = driver.read()
        assert len(batch.records) == 4
        (fault,) = batch.faults
        assert fault.cause == "checksum"
        assert fault.before_record == 2
        assert fault.bytes_dropped == pytest.approx(len(frames[2]), abs=2)

    def test_garbage_between_frames_is_one_fault_and_nothing_is_lost(self) -> None:
        frames = self.frames(4)
        boot = b"\r\nfront end 3, self test passed \x00\xff\r\n"
        driver, _ = self.make(b"".join([*frames[:2], boot, *frames[2:]]))
        batch = driver.read()
        assert len(batch.records) == 4
        assert sum(fault.bytes_dropped for fault in batch.faults) > 20
        assert {fault.cause for fault in batch.faults} == {"garbage"}
        assert all(fault.before_record == 2 for fault in batch.faults)

    def test_silence_is_a_lost_link_after_the_limit_and_not_before(self) -> None:
        driver, link = self.make(*self.frames(1))
        assert len(driver.read().records) == 1
        began_ns = link.clock.now_ns
        with pytest.raises(LinkLostError, match=r"front: silent for .* s on scripted"):
            read_until_lost(driver)
        waited_s = (link.clock.now_ns - began_ns) / SECOND_NS
        assert self.silence_limit_s < waited_s <= self.silence_limit_s + 0.1

    def test_a_late_start_within_the_limit_is_waited_for(self) -> None:
        driver, link = self.make()
        for _ in range(int(self.silence_limit_s / 0.05) - 1):
            assert len(driver.read().records) == 0
        link.reads.extend(self.frames(1))
        assert len(driver.read().records) == 1

    def test_bytes_that_are_no_frames_do_not_keep_a_link_alive(self) -> None:
        driver, link = self.make()
        with pytest.raises(LinkLostError, match=r"no good frame.*line speed"):
            read_until_lost(driver, b"\x55\x00\x7f", link)

    def test_a_port_that_goes_is_passed_on(self) -> None:
        driver, _ = self.make(LinkLostError("front", "lost scripted"))
        with pytest.raises(LinkLostError, match="lost scripted"):
            driver.read()

    def test_closing_twice_is_allowed(self) -> None:
        driver, link = self.make()
        driver.close()
        driver.close()
        assert link.closed >= 1

    def test_the_ports_own_counters_are_told_with_the_fault(self) -> None:
        frames = self.frames(4)
        driver, link = self.make(frames[0])
        driver.read()
        link.line = LineCounters(framing=0, overrun=3, parity=0, breaks=0, buffer_overrun=0)
        link.reads.append(self.corrupt(frames[1]) + frames[2])
        (fault,) = driver.read().faults
        assert "the port counted 3 overruns" in fault.detail

    def test_an_error_crosses_processes(self) -> None:
        error = LinkLostError("front", "silent")
        back = pickle.loads(pickle.dumps(error))
        assert isinstance(back, LinkLostError)
        assert str(back) == str(error) == "front: silent"
        assert back.device_id == "front"

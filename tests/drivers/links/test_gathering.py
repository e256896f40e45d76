"""A device that sends often is read less often: nothing is late that ties ticks to time."""

from __future__ import annotations

import pytest

from drivers.interface.driver_interface import Batch
from drivers.interface.errors import LinkLostError
from drivers.links.link_driver import LinkDriver
from drivers.links.serial_line import LineCounters
from drivers.protocols.load_cell_frames import LoadCellDecoder
from tests.drivers.driver_contract import SECOND_NS, HandClock
from tests.drivers.wire import load_cell_frame

FULL = 4095


class SendingLink:
    """A device that sends a frame at even steps, read as a port is: what waits, or the next."""

    port = "sending"
    full_bytes = FULL

    def __init__(self, clock: HandClock, every_s: float, frames: int, *, size: int = 1) -> None:
        self.clock = clock
        self.began_ns = clock.now_ns
        self.every_ns = round(every_s * SECOND_NS)
        self.frames = [
            load_cell_frame([(k, -k)] * size, sequence=k, tick=500 * size * k)
            for k in range(frames)
        ]
        self._bytes = b"".join(self.frames)
        self._taken = 0

    @property
    def ended(self) -> bool:
        return self._taken == len(self._bytes)

    def waiting(self) -> int:
        n = (self.clock.now_ns - self.began_ns) // self.every_ns
        return min(n * len(self.frames[0]), len(self._bytes)) - self._taken

    def read(self, max_bytes: int) -> bytes:
        if not self.waiting():
            past_ns = (self.clock.now_ns - self.began_ns) % self.every_ns
            self.clock.now_ns += min(self.every_ns - past_ns, SECOND_NS // 20)
        if self.ended:
            raise LinkLostError(self.port, "it has ended")
        data = self._bytes[self._taken :][: min(self.waiting(), max_bytes)]
        self._taken += len(data)
        return data

    def counters(self) -> LineCounters | None:
        return None

    def close(self) -> None:
        """Nothing to close."""


def read_all(link: SendingLink) -> list[Batch]:
    driver = LinkDriver(
        link, LoadCellDecoder(channels=2), device_id="front", silence_limit_s=1.0,
        now_ns=link.clock, pause=link.clock.wind,
    )  # fmt: skip
    batches = []
    while not link.ended:
        batches.append(driver.read())
    with pytest.raises(LinkLostError, match="it has ended"):
        driver.read()
    return [batch for batch in batches if len(batch.records)]


@pytest.mark.parametrize("every_s", [0.005, 0.01, 0.02])
def test_what_comes_often_is_read_some_twenty_times_a_second_and_as_sharply(
    every_s: float,
) -> None:
    link = SendingLink(HandClock(), every_s, round(10.0 / every_s))
    batches = read_all(link)
    last = [int(batch.records["ch0"][-1]) for batch in batches]
    assert [n for batch in batches for n in batch.records["ch0"].tolist()] == list(
        range(round(10.0 / every_s))
    )
    assert not any(batch.faults for batch in batches)
    # The last record of each read was in hand the moment it came (but when the feed had ended).
    came_ns = [link.began_ns + (k + 1) * link.every_ns for k in last]
    assert [batch.received_ns for batch in batches[:-1]] == came_ns[:-1]
    assert 20 * 10 <= len(batches) <= 20 + 28 * 10


@pytest.mark.parametrize("every_s", [0.03, 0.1, 1.0])
def test_what_comes_seldom_is_read_as_it_comes(every_s: float) -> None:
    link = SendingLink(HandClock(), every_s, round(30.0 / every_s))
    batches = read_all(link)
    assert {len(batch.records) for batch in batches} == {1}
    assert len(batches) == round(30.0 / every_s)


def test_where_the_ports_buffer_would_fill_nothing_is_left_to_gather() -> None:
    """Three hundred bytes every two milliseconds: the buffer would run over in a pause."""
    link = SendingLink(HandClock(), 0.002, 500, size=46)
    assert {len(batch.records) for batch in read_all(link)} == {46}


def test_what_had_gathered_when_the_link_was_lost_is_of_the_run() -> None:
    link = SendingLink(HandClock(), 0.01, 60)
    batches = read_all(link)
    assert sum(len(batch.records) for batch in batches) == 60

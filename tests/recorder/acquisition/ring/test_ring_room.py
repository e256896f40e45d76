"""What has room in a ring: the smallest ring, the longest record, and one block more."""

from __future__ import annotations

import threading
from collections.abc import Iterator

import numpy as np
import pytest

from calibration.clock.tick_line import TickLine
from recorder.acquisition.ring.ring import RingReader, RingWriter
from recorder.run.parts.block import Block
from tests.recorder.acquisition.ring.test_ring import DTYPE, fresh_name, records, write


@pytest.fixture
def writer() -> Iterator[RingWriter]:
    made = RingWriter(fresh_name(), dtype=DTYPE, capacity=64 * 1024)
    yield made
    made.close()


def test_the_smallest_ring_is_a_page() -> None:
    with pytest.raises(ValueError, match="at least 4096 bytes, got 4095"):
        RingWriter(fresh_name(), dtype=DTYPE, capacity=4095)
    ring = RingWriter(fresh_name(), dtype=DTYPE, capacity=4096)
    try:
        assert ring.bytes_per_record == DTYPE.itemsize, "before the first"
        write(ring, 0, 6)
        assert ring.stats().used == 64 + 6 * 16 + 32, "whole lines of 64"
        assert ring.bytes_per_record == 192 / 6
    finally:
        ring.close()


def test_a_record_longer_than_an_eighth_of_the_ring_goes_through() -> None:
    wide = np.dtype([("tick", "<u8"), ("sentence", "S992")])
    ring = RingWriter(fresh_name(), dtype=wide, capacity=4096)
    try:
        made = np.array([(n, b"word %d" % n) for n in range(3)], wide)
        line = TickLine(tick0=0, t0_s=0.0, s_per_tick=1e-3)
        with RingReader(ring.name, dtype=wide) as reader:
            ring.write(Block(device="gnss", records=made, line=line, received_s=0.0))
            found = [block.records for block in reader.poll()]
        assert np.array_equal(np.concatenate(found), made)
    finally:
        ring.close()


def test_a_line_that_begins_before_tick_0_gives_the_same_times(writer: RingWriter) -> None:
    line = TickLine(tick0=-5, t0_s=1.0, s_per_tick=0.1)
    with RingReader(writer.name, dtype=DTYPE) as reader:
        writer.write(Block(device="cell", records=records(0, 3), line=line, received_s=0.0))
        assert reader.poll()[0].time_s() == pytest.approx([1.5, 1.6, 1.7])


def test_a_writer_waits_for_just_the_room_it_needs(writer: RingWriter) -> None:
    """The ring holds 256 blocks of 256 bytes: for one more, one must have been kept."""
    writer.patience_s = 60.0
    keeper = writer.keeper("cell")
    for number in range(256):
        write(writer, 12 * number, 12)
    one_more = threading.Thread(target=write, args=(writer, 12 * 256, 12))
    one_more.start()
    keeper.poll(max_blocks=1)
    keeper.mark_kept()
    one_more.join(20.0)
    ended = not one_more.is_alive()
    keeper.poll()
    keeper.mark_kept()
    one_more.join()
    assert ended
    assert (writer.stats().dropped, keeper.lost_blocks) == (0, 0)
    keeper.close()

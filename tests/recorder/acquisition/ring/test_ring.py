"""The ring: nothing lost in order, losses counted, damage noticed, nothing left behind."""

from __future__ import annotations

import itertools
import os
import subprocess
import sys
import threading
from collections.abc import Iterator
from pathlib import Path

import numpy as np
import pytest
from hypothesis import HealthCheck, given, settings
from hypothesis import strategies as st

import recorder
from calibration.clock.tick_line import TickLine
from recorder.acquisition.ring.ring import RingError, RingReader, RingWriter
from recorder.machine.shared_memory import PAGE, SHM_FOLDER, create_segment, unlink_segment
from recorder.run.parts.block import Block
from tests.recorder.acquisition.ring_damage import flip_byte

DTYPE = np.dtype([("tick", "<u8"), ("ch0", "<i4"), ("ch1", "<i4")])
_NUMBER = itertools.count()


def fresh_name() -> str:
    return f"tctest_{os.getpid()}_{next(_NUMBER)}"


@pytest.fixture
def writer() -> Iterator[RingWriter]:
    made = RingWriter(fresh_name(), dtype=DTYPE, capacity=64 * 1024)
    yield made
    made.close()


def records(first: int, n: int) -> np.ndarray:
    made = np.zeros(n, DTYPE)
    made["tick"] = np.arange(first, first + n)
    made["ch0"] = made["tick"] % 1000
    return made


def write(writer: RingWriter, first: int, n: int) -> None:
    line = TickLine(tick0=first, t0_s=0.25, s_per_tick=1e-3)
    writer.write(Block(device="cell", records=records(first, n), line=line, received_s=1.5))


def test_what_is_written_is_read(writer: RingWriter) -> None:
    with RingReader(writer.name, dtype=DTYPE) as reader:
        assert reader.poll() == []
        write(writer, 10, 5)
        write(writer, 15, 3)
        first, second = reader.poll()
        assert (first.sequence, first.first_record, second.first_record) == (0, 0, 5)
        assert (second.sequence, reader.lost_blocks, reader.lost_records) == (1, 0, 0)
        assert np.array_equal(first.records, records(10, 5))
        assert first.time_s() == pytest.approx(0.25 + 1e-3 * np.arange(5))
        assert (second.received_s, second.line.tick0) == (1.5, 15)
        assert reader.poll() == []


def test_ticks_before_the_line_begins_have_their_time(writer: RingWriter) -> None:
    with RingReader(writer.name, dtype=DTYPE) as reader:
        line = TickLine(tick0=2, t0_s=1.0, s_per_tick=0.1)
        writer.write(Block(device="cell", records=records(0, 3), line=line, received_s=0.0))
        assert reader.poll()[0].time_s() == pytest.approx([0.8, 0.9, 1.0])


def test_a_counter_of_64_bits_that_is_nearly_full_is_kept_as_it_is(writer: RingWriter) -> None:
    tick = 2**64 - 3
    with RingReader(writer.name, dtype=DTYPE) as reader:
        line = TickLine(tick0=tick, t0_s=1.0, s_per_tick=0.1)
        made = np.array([(tick, 1, 2)], DTYPE)
        writer.write(Block(device="cell", records=made, line=line, received_s=0.0))
        (block,) = reader.poll()
        assert (block.line.tick0, int(block.records["tick"][0])) == (tick, tick)
        assert block.time_s() == pytest.approx([1.0])


def test_a_ring_holds_whole_lines_and_no_more_than_asked_for() -> None:
    ring = RingWriter(fresh_name(), dtype=DTYPE, capacity=5000)
    try:
        assert (ring.capacity, ring.stats().capacity) == (4992, 4992)
        with RingReader(ring.name, dtype=DTYPE) as reader:
            for first in range(0, 600, 6):
                write(ring, first, 6)
                assert [b.first_record for b in reader.poll()] == [first]
    finally:
        ring.close()


def test_no_more_is_given_up_than_the_new_block_needs(writer: RingWriter) -> None:
    """A header of 64 bytes and 12 records of 16 are 256 bytes: the ring holds 256 such blocks."""
    for number in range(300):
        write(writer, 12 * number, 12)
    with RingReader(writer.name, dtype=DTYPE) as reader:
        assert [b.sequence for b in reader.poll()] == list(range(300 - 256, 300))


def test_the_gap_before_a_block_is_read_with_it_and_stands_before_its_first_part_only(
    writer: RingWriter,
) -> None:
    long = writer.capacity // 8 // DTYPE.itemsize + 10
    line = TickLine(tick0=0, t0_s=0.0, s_per_tick=1e-3)
    with RingReader(writer.name, dtype=DTYPE, device="cell") as reader:
        for gap in (True, False):
            writer.write(
                Block(
                    device="cell",
                    records=records(0, long),
                    line=line,
                    received_s=0.0,
                    gap_before=gap,
                )
            )
        found = reader.poll()
        assert [block.gap_before for block in found] == [True, False, False, False]
        assert {block.device for block in found} == {"cell"}
        assert sum(len(block.records) for block in found) == 2 * long
        assert reader.damaged == 0


def test_a_block_is_an_own_copy(writer: RingWriter) -> None:
    with RingReader(writer.name, dtype=DTYPE) as reader:
        write(writer, 0, 5)
        (block,) = reader.poll()
        for i in range(1000):
            write(writer, 1000 * i, 50)
        assert np.array_equal(block.records, records(0, 5))


@settings(
    max_examples=40, suppress_health_check=[HealthCheck.function_scoped_fixture], deadline=None
)
@given(st.lists(st.tuples(st.integers(1, 400), st.booleans()), min_size=1, max_size=200))
def test_a_reader_sees_all_or_knows_how_much_it_lost(steps: list[tuple[int, bool]]) -> None:
    ring = RingWriter(fresh_name(), dtype=DTYPE, capacity=8192)
    try:
        with RingReader(ring.name, dtype=DTYPE) as reader:
            reader.poll()
            total, seen, expected = 0, 0, 0
            write(ring, 0, 1)
            total += 1
            for n, look in [*steps, (1, True)]:
                write(ring, total, n)
                total += n
                for block in reader.poll() if look else ():
                    assert block.first_record >= expected
                    assert int(block.records["tick"][0]) == block.first_record
                    expected = block.first_record + len(block.records)
                    seen += len(block.records)
            first_lost = total - seen - reader.lost_records
            # What was overwritten before the first look is not counted as lost on the way.
            assert expected == total
            assert first_lost >= 0
    finally:
        ring.close()


def test_the_keeper_knows_from_the_first_record_on(writer: RingWriter) -> None:
    with RingReader(writer.name, dtype=DTYPE, kept=threading.Event()) as keeper:
        total = 0
        for _ in range(200):
            write(writer, total, 100)
            total += 100
        seen = sum(len(block.records) for block in keeper.poll())
        assert keeper.lost_records == total - seen > 0
        stats = writer.stats()
        assert stats.dropped_records == keeper.lost_records
        assert stats.dropped == keeper.lost_blocks > 0
        assert stats.peak_used == stats.capacity


def test_statistics_count_from_what_is_kept(writer: RingWriter) -> None:
    with RingReader(writer.name, dtype=DTYPE, kept=threading.Event()) as keeper:
        write(writer, 0, 100)
        used = writer.stats().used
        assert used >= 100 * DTYPE.itemsize
        keeper.poll()
        assert writer.stats().used == used, "read is not yet kept"
        keeper.mark_kept()
        assert writer.stats().used == 0
        assert writer.stats().peak_used == used
        assert writer.stats().dropped == 0


def test_what_is_dropped_is_what_nobody_kept(writer: RingWriter) -> None:
    """Of blocks of 256 bytes the ring holds 256: after 300 more the first 44 of them are gone."""
    with RingReader(writer.name, dtype=DTYPE, kept=threading.Event()) as keeper:
        for number in range(310):
            write(writer, 12 * number, 12)
            if number == 9:
                assert len(keeper.poll()) == 10
                keeper.mark_kept()
        stats = writer.stats()
        assert (stats.dropped, stats.dropped_records) == (44, 44 * 12)
        assert len(keeper.poll()) == 256
        assert (keeper.lost_blocks, keeper.lost_records) == (44, 44 * 12)


def test_a_reader_knows_how_much_it_has_not_read(writer: RingWriter) -> None:
    """Before its first block it knows nothing."""
    with RingReader(writer.name, dtype=DTYPE) as reader:
        write(writer, 0, 10)
        assert reader.not_read() == 0
        reader.poll()
        assert reader.not_read() == 0
        write(writer, 10, 7)
        write(writer, 17, 5)
        assert reader.not_read() == 12
        reader.poll(max_blocks=1)
        assert reader.not_read() == 5


def test_a_late_reader_may_have_the_backlog_or_not(writer: RingWriter) -> None:
    write(writer, 0, 10)
    with RingReader(writer.name, dtype=DTYPE, backlog=False) as reader:
        write(writer, 10, 10)
        assert [b.first_record for b in reader.poll()] == [10]
    with RingReader(writer.name, dtype=DTYPE) as reader:
        assert [b.first_record for b in reader.poll()] == [0, 10]


def test_long_arrays_go_out_as_several_blocks(writer: RingWriter) -> None:
    with RingReader(writer.name, dtype=DTYPE) as reader:
        write(writer, 0, 2000)
        blocks = reader.poll()
        assert len(blocks) > 1
        joined = np.concatenate([b.records for b in blocks])
        assert np.array_equal(joined, records(0, 2000))


def test_a_damaged_block_is_noticed_and_counted(writer: RingWriter) -> None:
    with RingReader(writer.name, dtype=DTYPE) as reader:
        write(writer, 0, 10)
        flip_byte(writer.name, 70)
        assert reader.poll() == []
        assert reader.damaged == 1
        write(writer, 10, 10)
        assert [b.first_record for b in reader.poll()] == [10]


@pytest.mark.slow
def test_one_writes_while_another_reads() -> None:
    """Every block believed is whole, and seen and lost make up what was written."""
    ring = RingWriter(fresh_name(), dtype=DTYPE, capacity=16 * 1024)
    done = threading.Event()
    sizes = np.random.default_rng(1).integers(1, 60, 8000)

    def work() -> None:
        total = 0
        for n in sizes:
            write(ring, total, int(n))
            total += int(n)
        done.set()

    thread = threading.Thread(target=work)
    try:
        with RingReader(ring.name, dtype=DTYPE, kept=threading.Event()) as reader:
            thread.start()
            seen = 0
            while True:
                over = done.is_set()
                for block in reader.poll(max_blocks=50):
                    ticks = block.records["tick"]
                    first = block.first_record
                    assert np.array_equal(ticks, np.arange(first, first + len(ticks)))
                    seen += len(ticks)
                reader.mark_kept()
                if over and reader.stats().used == 0:
                    break
            thread.join()
            assert seen + reader.lost_records == sizes.sum()
            assert reader.damaged == 0
    finally:
        thread.join()
        ring.close()


def test_a_process_that_looks_and_goes_does_not_take_the_ring_away(writer: RingWriter) -> None:
    """Before Python 3.13 the tracker of whoever attached unlinked the segment at its end."""
    write(writer, 0, 7)
    words = (
        "import sys, numpy as np\n"
        "from recorder.acquisition.ring.ring import RingReader\n"
        "d = np.dtype([('tick', '<u8'), ('ch0', '<i4'), ('ch1', '<i4')])\n"
        "r = RingReader(sys.argv[1], dtype=d)\n"
        "print(sum(len(b.records) for b in r.poll()))\n"
        "r.close()\n"
    )
    home = str(Path(recorder.__file__).parents[1])
    for _ in range(2):
        told = subprocess.run(
            [sys.executable, "-c", words, writer.name],
            capture_output=True,
            text=True,
            timeout=60,
            check=False,
            env={**os.environ, "PYTHONPATH": home},
        )
        assert (told.stdout.strip(), told.stderr) == ("7", "")


def test_a_ring_that_is_not_there() -> None:
    with pytest.raises(RingError, match="cannot be opened"):
        RingReader(fresh_name(), dtype=DTYPE)


def test_a_name_that_is_taken(writer: RingWriter) -> None:
    with pytest.raises(RingError, match="exists already"):
        RingWriter(writer.name, dtype=DTYPE)


def test_memory_that_is_no_ring() -> None:
    segment = create_segment(fresh_name(), 2 * PAGE)
    try:
        with pytest.raises(RingError, match="not a ring"):
            RingReader(segment.name, dtype=DTYPE)
    finally:
        segment.close()
        segment.unlink()


@pytest.mark.skipif(not SHM_FOLDER.is_dir(), reason="no folder of shared memory here")
def test_more_than_there_is_is_refused_before_it_kills() -> None:
    with pytest.raises(RingError, match="shared memory"):
        RingWriter(fresh_name(), dtype=DTYPE, capacity=2**50)
    assert not list(SHM_FOLDER.glob(f"tctest_{os.getpid()}_*"))


def test_closing_twice_and_nothing_left() -> None:
    ring = RingWriter(fresh_name(), dtype=DTYPE)
    reader = RingReader(ring.name, dtype=DTYPE)
    reader.close()
    reader.close()
    ring.close()
    ring.close()
    assert not unlink_segment(ring.name)


@pytest.mark.skipif(not SHM_FOLDER.is_dir(), reason="needs a folder of shared memory")
def test_a_ring_whose_memory_was_swept_away_closes_without_a_word() -> None:
    """As the system may do when its owner logs off: what is mapped stays, its name is gone."""
    lines = (
        "import numpy as np, os, sys",
        "from recorder.acquisition.ring.ring import RingWriter",
        "writer = RingWriter(sys.argv[1], dtype=np.dtype([('tick', '<u8')]))",
        "os.unlink(sys.argv[2] + '/' + sys.argv[1])",
        "writer.close()",
    )
    name = f"tctest_swept{os.getpid()}"
    code = [sys.executable, "-c", "\n".join(lines), name, str(SHM_FOLDER)]
    done = subprocess.run(code, capture_output=True, text=True, check=False, timeout=60.0)
    assert (done.returncode, done.stderr) == (0, "")

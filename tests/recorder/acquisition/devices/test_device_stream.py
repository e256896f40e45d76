"""Where gaps begin and end, where the run begins, what a restart does to the clock."""

from __future__ import annotations

from dataclasses import dataclass, replace

import numpy as np
import pytest

from calibration.clock.tick_line import TickLine
from drivers.interface.driver_interface import Batch, Fault, FaultCause
from recorder.acquisition.devices.device_stream import DeviceStream

DTYPE = np.dtype([("tick", "<u8"), ("ch0", "<i4")])


@dataclass
class Straight:
    """A clock without latency: a tick is a millisecond from the first tick's receipt on."""

    def __init__(self) -> None:
        self._line: TickLine | None = None

    def update(self, tick: int, received_s: float) -> TickLine:
        if self._line is None:
            self._line = TickLine(tick0=tick, t0_s=received_s, s_per_tick=1e-3)
        return self._line


def batch(first: int, n: int, *faults: Fault) -> Batch:
    records = np.zeros(n, DTYPE)
    records["tick"] = np.arange(first, first + n)
    return Batch(records=records, received_ns=0, faults=faults)


def fault(cause: str, before: int, lost: int = 0) -> Fault:
    return Fault(
        cause=FaultCause(cause), detail="in words", before_record=before, lost_records=lost
    )


def stream(*, from_start_only: bool = False) -> DeviceStream:
    return DeviceStream("cell", make_clock=Straight, from_start_only=from_start_only)


def test_records_pass_and_are_counted() -> None:
    one = stream()
    gaps, blocks, before = one.take(batch(0, 10), 0.009)
    assert gaps == []
    assert before == []
    assert blocks[0].time_s() == pytest.approx(1e-3 * np.arange(10))
    assert one.total == 10


def test_a_gap_lies_between_the_records_around_it() -> None:
    one = stream()
    one.take(batch(0, 10), 0.009)
    gaps, _, _ = one.take(batch(15, 10, fault("lost frames", 4, lost=5)), 0.030)
    (gap,) = gaps
    assert (gap.cause, gap.lost_records, gap.before_record) == ("lost frames", 5, 14)
    assert gap.t_start_s == pytest.approx(0.018)
    assert gap.t_end_s == pytest.approx(0.019)


def test_a_gap_before_the_first_record_of_a_batch_reaches_back() -> None:
    one = stream()
    one.take(batch(0, 10), 0.009)
    (gap,), _, _ = one.take(batch(100, 10, fault("checksum", 0)), 0.2)
    assert gap.before_record == 10
    assert gap.t_start_s == pytest.approx(0.009)
    assert gap.t_end_s == pytest.approx(0.100)


def test_damage_without_a_good_record_waits_for_one() -> None:
    one = stream()
    one.take(batch(0, 10), 0.009)
    for _ in range(3):
        assert one.take(batch(0, 0, fault("garbage", 0)), 0.02) == ([], [], [])
    (gap,), _, _ = one.take(batch(40, 2), 0.05)
    assert (gap.cause, gap.before_record) == ("garbage", 10)
    assert gap.detail == "in words (3 times)"
    assert gap.t_end_s == pytest.approx(0.040)


def test_damage_after_the_last_record_of_a_batch_waits_too() -> None:
    one = stream()
    gaps, _, _ = one.take(batch(0, 10, fault("checksum", 10)), 0.009)
    assert gaps == []
    (gap,), _, _ = one.take(batch(20, 1), 0.02)
    assert gap.before_record == 10
    assert (gap.t_start_s, gap.t_end_s) == pytest.approx((0.009, 0.020))


def test_a_lost_link_is_one_gap_however_often_reopening_fails() -> None:
    one = stream()
    one.take(batch(0, 10), 0.009)
    for i in range(5):
        one.lost("unplugged", 1.0 + i)
    assert one.last_fault == "link lost: unplugged"
    (gap,), _, _ = one.take(batch(7000, 10), 7.0)
    assert (gap.cause, gap.before_record) == ("link lost", 10)
    assert gap.t_start_s == pytest.approx(0.009)
    assert gap.t_end_s == pytest.approx(7.0)
    assert one.gaps == 1


def test_what_the_lost_link_cost_is_counted_in_its_gap() -> None:
    one = stream()
    one.take(batch(0, 10), 0.009)
    one.lost("unplugged", 1.0)
    (gap,), _, _ = one.take(batch(7000, 10, fault("lost frames", 0, lost=6990)), 7.0)
    assert (gap.cause, gap.lost_records, gap.before_record) == ("link lost", 6990, 10)
    assert (one.gaps, one.lost_records) == (1, 6990)


def test_a_gap_that_never_ended_ends_with_the_recording() -> None:
    one = stream()
    one.take(batch(0, 10), 0.009)
    one.lost("unplugged", 1.0)
    (gap,) = one.finish(5.0)
    assert (gap.t_end_s, gap.before_record) == (5.0, 10)


def test_a_device_that_never_spoke_is_a_gap_from_where_we_listened() -> None:
    one = stream()
    one.listen(0.25)
    one.lost("silent", 1.0)
    (gap,) = one.finish(5.0)
    assert (gap.t_start_s, gap.t_end_s, gap.before_record) == (0.25, 5.0, 0)


def test_a_silence_up_to_the_stop_is_a_gap_from_the_last_record() -> None:
    one = stream()
    one.take(batch(0, 10), 0.009)
    (gap,) = one.finish(5.0)
    assert (gap.cause, gap.before_record, gap.lost_records) == ("silent", 10, 0)
    assert (gap.t_start_s, gap.t_end_s) == pytest.approx((0.009, 5.0))
    assert one.gaps == 1
    assert one.last_fault.startswith("silent: no record for 5.0 s")


def test_a_usual_pause_up_to_the_stop_is_no_gap() -> None:
    one = stream()
    one.take(batch(0, 10), 0.009)
    assert one.finish(1.0) == []


def test_a_slow_device_may_pause_for_three_of_its_intervals() -> None:
    slow = DeviceStream("cell", make_clock=Straight, from_start_only=False, interval_s=2.0)
    slow.take(batch(0, 1), 1.0)
    assert slow.finish(6.9) == []
    slower = DeviceStream("cell", make_clock=Straight, from_start_only=False, interval_s=2.0)
    slower.take(batch(0, 1), 1.0)
    assert [gap.cause for gap in slower.finish(7.1)] == ["silent"]


def test_a_device_that_never_sent_a_record_is_a_gap_of_the_whole_run() -> None:
    one = stream()
    one.listen(0.125)
    (gap,) = one.finish(5.0)
    assert (gap.cause, gap.t_start_s, gap.t_end_s) == ("silent", 0.125, 5.0)


def test_a_device_that_hangs_is_a_gap_however_short() -> None:
    one = stream()
    one.take(batch(0, 10), 0.009)
    (gap,) = one.finish(0.1, hangs="no read came back")
    assert (gap.cause, gap.detail) == ("hangs", "no read came back")
    assert (gap.t_start_s, gap.t_end_s) == pytest.approx((0.009, 0.1))


def test_before_the_run_nothing_is_a_gap_of_it() -> None:
    one = stream(from_start_only=True)
    one.take(batch(0, 10), -9.0)
    one.lost("unplugged", -8.0)
    assert one.finish(-1.0, hangs="no read came back") == []
    assert one.gaps == 0


def test_a_feed_that_ends_is_no_gap_and_its_damage_is() -> None:
    one = stream()
    one.take(batch(0, 10), 0.009)
    one.lost("hung up", 0.5)
    assert one.finish(0.2, with_feed=True) == []
    other = stream()
    other.take(batch(0, 10), 0.009)
    other.take(batch(0, 0, fault("checksum", 0, lost=3)), 0.1)
    other.lost("hung up", 0.5)
    (gap,) = other.finish(0.2, with_feed=True)
    assert (gap.cause, gap.lost_records, gap.t_end_s) == ("checksum", 3, 0.2)


def test_a_device_silent_before_the_feed_ended_is_a_gap_to_its_end() -> None:
    one = stream()
    one.take(batch(0, 10), 0.009)
    one.lost("silent", 1.0)
    (gap,) = one.finish(8.0, with_feed=True)
    assert (gap.cause, gap.t_end_s) == ("link lost", 8.0)


def test_a_silence_without_a_fault_is_a_gap_when_it_ends() -> None:
    one = stream()
    one.take(batch(0, 10), 0.009)
    (gap,), blocks, _ = one.take(batch(3000, 10), 3.009)
    assert (gap.cause, gap.before_record) == ("silent", 10)
    assert (gap.t_start_s, gap.t_end_s) == pytest.approx((0.009, 3.0))
    assert blocks[0].gap_before
    assert one.take(batch(3010, 10), 3.019)[0] == []


def test_a_silence_within_a_batch_is_a_gap_between_its_records() -> None:
    one = stream()
    records = np.zeros(4, DTYPE)
    records["tick"] = [0, 1, 2001, 2002]
    (gap,), blocks, _ = one.take(Batch(records=records, received_ns=0), 2.002)
    assert (gap.cause, gap.before_record) == ("silent", 2)
    assert [len(block.records) for block in blocks] == [2, 2]


def test_a_silence_that_a_fault_explains_is_told_once() -> None:
    one = stream()
    one.take(batch(0, 10), 0.009)
    (gap,), _, _ = one.take(batch(3000, 10, fault("lost frames", 0, lost=2990)), 3.009)
    assert (gap.cause, gap.lost_records) == ("lost frames", 2990)
    assert one.gaps == 1


def test_a_first_record_that_comes_late_ends_a_gap() -> None:
    one = stream()
    one.listen(0.5)
    (gap,), _, _ = one.take(batch(0, 1), 4.0)
    assert (gap.cause, gap.t_start_s, gap.before_record) == ("silent", 0.5, 0)
    assert gap.t_end_s == pytest.approx(4.0)
    soon = stream()
    soon.listen(0.5)
    assert soon.take(batch(0, 1), 1.0)[0] == []


def test_a_restart_gets_a_clock_of_its_own() -> None:
    one = stream()
    one.take(batch(5000, 10), 1.0)
    records = np.zeros(4, DTYPE)
    records["tick"] = [5010, 5011, 0, 1]
    restarted = Batch(records=records, received_ns=0, faults=(fault("device restarted", 2),))
    (gap,), blocks, _ = one.take(restarted, 3.0)
    assert [len(block.records) for block in blocks] == [2, 2]
    assert blocks[0].time_s() == pytest.approx([1.001, 1.002])
    assert blocks[1].time_s() == pytest.approx([2.999, 3.0])
    assert (gap.cause, gap.before_record) == ("device restarted", 12)


def test_what_came_before_the_run_is_left_out_of_it() -> None:
    one = stream(from_start_only=True)
    gaps, blocks, before = one.take(batch(0, 10, fault("checksum", 3)), -0.005)
    assert (gaps, blocks) == ([], [])
    assert len(before[0].records) == 10
    assert one.total == 0
    gaps, blocks, before = one.take(batch(10, 10, fault("checksum", 2)), 0.0)
    # The clock stood at -5 ms with tick 9, so tick 14 is run time 0.
    assert gaps == []
    assert [len(p.records) for p in before] == [4]
    assert blocks[0].time_s()[0] == pytest.approx(0.0, abs=1e-12)
    assert one.total == 6
    gaps, blocks, _ = one.take(batch(20, 5, fault("checksum", 2)), 0.01)
    assert gaps[0].before_record == 8
    # The records behind a gap are a block of their own, flagged as such.
    assert [(len(b.records), b.gap_before) for b in blocks] == [(2, False), (3, True)]


def test_a_link_lost_before_the_run_and_back_in_it_is_a_gap_from_its_start() -> None:
    one = stream(from_start_only=True)
    one.take(batch(0, 10), -2.0)
    one.lost("unplugged", -1.0)
    (gap,), _, _ = one.take(batch(4000, 10), 2.0)
    assert gap.t_start_s == 0.0
    assert gap.t_end_s == pytest.approx(1.991)
    assert gap.before_record == 0


def test_everything_is_kept_when_no_zero_is_taken() -> None:
    one = stream()
    _, blocks, before = one.take(batch(0, 10), -0.5)
    assert before == []
    assert len(blocks[0].records) == 10


def test_bytes_that_became_no_record_are_counted_with_and_without_records() -> None:
    """The health events of a run hold the number: nothing is dropped without a count."""
    one = stream()
    garbage = Fault(
        cause=FaultCause.GARBAGE, detail="in words", before_record=0, bytes_dropped=7
    )
    one.take(batch(0, 0, garbage), 0.001)
    one.take(batch(0, 5, garbage), 0.009)
    assert one.bytes_dropped == 14


def test_bytes_of_half_frames_are_counted_apart() -> None:
    one = stream()
    one.take(replace(batch(0, 5), partial_bytes=7), 0.004)
    one.take(replace(batch(5, 0), partial_bytes=4), 0.005)
    assert (one.partial_bytes, one.bytes_dropped) == (11, 0)

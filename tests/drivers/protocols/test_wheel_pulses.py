"""Wheel pulses: golden bytes, direction, wraps both ways, silence, restarts, edges."""

from __future__ import annotations

import numpy as np
import pytest
from hypothesis import given, settings
from hypothesis import strategies as st

from drivers.decoding.framing import RecordDecoder
from drivers.protocols.wheel_pulses import WheelDecoder
from tests.drivers.driver_contract import SECOND_NS, DriverContract
from tests.drivers.wire import cut, feed_all, wheel_frame

# Worked by hand from the table; see the driver's docstring.
GOLDEN = bytes.fromhex("d2 05 05 03 e8030000 d0471f00 e06e1f00 80841e00 e803 d49c")
PERIOD = 10_000
FLAG_FORWARD, FLAG_PPS = 1, 4  # bits 0 and 2 of the table


def stream(
    frames: int, *, first: int = 0, made: int = 0, count: int = 0, pulses: int = 7
) -> list[bytes]:
    """Frames every 10 ms; the wheel turns ``pulses`` each."""
    return [
        wheel_frame(
            sequence=first + k,
            flags=FLAG_FORWARD if pulses >= 0 else 0,
            count=count + k * pulses,
            made=made + k * PERIOD,
            edge=max(0, made + k * PERIOD - 300),
        )
        for k in range(frames)
    ]


class TestContract(DriverContract):
    def decoder(self) -> RecordDecoder:
        return WheelDecoder()

    def frames(self, count: int) -> list[bytes]:
        return stream(count)


def test_golden_bytes() -> None:
    records, faults = feed_all(WheelDecoder(), [GOLDEN])
    assert records[0].tolist() == (2_060_000, 2_050_000, 1000, 2_000_000, 3, 5, 5)
    assert records.dtype.names == (
        "tick",
        "edge_tick",
        "count",
        "pps_tick",
        "pps_count",
        "flags",
        "sequence",
    )
    assert faults == []


def test_the_test_builder_makes_the_golden_bytes() -> None:
    frame = wheel_frame(
        sequence=5,
        flags=FLAG_FORWARD | FLAG_PPS,
        pps_count=3,
        count=1000,
        edge=2_050_000,
        made=2_060_000,
        pps=2_000_000,
    )
    assert frame == GOLDEN


def test_flags_are_kept_as_they_came() -> None:
    frames = [wheel_frame(sequence=k, flags=k, made=k * PERIOD) for k in range(8)]
    records, _ = feed_all(WheelDecoder(), frames)
    assert records["flags"].tolist() == list(range(8))


@settings(max_examples=60, deadline=None)
@given(
    places=st.lists(st.integers(0, 10_000), max_size=40),
    damage=st.lists(st.tuples(st.integers(0, 10_000), st.integers(1, 255)), max_size=4),
    junk=st.binary(max_size=60),
)
def test_where_a_stream_is_cut_changes_nothing(
    places: list[int], damage: list[tuple[int, int]], junk: bytes
) -> None:
    frames = stream(200, made=2**32 - 900_000, count=2**32 - 700)
    data = bytearray(b"".join([*frames[:80], junk, *frames[80:]]))
    for place, flip in damage:
        data[place % len(data)] ^= flip
    whole, whole_faults = feed_all(WheelDecoder(), [bytes(data)])
    parts, part_faults = feed_all(WheelDecoder(), cut(bytes(data), places))
    np.testing.assert_array_equal(parts, whole)
    assert part_faults == whole_faults


@settings(max_examples=200, deadline=None)
@given(chunks=st.lists(st.binary(max_size=200), max_size=8))
def test_any_bytes_at_all(chunks: list[bytes]) -> None:
    records, _ = feed_all(WheelDecoder(), chunks)
    assert len(records) == 0


@settings(max_examples=200, deadline=None)
@given(
    fields=st.lists(
        st.tuples(*[st.integers(0, 2**32 - 1)] * 4, st.integers(0, 255), st.integers(0, 7)),
        min_size=1,
        max_size=20,
    ),
    seconds=st.integers(0, 10**6),
)
def test_any_fields_keep_the_bits_that_came(
    fields: list[tuple[int, int, int, int, int, int]], seconds: int
) -> None:
    decoder = WheelDecoder()
    before = -1
    for number, (count, edge, made, pps, sequence, flags) in enumerate(fields):
        frame = wheel_frame(
            sequence=sequence, flags=flags, count=count, edge=edge, made=made, pps=pps
        )
        records, _ = feed_all(decoder, [frame], number * seconds * SECOND_NS)
        (record,) = records
        assert int(record["tick"]) & 0xFFFFFFFF == made
        assert int(record["count"]) & 0xFFFFFFFF == count
        assert int(record["edge_tick"]) & 0xFFFFFFFF == edge
        assert int(record["pps_tick"]) & 0xFFFFFFFF == (pps if flags & FLAG_PPS else 0)
        assert int(record["tick"]) >= before
        before = int(record["tick"])


@pytest.mark.parametrize("pulses", [7, -7])
@pytest.mark.parametrize("start", [2**32 - 200, 200, 2**31 - 200, 2**31 + 200])
def test_the_count_wraps_both_ways_without_a_fault(start: int, pulses: int) -> None:
    records, faults = feed_all(
        WheelDecoder(), [b"".join(stream(100, count=start, pulses=pulses))]
    )
    np.testing.assert_array_equal(np.diff(records["count"]), pulses)
    assert faults == []


def test_a_count_below_zero_is_negative() -> None:
    records, _ = feed_all(WheelDecoder(), [b"".join(stream(3, count=5, pulses=-7))])
    assert records["count"].tolist() == [5, -2, -9]
    assert records["flags"].tolist() == [0, 0, 0]


def test_the_tick_wraps_without_a_fault() -> None:
    made = 2**32 - 35_000
    records, faults = feed_all(WheelDecoder(), stream(8, made=made))
    assert records["tick"].tolist() == [made + k * PERIOD for k in range(8)]
    np.testing.assert_array_equal(records["tick"] - records["edge_tick"], 300)
    assert faults == []


def test_rocking_about_an_edge_goes_nowhere() -> None:
    frames = [
        wheel_frame(sequence=k, flags=k % 2, count=k % 2, made=k * PERIOD, edge=k * PERIOD)
        for k in range(50)
    ]
    records, faults = feed_all(WheelDecoder(), frames)
    assert int(records["count"][-1]) == 1
    assert faults == []


def test_the_last_edge_of_a_long_stand_stays_where_it_was() -> None:
    """Standing for 1.2 turns of the tick: the edge is not moved up by a turn."""
    edge = 5_000_000
    step = 500_000
    frames = [
        wheel_frame(sequence=k, count=42, made=edge + 10 + k * step, edge=edge)
        for k in range(10_300)
    ]
    records, faults = feed_all(WheelDecoder(), [b"".join(frames)])
    assert int(records["tick"][-1]) > 2**32
    assert set(records["edge_tick"].tolist()) == {edge}
    assert faults == []


def test_an_edge_from_before_the_first_frames_wrap() -> None:
    frame = wheel_frame(made=500, edge=2**32 - 1000, count=3)
    records, _ = feed_all(WheelDecoder(), [frame])
    assert int(records["tick"][0]) - int(records["edge_tick"][0]) == 1500


def test_lost_frames_by_sequence() -> None:
    frames = stream(40)
    _, (fault,) = feed_all(WheelDecoder(), [b"".join(frames[:10] + frames[17:])])
    assert (fault.cause, fault.lost_records, fault.before_record) == ("lost frames", 7, 10)


@pytest.mark.parametrize("lost", [255, 256, 257, 1000])
def test_more_frames_lost_than_the_sequence_can_say(lost: int) -> None:
    decoder = WheelDecoder()
    feed_all(decoder, stream(10), 0)
    late = stream(1, first=10 + lost, made=(10 + lost) * PERIOD, count=(10 + lost) * 7)
    _, (fault,) = feed_all(decoder, late, round(lost * 0.01 * SECOND_NS))
    assert (fault.cause, fault.lost_records) == ("lost frames", lost)


def test_a_replay_faster_than_time_still_counts_what_is_lost() -> None:
    decoder = WheelDecoder()
    frames = stream(1000)
    _, (fault,) = feed_all(decoder, frames[:10] + frames[610:], received_ns=1)
    assert (fault.cause, fault.lost_records) == ("lost frames", 600)


def test_silence_longer_than_a_turn_of_the_tick() -> None:
    """5000 s unheard at 1 MHz is 1.16 turns: the host clock tells."""
    decoder = WheelDecoder()
    feed_all(decoder, stream(10), 0)
    frames = 500_000
    late = stream(1, first=9 + frames, made=(9 + frames) * PERIOD, count=5000)
    records, (fault,) = feed_all(decoder, late, round(5000.2 * SECOND_NS))
    assert int(records["tick"][0]) == (9 + frames) * PERIOD > 2**32
    assert (fault.cause, fault.lost_records) == ("lost frames", frames - 1)


def test_a_silence_in_which_the_count_may_have_gone_round_says_so() -> None:
    decoder = WheelDecoder()
    feed_all(decoder, stream(10), 0)
    frames = 1_100_000
    late = stream(1, first=9 + frames, made=(9 + frames) * PERIOD, count=5000)
    _, (fault,) = feed_all(decoder, late, round(11_000 * SECOND_NS))
    assert "distance uncertain" in fault.detail


def test_a_counter_that_restarts_is_no_wrap() -> None:
    decoder = WheelDecoder()
    before, _ = feed_all(decoder, stream(10, made=3_000_000_000, count=4_000_000_000), 0)
    after, (fault,) = feed_all(decoder, stream(5, made=20_000, count=3), SECOND_NS)
    assert (fault.cause, fault.before_record) == ("counter restarted", 0)
    assert int(after["tick"][0]) > int(before["tick"][-1])
    np.testing.assert_array_equal(np.diff(after["count"]), 7)


def test_a_restart_with_the_next_sequence_number_is_no_wrap() -> None:
    decoder = WheelDecoder()
    feed_all(decoder, stream(10, made=3_000_000_000, count=900_000), 0)
    _, (fault,) = feed_all(decoder, stream(1, first=10, made=20_000), SECOND_NS)
    assert fault.cause == "counter restarted"


def test_a_restart_that_keeps_its_count_is_the_devices() -> None:
    decoder = WheelDecoder()
    feed_all(decoder, stream(10, made=3_000_000_000, count=900_000), 0)
    after, (fault,) = feed_all(decoder, stream(1, made=20_000, count=900_080), SECOND_NS)
    assert fault.cause == "device restarted"
    assert int(after["count"][0]) == 900_080


def test_a_count_that_jumps_while_the_clock_runs_on() -> None:
    """Faster than any wheel can turn: 900000 pulses within 10 ms."""
    frames = stream(10, count=900_000) + stream(3, first=10, made=10 * PERIOD, count=0)
    records, (fault,) = feed_all(WheelDecoder(), [b"".join(frames)])
    assert (fault.cause, fault.before_record) == ("counter restarted", 10)
    assert int(records["count"][10]) & 0xFFFFFFFF == 0


def test_pulse_per_second_ticks() -> None:
    frames = [
        wheel_frame(
            sequence=k,
            flags=FLAG_PPS if k > 2 else 0,
            pps_count=max(0, k - 2),
            made=k * 500_000 + 10,
            pps=k * 500_000 if k > 2 else 0,
        )
        for k in range(6)
    ]
    records, faults = feed_all(WheelDecoder(), frames)
    assert records["pps_tick"].tolist() == [0, 0, 0, 1_500_000, 2_000_000, 2_500_000]
    assert records["pps_count"].tolist() == [0, 0, 0, 1, 2, 3]
    assert faults == []


def test_another_tick_rate_is_refused_with_the_cure() -> None:
    frames = [wheel_frame(sequence=k, tick_khz=2000) for k in range(3)]
    records, (fault,) = feed_all(WheelDecoder(), [b"".join(frames)])
    assert len(records) == 0
    assert (fault.cause, fault.lost_records) == ("refused", 3)
    assert "frames say 2000 kHz, the car sheet 1000 kHz; set tick_hz" in fault.detail


def test_refused_frames_among_good_ones() -> None:
    frames = stream(12)
    frames[5] = wheel_frame(sequence=5, made=5 * PERIOD, tick_khz=999)
    records, faults = feed_all(WheelDecoder(), [b"".join(frames)])
    assert len(records) == 11
    assert [(fault.cause, fault.before_record) for fault in faults] == [
        ("refused", 5),
        ("lost frames", 5),
    ]


def test_a_new_edge_on_the_same_tick_one_turn_later() -> None:
    decoder = WheelDecoder()
    feed_all(decoder, [wheel_frame(sequence=0, count=1, edge=900, made=1000)], 0)
    late = wheel_frame(sequence=1, count=2, edge=900, made=1000)
    records, _ = feed_all(decoder, [late], 4_294_967_296_000)
    assert records["tick"].tolist() == [2**32 + 1000]
    assert records["edge_tick"].tolist() == [2**32 + 900]


def test_many_frames_at_once() -> None:
    """More than are looked at together, with one broken in the middle."""
    frames = stream(3000)
    frames[1500] = frames[1500][:-1] + bytes([frames[1500][-1] ^ 1])
    records, (fault,) = feed_all(WheelDecoder(), [b"".join(frames)])
    assert len(records) == 2999
    assert (fault.cause, fault.lost_records, fault.before_record) == ("checksum", 1, 1500)


def test_a_reader_held_up_is_no_restart() -> None:
    """Frames that waited in a buffer follow one another by sequence and by device clock."""
    decoder = WheelDecoder()
    for i in range(3):
        decoder.feed(
            wheel_frame(sequence=i, count=100 + i, edge=10_000 * i, made=10_000 * (i + 1)),
            i * 10_000_000,
        )
    batch = decoder.feed(
        wheel_frame(sequence=3, count=103, edge=35_000, made=40_000), 5 * SECOND_NS
    )
    assert batch.faults == ()
    assert batch.records["tick"].tolist() == [40_000]

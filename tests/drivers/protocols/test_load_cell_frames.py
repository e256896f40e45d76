"""Load-cell frames: golden bytes from the protocol's table, cuts, damage, wraps, restarts."""

from __future__ import annotations

from itertools import pairwise

import numpy as np
import pytest
from hypothesis import given, settings
from hypothesis import strategies as st

from drivers.decoding.framing import RecordDecoder
from drivers.protocols.load_cell_frames import RAILS, LoadCellDecoder
from tests.drivers.driver_contract import SECOND_NS, DriverContract
from tests.drivers.wire import cut, feed_all, load_cell_frame

# Worked by hand from the table: 2 channels, 2 samples, sequence 7, tick 1000, step 500, 1 MHz.
GOLDEN = bytes.fromhex(
    "a75c 01 02 0200 07000000 e8030000 f4010000 40420f00010000 ffffff ffff7f 000080 6debf409"
)


def stream(
    frames: int, *, samples: int = 3, sequence: int = 0, tick: int = 0, step: int = 500
) -> list[bytes]:
    """Frames of two channels that follow each other; every count is different."""
    return [
        load_cell_frame(
            [(1000 * number + k, -(1000 * number + k) - 1) for k in range(samples)],
            sequence=sequence + number,
            tick=tick + number * samples * step,
            step=step,
        )
        for number in range(frames)
    ]


class TestContract(DriverContract):
    def decoder(self) -> RecordDecoder:
        return LoadCellDecoder(channels=2)

    def frames(self, count: int) -> list[bytes]:
        return stream(count, samples=1)


def test_golden_bytes() -> None:
    records, faults = feed_all(LoadCellDecoder(channels=2), [GOLDEN])
    assert records["tick"].tolist() == [1000, 1500]
    assert records["ch0"].tolist() == [1, RAILS[1]]
    assert records["ch1"].tolist() == [-1, RAILS[0]]
    assert records.dtype == np.dtype([("tick", "<u8"), ("ch0", "<i4"), ("ch1", "<i4")])
    assert faults == []


def test_the_test_builder_makes_the_golden_bytes() -> None:
    frame = load_cell_frame([(1, -1), (8388607, -8388608)], sequence=7, tick=1000)
    assert frame == GOLDEN


@pytest.mark.parametrize("channels", [1, 4, 16])
@pytest.mark.parametrize("samples", [1, 20, 512])
def test_every_shape(channels: int, samples: int) -> None:
    rng = np.random.default_rng(channels * 1000 + samples)
    counts = rng.integers(-(2**23), 2**23, (samples, channels))
    frame = load_cell_frame(counts.tolist(), step=1)
    records, faults = feed_all(LoadCellDecoder(channels=channels), [frame])
    got = np.stack([records[f"ch{number}"] for number in range(channels)], axis=1)
    np.testing.assert_array_equal(got, counts)
    assert faults == []


def test_only_wired_channels_are_kept() -> None:
    frame = load_cell_frame([(1, 2, 3, 4), (5, 6, 7, 8)])
    records, _ = feed_all(LoadCellDecoder(channels=2), [frame])
    assert records.dtype.names == ("tick", "ch0", "ch1")
    assert records["ch1"].tolist() == [2, 6]


@settings(max_examples=60, deadline=None)
@given(
    places=st.lists(st.integers(0, 10_000), max_size=40),
    damage=st.lists(st.tuples(st.integers(0, 10_000), st.integers(1, 255)), max_size=4),
    junk=st.binary(max_size=30),
)
def test_where_a_stream_is_cut_changes_nothing(
    places: list[int], damage: list[tuple[int, int]], junk: bytes
) -> None:
    frames = stream(12)
    data = bytearray(b"".join([*frames[:5], junk, *frames[5:]]))
    for place, flip in damage:
        data[place % len(data)] ^= flip
    whole, whole_faults = feed_all(LoadCellDecoder(channels=2), [bytes(data)])
    parts, part_faults = feed_all(LoadCellDecoder(channels=2), cut(bytes(data), places))
    np.testing.assert_array_equal(parts, whole)
    assert part_faults == whole_faults


def test_byte_by_byte_is_the_same_as_at_once() -> None:
    data = b"".join(stream(6))
    whole, _ = feed_all(LoadCellDecoder(channels=2), [data])
    singly, faults = feed_all(
        LoadCellDecoder(channels=2), [data[k : k + 1] for k in range(len(data))]
    )
    np.testing.assert_array_equal(singly, whole)
    assert len(whole) == 18
    assert faults == []


@settings(max_examples=80, deadline=None)
@given(at=st.integers(0, 10_000), flip=st.integers(1, 255))
def test_one_wrong_byte_costs_one_frame_and_is_reported(at: int, flip: int) -> None:
    frames = stream(5)
    size = len(frames[0])
    data = bytearray(b"".join(frames))
    # Not in the first frame: joining is silent. Not in the last: nothing good comes after.
    at = size + at % (3 * size)
    data[at] ^= flip
    records, faults = feed_all(
        LoadCellDecoder(channels=2), [bytes(data), *stream(1, sequence=5, tick=7500)]
    )
    assert len(records) == 5 * 3
    (fault,) = faults
    assert fault.cause in ("checksum", "garbage")
    assert fault.bytes_dropped == size
    assert fault.lost_records == 3
    assert fault.before_record == 3 * (at // size)


@settings(max_examples=200, deadline=None)
@given(chunks=st.lists(st.binary(max_size=200), max_size=8))
def test_any_bytes_at_all(chunks: list[bytes]) -> None:
    records, _ = feed_all(LoadCellDecoder(channels=2), chunks)
    assert len(records) == 0


@settings(max_examples=200, deadline=None)
@given(
    heads=st.lists(
        st.tuples(
            st.integers(0, 2**32 - 1),
            st.integers(0, 2**32 - 1),
            st.integers(1, 2**32 - 1),
            st.integers(1, 3),
        ),
        min_size=1,
        max_size=12,
    ),
    seconds=st.integers(0, 10**6),
)
def test_any_sequence_tick_and_step_keep_the_bits_that_came(
    heads: list[tuple[int, int, int, int]], seconds: int
) -> None:
    decoder = LoadCellDecoder(channels=1, tick_hz=2**32 - 1)
    for number, (sequence, tick, step, samples) in enumerate(heads):
        frame = load_cell_frame(
            [(number,)] * samples, sequence=sequence, tick=tick, step=step, tick_hz=2**32 - 1
        )
        records, _ = feed_all(decoder, [frame], number * seconds * SECOND_NS)
        ticks = records["tick"].tolist()
        expected = [(tick + k * step) & 0xFFFFFFFF for k in range(samples)]
        assert [value & 0xFFFFFFFF for value in ticks] == expected
        assert all(a < b for a, b in pairwise(ticks))


def test_a_sync_inside_data_is_data() -> None:
    value = int.from_bytes(b"\xa7\x5c\x01", "little")
    frames = [
        load_cell_frame([(value, 0x0201A7 - 2**24)] * 3, sequence=k, tick=k * 1500)
        for k in range(4)
    ]
    records, faults = feed_all(
        LoadCellDecoder(channels=2), cut(b"".join(frames), range(0, 200, 7))
    )
    assert records["ch0"].tolist() == [value] * 12
    assert faults == []


def test_a_damaged_length_does_not_hold_up_good_frames() -> None:
    frames = stream(8)
    longer = bytearray(frames[2])
    longer[4:6] = (512).to_bytes(2, "little")
    data = b"".join([*frames[:2], bytes(longer), *frames[3:]])
    records, faults = feed_all(LoadCellDecoder(channels=2), [data])
    assert len(records) == 7 * 3
    (fault,) = faults
    assert (fault.cause, fault.lost_records, fault.bytes_dropped) == (
        "checksum",
        3,
        len(longer),
    )


def test_lost_frames_by_sequence() -> None:
    frames = stream(10)
    records, faults = feed_all(LoadCellDecoder(channels=2), [b"".join(frames[:4] + frames[7:])])
    assert len(records) == 7 * 3
    (fault,) = faults
    assert (fault.cause, fault.lost_records, fault.before_record) == ("lost frames", 9, 12)
    assert records["tick"][12] == 7 * 1500


def test_the_tick_wraps_without_a_fault() -> None:
    tick = 2**32 - 2000
    records, faults = feed_all(LoadCellDecoder(channels=2), [b"".join(stream(4, tick=tick))])
    np.testing.assert_array_equal(np.diff(records["tick"]), 500)
    assert records["tick"][0] == tick
    assert records["tick"][-1] == tick + 11 * 500 > 2**32
    assert faults == []


def test_the_sequence_wraps_without_a_fault() -> None:
    records, faults = feed_all(
        LoadCellDecoder(channels=2), [b"".join(stream(4, sequence=2**32 - 2))]
    )
    assert len(records) == 12
    assert faults == []


def test_a_frame_longer_than_a_turn_of_the_tick() -> None:
    """Slow device, fast clock: three samples a quarter of a turn and more apart."""
    step = 2**31 - 5
    decoder = LoadCellDecoder(channels=2, tick_hz=10**9)
    frames = [
        load_cell_frame([(k, k)] * 3, sequence=k, tick=k * 3 * step, step=step, tick_hz=10**9)
        for k in range(3)
    ]
    records, faults = feed_all(decoder, frames)
    assert records["tick"].tolist() == [k * step for k in range(9)]
    assert faults == []


def test_silence_longer_than_a_turn_is_told_by_the_sequence() -> None:
    """Frames of 1.5 ms; 5000 s went by unheard: 1.16 turns of a 1 MHz tick."""
    decoder = LoadCellDecoder(channels=2)
    feed_all(decoder, stream(1), 0)
    lost = round(5000 / 0.0015)
    late = stream(1, sequence=1 + lost, tick=1500 * (1 + lost))
    records, (fault,) = feed_all(decoder, late, 5000 * SECOND_NS)
    assert records["tick"][0] == 1500 * (1 + lost) > 2**32
    assert (fault.cause, fault.lost_records) == ("lost frames", 3 * lost)


def test_silence_longer_than_a_turn_is_told_by_the_host_clock() -> None:
    """The same, but the sequence began anew: the host clock tells how many turns went by."""
    decoder = LoadCellDecoder(channels=2)
    feed_all(decoder, stream(1, sequence=900), 0)
    tick = 3 * 5_000_000_000
    records, (fault,) = feed_all(
        decoder, stream(1, sequence=3, tick=tick), 15_000 * SECOND_NS + 80_000_000
    )
    assert records["tick"][0] == tick
    assert fault.cause == "lost frames"
    assert fault.lost_records == (tick - 1500) // 500


def test_a_restart_is_no_wrap() -> None:
    decoder = LoadCellDecoder(channels=2)
    tick = 3_000_000_000
    before, _ = feed_all(decoder, stream(2, sequence=2_000_000, tick=tick), 0)
    after, (fault,) = feed_all(decoder, stream(2, tick=40_000), 2 * SECOND_NS)
    assert fault.cause == "device restarted"
    assert fault.before_record == 0
    assert after["tick"][0] & 0xFFFFFFFF == 40_000
    assert after["tick"][0] > before["tick"][-1]


def test_a_restart_that_looks_like_lost_frames_is_told_by_the_host_clock() -> None:
    """Up 150 ms, off 30 s, up 300 ms: sequence and tick agree, the host clock does not."""
    decoder = LoadCellDecoder(channels=2)
    feed_all(decoder, stream(100), 0)
    _, faults = feed_all(decoder, stream(1, sequence=200, tick=200 * 1500), 30 * SECOND_NS)
    assert [fault.cause for fault in faults] == ["device restarted"]


def test_a_replay_faster_than_time_is_no_fault() -> None:
    decoder = LoadCellDecoder(channels=2)
    frames = stream(400, samples=3)
    _, faults = feed_all(decoder, frames[:10] + frames[390:], received_ns=1)
    assert [(fault.cause, fault.lost_records) for fault in faults] == [("lost frames", 1140)]


def test_a_clock_that_steps_between_frames_is_reported() -> None:
    decoder = LoadCellDecoder(channels=2)
    frames = stream(2) + stream(1, sequence=2, tick=3000 + 100_000)
    records, (fault,) = feed_all(decoder, frames)
    assert fault.cause == "lost frames"
    assert "sequence 1 then 2" in fault.detail
    assert fault.lost_records == 200
    assert records["tick"][6] == 103_000


def test_frames_that_clash_with_the_sheet_are_refused_with_the_cure() -> None:
    few = LoadCellDecoder(channels=4)
    records, (fault,) = feed_all(few, [b"".join(stream(2))])
    assert len(records) == 0
    assert fault.cause == "refused"
    assert fault.lost_records == 6
    assert "2 channels" in fault.detail
    assert "set channels" in fault.detail
    _, (fault,) = feed_all(LoadCellDecoder(channels=2, tick_hz=2_000_000), stream(1))
    assert "1000000 ticks per second" in fault.detail
    assert "set tick_hz" in fault.detail


def test_another_version_is_no_frame() -> None:
    frame = load_cell_frame([(1, 2)], version=2)
    records, faults = feed_all(LoadCellDecoder(channels=2), [frame, *stream(1)])
    assert len(records) == 3
    assert faults == []


def test_a_frame_of_more_than_an_hour_is_no_frame() -> None:
    """3 samples at 1200.1 s: the head is damaged, or nothing of ours."""
    long = load_cell_frame([(1, 2)] * 3, step=1_200_100, tick_hz=1000)
    hour = load_cell_frame([(1, 2)] * 3, step=1_200_000, tick_hz=1000)
    assert len(feed_all(LoadCellDecoder(channels=2, tick_hz=1000), [long])[0]) == 0
    assert len(feed_all(LoadCellDecoder(channels=2, tick_hz=1000), [hour])[0]) == 3


def test_ticks_that_would_run_past_64_bits_begin_anew() -> None:
    fast = 2**32 - 1
    decoder = LoadCellDecoder(channels=1, tick_hz=fast)
    feed_all(decoder, [load_cell_frame([(1,)] * 400, step=fast, tick_hz=fast)])
    late = load_cell_frame([(1,)], sequence=2**31 - 1, tick=77, step=fast, tick_hz=fast)
    records, (fault,) = feed_all(decoder, [late])
    assert fault.cause == "device restarted"
    assert records["tick"].tolist() == [77]


def test_endless_garbage_is_reported_as_it_comes() -> None:
    decoder = LoadCellDecoder(channels=2)
    _, faults = feed_all(decoder, [b"\x00" * 50_000] * 4)
    assert [fault.bytes_dropped for fault in faults] == [65_536] * 3
    assert {fault.cause for fault in faults} == {"garbage"}

"""Ticks to run time afterwards: restarts, short stretches, the host's own clock, UTC."""

from __future__ import annotations

import numpy as np
import pytest
from numpy.typing import NDArray

from calibration.clock.tick_line import TickLine, time_along
from recorder.run.parts.block import BLOCK_DTYPE, Block, blocks_of, heads_of, joined, times_of
from recorder.run.parts.gap import Cause, Gap
from recorder.run.time.timeline import Segment, as_given, tie_ticks
from recorder.run.time.utc import (
    UTC_DTYPE,
    UtcBy,
    UtcScale,
    UtcSource,
    scale_of,
    wall_clock_scale,
)
from recorder.run.time.utc_evidence import NO_UTC, ClockSentences, evidence_of
from tests.recorder.made_runs import STARTED_UTC_NS, gnss, header, load_cell

CELL = load_cell()


def blocks(starts: list[tuple[int, float, float]], *, rate: float = 1.0) -> NDArray[np.void]:
    """Blocks of ten records each 0.1 s: (first tick, first second, seconds) of each start."""
    rows = []
    record = 0
    rng = np.random.default_rng(1)
    for tick, t0_s, seconds in starts:
        for i in range(int(seconds * 10)):
            last = tick + round((i + 1) * 100_000 * rate)
            received = t0_s + (i + 1) * 0.1 + 0.003 + rng.exponential(0.001)
            rows.append((i, record, 10, received, tick, last, t0_s, 1e-6))
            record += 10
    return np.array(rows, BLOCK_DTYPE)


def test_one_start_is_one_fit() -> None:
    rows = blocks([(5_000, 1.0, 60.0)], rate=1.0 + 20e-6)
    line = tie_ticks(CELL, header(CELL), rows, [])
    (segment,) = line.segments
    assert (segment.source, segment.first_record, segment.stop_record) == ("fit", 0, 6000)
    ticks = rows["tick_last"]
    times = line.times(9, ticks[:1], np.array([0.0]))
    assert times[0] == pytest.approx(1.1 + 0.003, abs=0.0005)


@pytest.mark.parametrize("second_tick", [0, 2_000_000, 2**32 + 7])
def test_a_restart_begins_a_new_tie(second_tick: int) -> None:
    """Ticks back at nought, ticks merely fewer, or a restart that was taken for a wrap."""
    rows = blocks([(0, 0.0, 30.0), (second_tick, 40.0, 30.0)])
    line = tie_ticks(CELL, header(CELL), rows, [])
    assert [(s.source, s.first_record, s.stop_record) for s in line.segments] == [
        ("fit", 0, 3000),
        ("fit", 3000, 6000),
    ]
    ticks = np.array([second_tick + 100_000], np.uint64)
    assert line.times(3009, ticks, np.zeros(1))[0] == pytest.approx(40.103, abs=0.001)


def test_a_named_restart_is_believed() -> None:
    """Ticks that happen to go on as if nothing had been."""
    rows = blocks([(0, 0.0, 10.0), (10_000_000, 10.0, 10.0)])
    gap = Gap(
        device="cell",
        t_start_s=10.0,
        t_end_s=10.0,
        cause=Cause.DEVICE_RESTARTED,
        before_record=1000,
    )
    assert len(tie_ticks(CELL, header(CELL), rows, []).segments) == 1
    assert len(tie_ticks(CELL, header(CELL), rows, [gap]).segments) == 2
    other = [Gap(device="wheel", t_start_s=1, t_end_s=1, cause=Cause.DEVICE_RESTARTED)]
    assert len(tie_ticks(CELL, header(CELL), rows, other).segments) == 1


def test_too_little_for_a_fit_keeps_the_lines_of_the_recording() -> None:
    rows = blocks([(0, 0.0, 1.0)])
    line = tie_ticks(CELL, header(CELL), rows, [])
    (segment,) = line.segments
    assert segment.source == "provisional"
    assert "too few" in segment.why
    assert segment.to_dict()["u_s"] is None
    assert np.isnan(Segment.from_dict(segment.to_dict()).u_s)
    kept = np.array([0.25, 0.5])
    assert line.times(0, np.array([1, 2], np.uint64), kept).tolist() == kept.tolist()
    edge = line.edge_times(
        np.array([5]),
        np.array([90_000], np.uint64),
        np.array([100_000], np.uint64),
        kept[:1],
        1e6,
    )
    assert edge.tolist() == pytest.approx([0.24])


def test_the_hosts_own_clock_needs_no_fit() -> None:
    device = gnss()
    head = header(device)
    line = tie_ticks(device, head, blocks([(0, 0.0, 1.0)]), [])
    ticks = np.array([head.started_monotonic_ns + 1_500_000_000], np.uint64)
    assert line.times(0, ticks, np.zeros(1))[0] == 1.5
    assert line.segments[0].source == "host clock"


def test_no_blocks_and_given_times() -> None:
    assert tie_ticks(CELL, header(CELL), np.empty(0, BLOCK_DTYPE), []).segments == ()
    assert as_given(7).segments[0].source == "given"


def test_ticks_before_the_line_and_at_the_top_of_64_bits() -> None:
    ticks = np.array([90, 100, 110], np.uint64)
    assert time_along(ticks, 100, 5.0, 0.1).tolist() == [4.0, 5.0, 6.0]
    top = np.array([2**64 - 1, 0], np.uint64)
    assert time_along(top, 2**64 - 1, 5.0, 0.1).tolist() == [5.0, 5.1]


class TestUtc:
    def test_too_few_fixes_leave_the_computers_clock_and_no_claim(self) -> None:
        utc_ns = np.array([STARTED_UTC_NS, NO_UTC, NO_UTC])
        head = header()
        sent = ClockSentences(
            t_s=np.array([0.0, 1.0, 2.0]), utc_ns=utc_ns, kind=np.full(3, b"RMC")
        )
        scale, fitted = scale_of(head, 100.0, evidence_of(head, [], sent))
        assert scale.source == fitted.source == "computer's clock"
        assert scale.utc_ns(10.0) == STARTED_UTC_NS + 10**10
        assert np.isnan(scale.u_s(10.0))
        assert not scale.known
        assert fitted.judgement is not None
        assert "1 valid sentence" in fitted.why

    def test_sentences_alone_say_so(self) -> None:
        t_s = np.arange(120, dtype=np.float64) + 0.1
        utc_ns = STARTED_UTC_NS + np.arange(120) * 10**9
        head = header()
        sent = ClockSentences(t_s=t_s, utc_ns=utc_ns, kind=np.full(120, b"RMC"))
        scale, fitted = scale_of(head, 120.0, evidence_of(head, [], sent))
        assert (scale.source, fitted.fixes) == ("gnss sentences", 120)
        error_s = abs(int(scale.utc_ns(60.0)) - (STARTED_UTC_NS + 60 * 10**9)) / 1e9
        assert error_s <= float(scale.u_s(60.0))
        assert UtcSource.from_json(fitted.to_json()).judgement == fitted.judgement

    def test_between_and_beyond_the_nodes(self) -> None:
        base = 1_800_000_000_000_000_001
        nodes = np.array([(0.0, base, 0.1), (10.0, base + 10_000_000_500, 0.3)], UTC_DTYPE)
        scale = UtcScale(nodes, UtcBy.PULSES)
        assert scale.utc_ns([0.0, 10.0]).tolist() == [base, base + 10_000_000_500]
        assert int(scale.utc_ns(5.0)) == base + 5_000_000_250
        assert int(scale.utc_ns(20.0)) == base + 20_000_000_500
        assert int(scale.utc_ns(-1.0)) == base - 10**9
        assert scale.u_s(5.0) == pytest.approx(0.2)

    def test_the_wall_clock_keeps_every_nanosecond(self) -> None:
        scale = wall_clock_scale(header(started_utc_ns=1_800_000_000_123_456_789))
        assert int(scale.utc_ns(0.0)) == 1_800_000_000_123_456_789


@pytest.mark.parametrize("size", [1, 7, 400])
def test_many_blocks_at_once_have_the_times_of_each(size: int) -> None:
    rng = np.random.default_rng(9)
    records = np.zeros(size * 5, CELL.record_dtype)
    records["tick"] = np.sort(rng.integers(2**63, 2**63 + 10**6, size * 5, dtype=np.uint64))
    blocks_ = [
        Block(
            device="cell",
            sequence=i,
            received_s=0.0,
            records=records[i * size : (i + 1) * size],
            line=TickLine(tick0=2**63 + i, t0_s=float(i), s_per_tick=1e-6 * (1 + i)),
        )
        for i in range(5)
    ]
    wanted = np.concatenate([block.time_s() for block in blocks_])
    assert times_of(heads_of(blocks_), records["tick"]).tolist() == wanted.tolist()
    heads = heads_of(blocks_)
    again = blocks_of("cell", heads, joined([b.records for b in blocks_]))
    assert [b.sequence for b in again] == [0, 1, 2, 3, 4]
    assert b"".join(b.records.tobytes() for b in again) == records.tobytes()

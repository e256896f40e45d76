"""From records of a ring to traces, power, paper and gaps."""

from __future__ import annotations

import math
import time
from dataclasses import replace
from typing import TYPE_CHECKING, Any

import numpy as np
import pytest

from recorder.window.model.live.live_run import LiveRun
from recorder.window.model.trace.pens import Pen
from recorder.window.model.trace.trace_chunk import TraceChunk
from recorder.window.model.trace.trace_model import PaperPath, TraceModel

if TYPE_CHECKING:
    from tests.recorder.window.conftest import FakeSession, Kit


def drawn(run: LiveRun, pen: str, axis: str = "time", span: float = 20.0) -> Any:
    x1 = run.traces.newest(axis)
    return run.traces.columns(pen, axis, x1 - span, x1 + 1.0, span / 4e4)


def test_pull_is_drawn_in_kilonewtons_from_the_zero_taken(
    run: LiveRun, session: FakeSession, kit: Kit
) -> None:
    kit.settle(run)
    session.send_pull(0.0, np.full(1000, 123.4))
    kit.settle(run)
    found = drawn(run, "pull")
    assert found.extent() == pytest.approx((123.4, 123.4), abs=kit.KN_PER_COUNT)
    assert run.traces.newest_s == pytest.approx(0.4995)


def test_a_withdrawn_zero_gives_the_paper_back_to_the_one_before_it(
    run: LiveRun, session: FakeSession, kit: Kit
) -> None:
    """A false zero 50 kN off is taken, and withdrawn: what comes then is as it was before."""
    (true,) = session.zeros
    false = replace(true, t_s=0.6, counts=true.counts + 50.0 / kit.KN_PER_COUNT)
    shown = []
    for k, zeros in enumerate(((true,), (false,), (true,), ())):
        session.zeros = zeros
        kit.settle(run, now_s=100.0 * k)
        session.send_pull(float(k), np.full(1000, 123.4))
        kit.settle(run, now_s=100.0 * k + 50.0)
        shown.append(drawn(run, "pull", span=0.4).low[-1])
    certificate_kN = 123.4 + true.counts * kit.KN_PER_COUNT
    assert shown == pytest.approx([123.4, 73.4, 123.4, certificate_kN], abs=0.01)


def test_power_is_mean_pull_times_speed(run: LiveRun, session: FakeSession, kit: Kit) -> None:
    kit.settle(run)
    t = np.arange(1000) / 100.0
    session.send_wheel(0.0, 10.0 * t)
    session.send_pull(0.0, np.full(20_000, 50.0))
    kit.settle(run)
    found = drawn(run, "power")
    steady = found.low[found.x > 2.0]
    assert len(steady) > 100
    np.testing.assert_allclose(steady, 500.0, rtol=0.01)


def test_a_late_pull_makes_power_wait_not_vanish(
    run: LiveRun, session: FakeSession, kit: Kit
) -> None:
    kit.settle(run)
    session.send_wheel(0.0, 10.0 * np.arange(100) / 100.0)
    kit.settle(run)
    assert len(drawn(run, "power").x) == 0
    session.send_pull(0.0, np.full(2000, 50.0))
    kit.settle(run)
    found = drawn(run, "power")
    assert np.isfinite(found.low).sum() > 90


def test_without_pull_power_is_unknown_not_zero(
    run: LiveRun, session: FakeSession, kit: Kit
) -> None:
    kit.settle(run)
    for i in range(5):
        session.send_wheel(float(i), 10.0 * (i + np.arange(100) / 100.0))
        kit.settle(run)
    found = drawn(run, "power")
    assert len(found.low) > 0
    assert not np.isfinite(found.low).any()


def test_power_is_not_drawn_across_a_gap_of_the_wheel(
    run: LiveRun, session: FakeSession, kit: Kit
) -> None:
    """The pull came all the while; its mean over the gap goes with no speed."""
    kit.settle(run)
    for t0 in (0.0, 20.0):
        session.send_wheel(t0, 10.0 * (t0 + np.arange(500) / 100.0))
    session.send_pull(0.0, np.full(50_000, 50.0))
    kit.settle(run)
    for pen in ("speed", "power"):
        found = drawn(run, pen, span=30.0)
        known = np.isfinite(found.low)
        over = np.diff(found.x[known]) > 10.0
        assert over.sum() == 1
        first = int(np.flatnonzero(found.x > 10.0)[0])
        assert not found.joined[first] or not known[first]
        assert found.low[known].min() > 0.0


def test_a_lost_frame_is_drawn_as_a_gap(run: LiveRun, session: FakeSession, kit: Kit) -> None:
    kit.settle(run)
    session.send_pull(0.0, np.zeros(200))
    session.send_pull(0.11, np.zeros(200))  # 20 samples, one frame, never came
    kit.settle(run)
    found = drawn(run, "pull")
    broken = found.x[~found.joined]
    assert any(abs(x - 0.11) < 1e-3 for x in broken)
    pen = next(p for p in run.pens if p.name == "pull")
    spans = run.traces.gap_spans(pen, "time", 0.0, 1.0)
    assert spans == [pytest.approx((0.0995, 0.11), abs=1e-6)]


def test_what_the_recorder_flagged_is_drawn_as_a_gap_however_short(
    run: LiveRun, session: FakeSession, kit: Kit
) -> None:
    """One sample lost leaves a step of two: only the recorder knows it for a gap."""
    kit.settle(run)
    session.send_pull(0.0, np.full(400, 60.0))
    block = session.rings["drawbar"].waiting.pop()
    session.rings["drawbar"].waiting.append(replace(block, gap_before=True))
    kit.settle(run)
    pen = next(p for p in run.pens if p.name == "pull")
    (gap,) = run.traces.gap_spans(pen, "time", 0.0, 1.0)
    assert gap[1] == pytest.approx(block.time_s()[0])


def test_a_silent_device_has_an_open_gap_up_to_where_the_paper_is(
    run: LiveRun, session: FakeSession, kit: Kit
) -> None:
    kit.settle(run)
    session.send_pull(0.0, np.zeros(200))
    session.send_wheel(0.0, 10.0 * np.arange(500) / 100.0)
    kit.settle(run)
    pull = next(p for p in run.pens if p.name == "pull")
    assert run.traces.gap_spans(pull, "time", 0.0, 9.0) == []
    run.traces.silent = frozenset({"drawbar"})
    newest_s = run.traces.newest("time")
    assert newest_s > 4.0
    spans = run.traces.gap_spans(pull, "time", 0.0, 9.0)
    assert spans == [pytest.approx((0.0995, newest_s), abs=1e-6)]
    ((begins_m, ends_m),) = run.traces.gap_spans(pull, "distance", 0.0, 1e9)
    assert begins_m < ends_m == pytest.approx(run.traces.newest("distance"))
    speed = next(p for p in run.pens if p.device == "wheel")
    assert run.traces.gap_spans(speed, "time", 0.0, 9.0) == []


def test_steady_records_have_no_gap(run: LiveRun, session: FakeSession, kit: Kit) -> None:
    kit.settle(run)
    for i in range(10):
        session.send_pull(i * 0.1, np.zeros(200))
        kit.settle(run)
    found = drawn(run, "pull")
    assert found.joined[1:].all()
    assert not run.traces.gaps


def test_what_this_window_was_too_slow_for_is_counted(
    run: LiveRun, session: FakeSession, kit: Kit
) -> None:
    session.rings["drawbar"].lost_blocks = 7
    session.send_pull(0.0, np.zeros(200))
    kit.settle(run)
    assert run.traces.not_drawn_blocks == 7
    now_ns = time.monotonic_ns()
    shown = [[a.text for a in run.alarms(at) if "not drawn" in a.text]
             for at in (now_ns, now_ns + 31_000_000_000)]  # fmt: skip
    assert shown == [
        ["7 blocks not drawn: the window was too slow; the recording has them"],
        [],
    ]


def test_distance_axis_moves_with_the_train(
    run: LiveRun, session: FakeSession, kit: Kit
) -> None:
    kit.settle(run)
    t = np.arange(1000) / 100.0
    session.send_wheel(0.0, 8.0 * t)
    session.send_pull(0.0, 10.0 * np.arange(20_000) / 2000.0)
    kit.settle(run)
    assert run.traces.path.moved_m == pytest.approx(80.0, abs=0.2)
    found = drawn(run, "pull", axis="distance", span=100.0)
    # Pull rises 10 kN/s and the train runs 8 m/s: 1.25 kN a metre.
    slope = np.polyfit(found.x, found.low, 1)[0]
    assert slope == pytest.approx(1.25, rel=0.01)


def told_by_receiver(speeds: list[float], t0_s: float = 0.0) -> TraceChunk:
    """Three sentences a second in one burst, of which the last tells a speed."""
    t_s = (
        t0_s
        + np.repeat(np.arange(float(len(speeds))), 3)
        + np.tile([0.0, 0.01, 0.02], len(speeds))
    )
    values = np.full(3 * len(speeds), np.nan)
    values[2::3] = speeds
    return TraceChunk(
        device="clock", received_s=float(t_s[-1]), time_s=t_s, values={"gnss_speed": values},
        flags={"gnss_speed": np.zeros(len(t_s), np.uint8)}, breaks=np.empty(0, np.intp),
    )  # fmt: skip


RECEIVER = Pen(
    name="gnss_speed",
    title="Speed",
    quantity="gnss_speed",
    unit="m/s",
    device="clock",
    channel="gnss_speed",
)


def test_a_receivers_speed_is_one_line_between_its_other_sentences() -> None:
    traces = TraceModel([RECEIVER], distance_channel="")
    for t0_s in (0.0, 5.0):
        traces.take(told_by_receiver([8.0] * 5, t0_s))
    found = traces.columns("gnss_speed", "time", -1.0, 11.0, 0.01)
    assert len(found.x) == 10
    assert found.joined[1:].all()


def test_a_receiver_that_tells_no_speed_for_a_while_has_a_break() -> None:
    traces = TraceModel([RECEIVER], distance_channel="")
    traces.take(told_by_receiver([8.0] * 5 + [math.nan] * 5 + [8.0] * 5))
    found = traces.columns("gnss_speed", "time", -1.0, 16.0, 0.01)
    assert found.x[~found.joined].tolist() == pytest.approx([0.02, 10.02])


def test_paper_goes_forward_when_the_train_sets_back() -> None:
    path = PaperPath(keep=64)
    t = np.arange(5.0)
    path.append(t, np.array([0.0, 10.0, 20.0, 15.0, 10.0]))
    assert path.moved_m == pytest.approx(30.0)
    assert path.at([2.0, 4.0]).tolist() == pytest.approx([20.0, 30.0])


def test_rocking_in_place_does_not_move_the_paper() -> None:
    path = PaperPath(keep=64)
    t = np.arange(1000.0)
    path.append(t, 5.0 + 0.02 * np.sin(t))
    assert path.moved_m == 0.0


def test_paper_keeps_a_bounded_memory() -> None:
    path = PaperPath(keep=100)
    for start in range(0, 5000, 70):
        t = np.arange(start, start + 70, dtype=np.float64)
        path.append(t, t)
    assert path.moved_m == pytest.approx(5040 - 1, abs=1.0)
    assert not path.covers(100.0)
    assert path.covers(5000.0)


def test_speed_shows_from_the_first_edges_though_records_come_one_by_one(
    run: LiveRun, session: FakeSession, kit: Kit
) -> None:
    kit.settle(run)
    for i in range(300):
        session.send_wheel(i / 100.0, [5.0 * i / 100.0])
        kit.settle(run)
    reading = run.numerals.reading("speed", 3.0)
    assert reading.value == pytest.approx(5.0, rel=0.03)


@pytest.mark.parametrize(("pull_kN", "beyond"), [(1e4, True), (-1e4, False), (300.0, False)])
def test_a_highest_pull_that_is_the_converters_rail_is_known_as_a_bound(
    run: LiveRun, session: FakeSession, kit: Kit, pull_kN: float, beyond: bool
) -> None:
    """By time and by distance; and no more once the paper has moved on."""
    kit.settle(run)
    session.send_wheel(0.0, 10.0 * np.arange(6000) / 100.0)
    session.send_pull(0.0, np.where(np.arange(4000) == 2000, pull_kN, 50.0))
    kit.settle(run)
    for axis, x1 in (("time", 2.0), ("distance", 20.0)):
        extent = drawn(run, "pull", axis, span=1e3).extent()
        assert run.traces.railed.reach("pull", axis, 0.0, x1, extent[1]) is beyond
        assert not run.traces.railed.reach("pull", axis, x1, 10.0 * x1, extent[1])

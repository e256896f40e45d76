"""A wheel that stops counting at once tells so by its own pulses; a train that stops never."""

from __future__ import annotations

from itertools import pairwise

import numpy as np
import pytest
from hypothesis import given, settings
from hypothesis import strategies as st
from numpy.typing import NDArray

from recorder.run.checks.channel_health import HealthFault
from recorder.run.checks.channel_seconds import ChannelSeconds
from recorder.run.checks.dead_stop import LOOKS_BACK_S, DeadStopWatch
from recorder.run.checks.run_health import RunHealth
from recorder.run.checks.watches import Source
from tests.recorder.made_runs import WHEEL, header, wheel
from tests.recorder.run.checks.health_cases import Told, Train

HZ = 100.0


def counts(way_m: NDArray[np.float64], pulse_m: float) -> NDArray[np.int64]:
    return np.floor(way_m / pulse_m + 0.37).astype(np.int64)


def heard(
    time_s: NDArray[np.float64],
    count: NDArray[np.int64],
    pulse_m: float = 0.03,
    receiver_m_s: float = float("nan"),
) -> Told:
    told = Told()
    seconds = ChannelSeconds(spikes=False, looks_back_s=LOOKS_BACK_S)
    source = Source(device="wheel", channels=("distance", "speed"))
    watch = DeadStopWatch(source, pulse_m, told)
    for row in [*seconds.feed(time_s, count), *seconds.finish()]:
        watch.second(row, receiver_m_s)
    watch.finish()
    return told


def ridden(
    stop_s: float, speed_m_s: float, rate_m_s2: float, hz: float = HZ, after_s: float = 40.0
) -> tuple[NDArray[np.float64], NDArray[np.float64]]:
    """Time and way of a train that brakes evenly to a stand at that time."""
    t = np.arange(0.0, stop_s + after_s, 1.0 / hz)
    speed = np.minimum(speed_m_s, rate_m_s2 * np.maximum(stop_s - t, 0.0))
    return t, np.cumsum(speed) / hz


def dead(at_s: float, speed_m_s: float, pulse_m: float, hz: float = HZ) -> Told:
    t = np.arange(0.0, at_s + 40.0, 1.0 / hz)
    count = counts(speed_m_s * np.minimum(t, at_s), pulse_m)
    return heard(t, count, pulse_m)


class TestDead:
    @pytest.mark.parametrize("at_s", [28.0, 28.05, 28.1, 28.3, 28.5, 28.77, 28.99])
    def test_at_six_kilometres_an_hour_with_nobody_else_to_tell(self, at_s: float) -> None:
        told = dead(at_s, 1.76, 0.03)
        (one,) = told.whole
        assert len(told.first) == 1
        assert one.fault is HealthFault.STUCK
        assert one.t_start_s == pytest.approx(at_s, abs=0.03)
        assert one.t_stop_s == pytest.approx(at_s + 40.0, abs=0.03)
        assert (one.samples, one.stop_record) == (
            one.stop_record - one.first_record,
            len_of(at_s),
        )
        assert "stopped at once from 1." in one.text

    @pytest.mark.parametrize(
        ("pulse_m", "speed_m_s"), [(1.0, 9.0), (0.25, 4.0), (0.03, 25.0), (0.001, 2.0)]
    )
    @pytest.mark.parametrize("hz", [20.0, 100.0, 1000.0])
    def test_of_any_number_of_pulses(self, pulse_m: float, speed_m_s: float, hz: float) -> None:
        for at_s in (20.0, 20.2, 20.7):
            assert len(dead(at_s, speed_m_s, pulse_m, hz).whole) == 1

    def test_until_it_counts_again_and_an_edge_that_dithers_is_no_count(self) -> None:
        t = np.arange(0.0, 90.0, 0.01)
        way = 5.0 * np.minimum(t, 20.0) + 5.0 * np.maximum(t - 60.5, 0.0)
        count = counts(way, 0.03)
        count[(t > 40.0) & (t < 42.0)] += 1
        (one,) = heard(t, count).whole
        assert [one.t_start_s, one.t_stop_s] == pytest.approx([20.0, 60.5], abs=0.03)
        assert t[one.stop_record] == pytest.approx(60.5, abs=0.03)

    def test_backwards(self) -> None:
        t = np.arange(0.0, 40.0, 0.01)
        assert len(heard(t, counts(-3.0 * np.minimum(t, 20.0), 0.03)).whole) == 1

    def test_told_four_seconds_after_at_the_latest(self) -> None:
        t = np.arange(0.0, 25.0, 0.01)
        told = heard(t, counts(5.0 * np.minimum(t, 20.9), 0.03))
        assert told.first[0].t_stop_s <= 25.0


def len_of(at_s: float) -> int:
    return len(np.arange(0.0, at_s + 40.0, 1.0 / HZ))


class TestSound:
    @pytest.mark.slow
    @settings(max_examples=300, deadline=None)
    @given(
        stop_s=st.floats(30.0, 32.0),
        speed_m_s=st.floats(0.3, 40.0),
        rate_m_s2=st.floats(0.05, 2.5),
        pulse_m=st.sampled_from([0.001, 0.01, 0.03, 0.25, 1.0, 3.0]),
        hz=st.sampled_from([10.0, 20.0, 100.0, 250.0]),
    )
    def test_a_train_that_brakes(
        self, stop_s: float, speed_m_s: float, rate_m_s2: float, pulse_m: float, hz: float
    ) -> None:
        """Harder than any emergency brake, with any wheel."""
        t, way = ridden(stop_s, speed_m_s, rate_m_s2, hz)
        assert heard(t, counts(way, pulse_m), pulse_m).whole == []

    @pytest.mark.parametrize("speed_m_s", [0.1, 0.5, 1.0, 1.4])
    def test_slack_and_coupling_on_stop_within_centimetres(self, speed_m_s: float) -> None:
        assert dead(30.0, speed_m_s, 0.005).whole == []

    def test_a_stop_with_slack_that_rolls_back(self) -> None:
        t, way = ridden(30.0, 12.0, 0.5)
        back = 0.2 * (1.0 - np.exp(-np.maximum(t - 30.0, 0.0) / 0.2))
        assert heard(t, counts(way - back, 0.005), 0.005).whole == []

    def test_the_receiver_sees_that_it_stands(self) -> None:
        """Stopped by something else than a brake."""
        t = np.arange(0.0, 40.0, 0.01)
        count = counts(3.0 * np.minimum(t, 20.0), 0.03)
        assert heard(t, count, receiver_m_s=0.1).whole == []

    @pytest.mark.parametrize("began_at", [0, 7, 123])
    def test_a_counter_that_begins_anew_while_the_train_stands(self, began_at: int) -> None:
        t, way = ridden(30.0, 12.0, 0.5)
        count = counts(way, 0.03)
        count[t > 45.0] = began_at
        count[t > 55.0] = began_at + 130
        assert heard(t, count).whole == []

    def test_a_link_that_is_lost_at_speed_until_after_the_stop(self) -> None:
        t, way = ridden(60.0, 12.0, 0.5)
        kept = (t < 30.0) | (t > 70.0)
        assert heard(t[kept], counts(way, 0.03)[kept]).whole == []

    def test_a_run_that_ends_at_speed(self) -> None:
        t = np.arange(0.0, 30.0, 0.01)
        assert heard(t, counts(12.0 * t, 0.03)).whole == []


def test_without_a_receiver_a_dead_wheel_is_told_of_and_with_one_told_once() -> None:
    train = Train()
    t, count = train.column("wheel", "count")
    count[(t >= 30.0) & (t < 70.0)] = count[t >= 30.0][0]
    for without in ((), ("gnss",)):
        told = train.heard(without=without)
        (one,) = told.whole
        assert (one.fault, one.channels) == (HealthFault.STUCK, ("distance", "speed"))
        assert [one.t_start_s, one.t_stop_s] == pytest.approx([30.0, 70.0], abs=0.1)


def test_a_wheel_that_counts_no_more_is_no_witness_of_rest() -> None:
    """A pull that drifts under way is no zero that drifts."""
    train = Train(seconds=400.0, stands_s=(-90.0, -80.0))
    t, count = train.column("wheel", "count")
    count[t >= 30.0] = count[t >= 30.0][0]
    _, cell = train.column("cell", "ch0")
    cell[:] = (1_500_000 + 300.0 * t_of(train)).astype(np.int32)
    assert [e.fault for e in train.heard(without=("gnss",)).whole] == [HealthFault.STUCK]


def t_of(train: Train) -> NDArray[np.float64]:
    return train.data["cell"][0]


@settings(max_examples=20, deadline=None)
@given(cuts=st.lists(st.integers(1, 5999), max_size=12))
def test_however_the_records_are_cut(cuts: list[int]) -> None:
    t = np.arange(0.0, 60.0, 0.01)
    count = counts(5.0 * np.minimum(t, 20.03), 0.03)
    told = Told()
    health = RunHealth(header(wheel()), {"wheel": WHEEL}, told)
    bounds = sorted({0, *cuts, 6000})
    for a, b in pairwise(bounds):
        health.feed("wheel", t[a:b], {"count": count[a:b]})
        health.judge_whole()
    health.finish()
    assert told.whole == heard(t, count).whole

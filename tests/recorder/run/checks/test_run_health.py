"""A channel that is not sound is told, with its extent; one that is sound never."""

from __future__ import annotations

from dataclasses import replace

import numpy as np
import pytest
from hypothesis import given, settings
from hypothesis import strategies as st

from recorder.run.checks.channel_health import Episode, HealthFault, episodes_of
from recorder.run.parts.event import Event, EventKind
from tests.recorder.made_runs import CELL
from tests.recorder.run.checks.health_cases import CELL_HZ, WHEEL_HZ, Told, Train

STUCK, RAILED, SPIKING = HealthFault.STUCK, HealthFault.RAILED, HealthFault.SPIKING
DRIFTING, DISAGREES = HealthFault.DRIFTING, HealthFault.DISAGREES


def extent(told: Told) -> list[float]:
    """Of the one episode."""
    (one,) = told.whole
    return [one.t_start_s, one.t_stop_s]


@pytest.mark.parametrize("seed", range(20))
def test_a_sound_train_is_never_told_of(seed: int) -> None:
    rng = np.random.default_rng(seed)
    train = Train(
        seed=seed,
        noise=float(rng.choice([0.1, 0.4, 2.0, 20.0, 300.0])),
        quantum=int(rng.choice([1, 1, 16, 256])),
        speed_m_s=float(rng.uniform(4.0, 25.0)),
    )
    assert train.heard().whole == []
    assert train.heard(without=("gnss",)).whole == []
    assert train.heard(without=("wheel",)).whole == []


class TestStuck:
    def test_the_same_count_while_the_train_moves(self) -> None:
        train = Train()
        t, counts = train.column("cell", "ch0")
        counts[(t >= 50.25) & (t < 53.5)] = counts[t >= 50.25][0]
        told = train.heard()
        assert told.faults == [(STUCK, "pull")]
        assert extent(told) == pytest.approx([50.25, 53.5], abs=2.5 / CELL_HZ)
        (one,) = told.whole
        assert t[one.first_record] == pytest.approx(50.25, abs=1.5 / CELL_HZ)
        assert t[one.stop_record] == pytest.approx(53.5, abs=1.5 / CELL_HZ)

    def test_soon_after_the_start_noise_at_rest_is_known(self) -> None:
        train = Train(seconds=60.0, stands_s=(-10.0, 20.0))
        t, counts = train.column("cell", "ch0")
        counts[(t >= 28.0) & (t < 33.0)] = 4711
        assert extent(train.heard()) == pytest.approx([28.0, 33.0], abs=0.01)

    def test_to_the_end_of_the_run(self) -> None:
        train = Train()
        t, counts = train.column("cell", "ch0")
        counts[t >= 260.0] = 123_456
        assert extent(train.heard()) == pytest.approx([260.0, 300.0], abs=0.01)

    def test_from_the_very_first_sample(self) -> None:
        """Nothing is known of its noise: two minutes in motion at changing speeds tell."""
        train = Train(seconds=260.0, stands_s=(-60.0, -50.0))
        _, counts = train.column("cell", "ch0")
        counts[:] = 4711
        assert extent(train.heard()) == pytest.approx([0.0, 260.0], abs=0.01)

    def test_at_rest_after_noise_at_rest(self) -> None:
        train = Train()
        t, counts = train.column("cell", "ch0")
        counts[(t >= 130.0) & (t < 145.0)] = 1000
        assert extent(train.heard()) == pytest.approx([130.0, 145.0], abs=0.01)

    @pytest.mark.parametrize("quantum", [16, 256, 4096])
    def test_a_quiet_coarse_cell_at_rest_is_in_order(self, quantum: int) -> None:
        """Its noise is below one step: it stands for a minute and a half, and nobody can tell."""
        train = Train(noise=0.2 * quantum, quantum=quantum)
        t, counts = train.column("cell", "ch0")
        counts[(t >= 100.0) & (t < 200.0)] = 0
        assert train.heard().whole == []

    def test_nothing_else_tells_whether_the_train_moves(self) -> None:
        train = Train()
        t, counts = train.column("cell", "ch0")
        counts[(t >= 50.0) & (t < 55.0)] = 7
        assert train.heard(without=("gnss", "wheel")).whole == []

    def test_a_wheel_that_stands_while_the_receiver_moves(self) -> None:
        train = Train()
        t, count = train.column("wheel", "count")
        count[(t >= 30.0) & (t < 70.0)] = count[t >= 30.0][0]
        told = train.heard()
        assert [e.channels for e in told.whole] == [("distance", "speed")]
        assert told.whole[0].fault is STUCK
        assert extent(told) == pytest.approx([31.0, 70.0], abs=1.0)

    def test_the_speed_of_a_dead_wheel_is_found_within_a_quarter_of_a_minute(self) -> None:
        train = Train(seconds=45.0, stands_s=(-60.0, -50.0))
        t, count = train.column("wheel", "count")
        count[t >= 30.0] = count[t >= 30.0][0]
        assert len(train.heard().first) == 1


def test_rails_are_one_episode_with_the_number_of_samples() -> None:
    train = Train()
    t, counts = train.column("cell", "ch0")
    for start in (40.0, 60.0):
        counts[(t >= start) & (t < start + 0.5)] = 2**23 - 1
    told = train.heard()
    assert told.faults == [(RAILED, "pull")]
    assert told.whole[0].samples == CELL_HZ
    assert extent(told) == pytest.approx([40.0, 61.0], abs=1.0)


def test_standing_at_a_rail_is_no_second_fault() -> None:
    train = Train()
    t, counts = train.column("cell", "ch0")
    counts[(t >= 40.0) & (t < 60.0)] = -(2**23)
    assert train.heard().faults == [(RAILED, "pull")]


class TestSpikes:
    def test_single_samples_by_ten_usual_steps(self) -> None:
        train = Train()
        _, counts = train.column("cell", "ch0")
        rows = [CELL_HZ * 40 + 17, CELL_HZ * 41, CELL_HZ * 42 - 1, CELL_HZ * 150 + 3]
        counts[rows] += np.array([40_000, -40_000, 40_000, 40_000], np.int32)
        told = train.heard()
        assert told.faults == [(SPIKING, "pull"), (SPIKING, "pull")]
        assert [e.samples for e in told.whole] == [3, 1]

    def test_a_run_in_of_slack_stays_or_lasts_and_is_none(self) -> None:
        """Buff and draft: steps that stay, and a blow of 40 ms."""
        train = Train()
        t, counts = train.column("cell", "ch0")
        counts[(t >= 40.0) & (t < 41.0)] += 800_000
        blow = (t >= 50.0) & (t < 50.04)
        counts[blow] += (900_000 * np.sin((t[blow] - 50.0) / 0.04 * np.pi)).astype(np.int32)
        assert train.heard().whole == []

    def test_a_quiet_quantised_signal_has_none(self) -> None:
        """It toggles by one step, now and then by two."""
        train = Train(noise=0.01, quantum=256)
        _, counts = train.column("cell", "ch0")
        counts[:] = 0
        counts[::997] = 256
        counts[::4999] = 512
        assert train.heard().whole == []

    def test_a_spike_of_a_quiet_quantised_signal(self) -> None:
        train = Train(noise=0.01, quantum=16)
        _, counts = train.column("cell", "ch0")
        counts[:] = 0
        counts[::97] = 16
        counts[CELL_HZ * 50 + 7] = 16 * 25
        assert train.heard().faults == [(SPIKING, "pull")]

    def test_ringing_is_none(self) -> None:
        train = Train(noise=5.0)
        t, counts = train.column("cell", "ch0")
        ring = (t >= 50.0) & (t < 50.2)
        dying = np.exp(-(t[ring] - 50.0) / 0.05) * np.cos(np.pi * np.arange(ring.sum()))
        counts[ring] += (60_000 * dying).astype(np.int32)
        assert train.heard().whole == []


class TestDriftAtRest:
    cell = replace(CELL, zero_limit_counts=5000.0)

    def drifting(self, counts_a_s: float, **changes: object) -> Told:
        train = Train(seconds=500.0, stands_s=(60.0, 420.0), cell=self.cell)
        t, counts = train.column("cell", "ch0")
        rest = np.clip(t - 120.0, 0.0, 240.0)
        counts += (counts_a_s * rest).astype(np.int32)
        return train.heard(without=("gnss",) if changes else ())

    def test_steadily_beyond_the_certificates_limit(self) -> None:
        told = self.drifting(60.0)
        assert told.faults == [(DRIFTING, "pull")]
        start, stop = extent(told)
        assert 90.0 <= start <= 200.0
        assert 240.0 <= stop <= 420.0
        assert "kN" in told.whole[0].text

    def test_within_it_is_none(self) -> None:
        assert self.drifting(10.0).whole == []

    def test_a_share_of_the_capacity_where_the_certificate_has_no_limit(self) -> None:
        """0.2 % of 500 kN at 10,000 counts a kN: 10,000 counts."""
        train = Train(seconds=500.0, stands_s=(60.0, 420.0))
        t, counts = train.column("cell", "ch0")
        counts += (80.0 * np.clip(t - 60.0, 0.0, 360.0)).astype(np.int32)
        assert train.heard().faults == [(DRIFTING, "pull")]

    def test_a_brake_let_go_is_a_step_and_none(self) -> None:
        train = Train(seconds=500.0, stands_s=(60.0, 420.0), cell=self.cell)
        t, counts = train.column("cell", "ch0")
        counts[(t > 200.0)] += 60_000
        assert train.heard().whole == []


class TestDoubles:
    def test_a_receiver_and_a_wheel_that_disagree(self) -> None:
        train = Train(seconds=400.0, stands_s=(-90.0, -80.0))
        t, v = train.column("gnss", "speed_m_s")
        v[(t >= 100.0) & (t < 180.0)] *= 1.1
        told = train.heard()
        assert told.faults == [(DISAGREES, "distance"), (DISAGREES, "gnss_speed")]
        for one in told.whole:
            assert [one.t_start_s, one.t_stop_s] == pytest.approx([100.0, 180.0], abs=6.0)

    def test_shorter_than_half_a_minute_is_left_to_the_slip(self) -> None:
        train = Train(seconds=400.0, stands_s=(-90.0, -80.0))
        t, v = train.column("gnss", "speed_m_s")
        v[(t >= 100.0) & (t < 120.0)] *= 1.3
        assert train.heard().whole == []

    def test_within_their_uncertainties_they_agree(self) -> None:
        """A wheel 1 % out is for placing to find."""
        train = Train(seconds=400.0, stands_s=(-90.0, -80.0))
        _, v = train.column("gnss", "speed_m_s")
        v *= 1.01
        assert train.heard().whole == []

    @pytest.mark.parametrize("scatter_m_s", [0.0, 0.05, 0.1])
    @pytest.mark.parametrize("share", [0.97, 1.03])
    def test_a_wheel_three_per_cent_out_for_seventy_seconds(
        self, scatter_m_s: float, share: float
    ) -> None:
        """At 37 km/h: within the scatter of one speed, beyond that of half a minute's."""
        for seed in range(5):
            train = Train(
                seconds=200.0, stands_s=(-90.0, -80.0), speed_m_s=10.3, seed=seed,
                scatter_m_s=scatter_m_s,
            )  # fmt: skip
            t, count = train.column("wheel", "count")
            steps = np.diff(count, prepend=0) * np.where((t >= 60.0) & (t < 130.0), share, 1.0)
            count[:] = np.floor(np.cumsum(steps))
            told = train.heard()
            assert told.faults == [(DISAGREES, "distance"), (DISAGREES, "gnss_speed")]
            for one in told.whole:
                assert [one.t_start_s, one.t_stop_s] == pytest.approx([60.0, 130.0], abs=12.0)
            assert all(one.t_stop_s <= 105.0 for one in told.first)

    @pytest.mark.parametrize("late_s", [0.0, 0.4, 1.4])
    @pytest.mark.parametrize("rate_m_s2", [0.1, 0.3, 0.6, 1.0])
    def test_a_receiver_that_is_late_and_scatters_agrees_all_the_same(
        self, late_s: float, rate_m_s2: float
    ) -> None:
        """With a wheel half a per cent out, while the speed changes by all that a train can."""
        for seed in range(6):
            train = Train(
                seconds=500.0, speed_m_s=8.0 + 5.0 * seed, stands_s=(230.0, 270.0), seed=seed,
                scatter_m_s=0.1, late_s=late_s, rate_m_s2=rate_m_s2,
            )  # fmt: skip
            train.column("gnss", "speed_m_s")[1][:] *= 1.005
            assert train.heard().whole == []

    def test_a_receiver_without_a_fix_says_nothing(self) -> None:
        train = Train(seconds=400.0, stands_s=(-90.0, -80.0))
        t, v = train.column("gnss", "speed_m_s")
        v[t >= 100.0] = 0.0
        train.column("gnss", "valid")[1][t >= 100.0] = 0
        assert train.heard().whole == []


def spoilt() -> Train:
    """Everything at once, each in its own time."""
    train = Train(seconds=400.0, stands_s=(150.0, 220.0))
    t, counts = train.column("cell", "ch0")
    counts[(t >= 40.3) & (t < 44.6)] = 777
    counts[[CELL_HZ * 10, CELL_HZ * 11 + 1, CELL_HZ * 20 - 1]] += 90_000
    counts[(t >= 60.9) & (t < 61.1)] = 2**23 - 1
    tw, count = train.column("wheel", "count")
    count[(tw >= 250.0) & (tw < 290.0)] = count[tw >= 250.0][0]
    tg, v = train.column("gnss", "speed_m_s")
    v[(tg >= 320.0) & (tg < 380.0)] += 4.0
    return train


@settings(max_examples=10)
@given(
    st.lists(st.integers(1, 400 * CELL_HZ - 1), max_size=40),
    st.lists(st.integers(1, 400 * WHEEL_HZ - 1), max_size=40),
    st.lists(st.integers(1, 398), max_size=40),
)
def test_however_the_streams_are_cut(
    cell: list[int], wheel: list[int], gnss: list[int]
) -> None:
    train = spoilt()
    whole = train.heard()
    assert {f for f, _ in whole.faults} == {STUCK, RAILED, SPIKING, DISAGREES}
    parts = train.heard(cuts={"cell": cell, "wheel": wheel, "gnss": gnss})
    assert parts.whole == whole.whole
    assert parts.first == whole.first


@pytest.mark.parametrize(
    ("fault", "channels", "what"),
    [
        (DISAGREES, ("speed",), "speed disagrees"),
        (DISAGREES, ("distance", "speed"), "distance and speed disagree"),
        (STUCK, ("speed",), "speed stuck"),
        (STUCK, ("distance", "speed"), "distance and speed stuck"),
    ],
)
def test_channels_of_one_count_are_told_as_several(
    fault: HealthFault, channels: tuple[str, ...], what: str
) -> None:
    data = {"device": "wheel", "channels": list(channels), "fault": str(fault), "t_stop_s": 9.0}
    episode = Episode.from_event(Event(kind=EventKind.CHANNEL_HEALTH, t_s=5.0, data=data))
    assert episode.what == what
    assert episode.words.startswith(f"{what}, 5.0 to 9.0 s")


def test_an_episode_is_kept_as_an_event() -> None:
    held = spoilt().heard().whole
    assert episodes_of(one.to_event() for one in held) == held
    assert all(one.channels[0] in one.words for one in held)


def test_an_event_of_a_newer_version_is_no_episode() -> None:
    strange: list[dict[str, object]] = [
        {},
        {"channels": "pull", "device": "cell", "fault": "stuck", "t_stop_s": 9.0},
        {"channels": ["pull"], "device": "cell", "fault": "haunted", "t_stop_s": 9.0},
        {"channels": ["pull"], "device": "cell", "fault": "stuck", "t_stop_s": None},
    ]
    events = [Event(kind=EventKind.CHANNEL_HEALTH, t_s=1.0, data=data) for data in strange]
    assert episodes_of(events) == []


def test_the_flags_of_a_fault() -> None:
    assert {fault for fault in HealthFault if fault.flag} == {STUCK, SPIKING, DISAGREES}
    assert Episode.__doc__

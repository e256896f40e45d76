"""A feed that lies: stuck, jumping, restarting, pausing; nothing of it becomes a reading unsaid."""

from __future__ import annotations

from collections.abc import Iterator
from dataclasses import replace
from pathlib import Path

import numpy as np
import pytest
from hypothesis import given, settings
from hypothesis import strategies as st

from calibration.bench.bench_reading import BenchError, DoubtedReadingError, TakenReading
from calibration.bench.plan import make_plan
from calibration.bench.session import BenchSession
from calibration.bench.stability import StabilityLimits
from calibration.readings.bench_settings import BenchSettings
from calibration.readings.reading_doubts import Doubt

LIMITS = StabilityLimits(window_s=1.0, drift_counts=60.0, noise_counts=30.0)


class LyingFeed:
    """Counts of a cell at a force, honest until told otherwise; time is wound by hand."""

    def __init__(self, session: BenchSession) -> None:
        self.session = session
        self.rng = np.random.default_rng(5)
        self.t_s = 0.0
        self.offset = 0.0
        self.stuck_at: float | None = None

    def run(self, force_kN: float, seconds: float) -> TakenReading | None:
        """In blocks of a tenth of a second, with a look after each."""
        for _ in range(round(seconds * 10)):
            t = self.t_s + (np.arange(10) + 1) / 100.0
            self.t_s = float(t[-1])
            counts = 1000.0 + 8000.0 * force_kN + self.offset + self.rng.normal(0.0, 9.0, 10)
            if self.stuck_at is not None:
                counts = np.full(10, self.stuck_at)
            self.session.live.feed(t, np.round(counts))
            taken = self.session.poll()
            if taken is not None:
                return taken
        return None


@pytest.fixture
def feed(tmp_path: Path) -> Iterator[LyingFeed]:
    plan = make_plan(capacity_kN=400.0, steps=4, positions_deg=(0.0,), preloads=1)
    with BenchSession.create(
        tmp_path / "lie.bench", settings=BenchSettings(capacity_kN=400.0), limits=LIMITS,
        plan=[replace(s, settle_s=min(s.settle_s, 2.0)) for s in plan], seconds=2.0,
    ) as session:  # fmt: skip
        yield LyingFeed(session)


def honest(feed: LyingFeed, steps: int) -> None:
    for _ in range(steps):
        step = feed.session.current
        assert step is not None
        feed.run(step.applied_kN, 2.0)
        feed.session.start_reading()
        assert feed.run(step.applied_kN, 8.0) is not None


def begun(feed: LyingFeed, *, settled_s: float, waited_s: float) -> None:
    """Five honest readings; then the sixth, of 300 kN, asked for and waited for so long."""
    honest(feed, 5)
    feed.run(300.0, settled_s)
    feed.session.start_reading()
    feed.run(300.0, waited_s)


def lied(feed: LyingFeed) -> tuple[Doubt, ...]:
    """Doubts against the reading that the lie would have become."""
    held = feed.session.held
    assert held is not None
    return held.doubts


def test_an_honest_feed_is_believed(feed: LyingFeed) -> None:
    honest(feed, 8)
    assert {d for r in feed.session.taken for d in r.doubts} == {Doubt.AS_PLANNED}


def test_a_feed_that_repeats_its_last_count_for_ever(feed: LyingFeed) -> None:
    honest(feed, 5)
    feed.stuck_at = 801_000.0
    feed.session.start_reading()
    with pytest.raises(DoubtedReadingError):
        feed.run(300.0, 10.0)
    assert {Doubt.STUCK, Doubt.UNMOVED} & set(lied(feed))


def test_a_feed_that_sticks_at_the_right_value_in_the_midst_of_a_reading(
    feed: LyingFeed,
) -> None:
    begun(feed, settled_s=3.0, waited_s=2.6)
    feed.stuck_at = 2_401_000.0
    with pytest.raises(DoubtedReadingError, match="on end are the same"):
        feed.run(300.0, 5.0)


def test_a_feed_that_jumps_within_a_reading(feed: LyingFeed) -> None:
    begun(feed, settled_s=3.0, waited_s=3.0)
    feed.offset = 5000.0
    with pytest.raises(DoubtedReadingError):
        feed.run(300.0, 5.0)
    assert Doubt.UNSTABLE in lied(feed)


def test_a_feed_that_jumped_between_two_readings(feed: LyingFeed) -> None:
    """A lost zero of 3 % of the capacity: every later reading says so."""
    honest(feed, 5)
    feed.offset = 0.03 * 8000.0 * 400.0
    feed.run(300.0, 2.0)
    feed.session.start_reading()
    with pytest.raises(DoubtedReadingError):
        feed.run(300.0, 8.0)
    assert Doubt.OTHER_FORCE in lied(feed)


def test_a_device_that_restarts_while_it_is_waited(feed: LyingFeed) -> None:
    begun(feed, settled_s=2.0, waited_s=1.5)
    feed.t_s = 0.0
    taken = feed.run(300.0, 9.0)
    assert taken is not None
    # The wait began anew: nobody knows how long the device was away.
    assert taken.waited_s is not None
    assert taken.waited_s >= 2.0
    assert any(kind == "restarted" for _, kind, _ in feed.session.events)


def test_a_device_that_restarts_within_a_reading(feed: LyingFeed) -> None:
    begun(feed, settled_s=2.0, waited_s=3.0)
    feed.t_s = 0.0
    with pytest.raises(BenchError, match="restarted"):
        feed.run(300.0, 5.0)
    assert feed.session.held is None


@given(
    st.lists(
        st.tuples(
            st.sampled_from(["run", "stick", "free", "jump", "restart", "pause", "rail"]),
            st.floats(0.1, 4.0),
        ),
        max_size=12,
    )
)
@settings(max_examples=20, deadline=None)
def test_whatever_a_feed_does_a_reading_that_is_taken_is_the_steps(
    tmp_path_factory: pytest.TempPathFactory, lies: list[tuple[str, float]]
) -> None:
    """Only what was not held back counts: within 2 % and 0.5 % of capacity of the truth."""
    plan = make_plan(capacity_kN=400.0, steps=4, positions_deg=(0.0,), preloads=1)[:6]
    with BenchSession.create(
        tmp_path_factory.mktemp("lies") / "s.bench",
        settings=BenchSettings(capacity_kN=400.0), limits=LIMITS,
        plan=[replace(s, settle_s=min(s.settle_s, 1.0)) for s in plan], seconds=1.0,
    ) as session:  # fmt: skip
        feed = LyingFeed(session)
        honest(feed, 5)
        force = plan[5].applied_kN
        feed.run(force, 2.0)
        session.start_reading()
        try:
            for lie, seconds in lies:
                if lie == "stick":
                    feed.stuck_at = 1000.0 + 8000.0 * force
                elif lie == "free":
                    feed.stuck_at, feed.offset = None, 0.0
                elif lie == "jump":
                    feed.offset = 8000.0 * 25.0 * seconds
                elif lie == "restart":
                    feed.t_s = 0.0
                elif lie == "pause":
                    feed.t_s += seconds
                elif lie == "rail":
                    feed.stuck_at = 2.0**23 - 1
                if feed.run(force, seconds) is not None:
                    break
        except BenchError:
            assert len(session.taken) == 5
        else:
            for reading in session.taken[5:]:
                assert abs(reading.mean - 1000.0 - 8000.0 * force) <= 8000.0 * (
                    0.02 * force + 0.005 * 400.0
                )
                assert Doubt.STUCK not in reading.doubts

"""The one feeder of the bench: counts reach the session, an end is loud, the port is closed."""

from __future__ import annotations

from collections.abc import Iterator
from dataclasses import replace
from pathlib import Path

import pytest

from calibration.bench.bench_reading import BenchError
from calibration.bench.plan import make_plan
from calibration.bench.session import BenchSession
from calibration.bench.stability import StabilityLimits
from calibration.readings.bench_settings import BenchSettings
from drivers.interface.driver_interface import DeviceDriver
from drivers.interface.errors import LinkLostError
from recorder.acquisition.bench.bench_feed import BenchFeed
from tests.recorder.acquisition.bench.press import Press, until_it_ends


@pytest.fixture
def session(tmp_path: Path) -> Iterator[BenchSession]:
    with BenchSession.create(
        tmp_path / "live.bench", settings=BenchSettings(capacity_kN=500.0),
        plan=(replace(make_plan(capacity_kN=500.0)[0], number=1),), seconds=0.5,
        limits=StabilityLimits(window_s=0.3),
    ) as made:  # fmt: skip
        yield made


def test_live_counts_are_fed_gathered_and_the_feed_ends_loudly(session: BenchSession) -> None:
    press = Press()
    feed = BenchFeed(press, session.live, channel="ch0")
    feed.wait(10.0)
    session.start_reading()
    taken = None
    while taken is None:
        feed.wait(10.0)
        taken = session.poll()
    assert taken.mean == 1000.0
    assert feed.trouble == ""
    press.lost.set()
    with pytest.raises(BenchError, match=r"feed has ended \(.*silent"):
        until_it_ends(feed)
    assert "silent" in feed.trouble
    feed.close()
    assert press.closed


def test_counts_to_draw_come_once_and_in_order(session: BenchSession) -> None:
    feed = BenchFeed(Press(blocks=5), session.live, channel="ch0")
    with pytest.raises(BenchError, match="feed has ended"):
        until_it_ends(feed)
    chunks = feed.new_counts()
    assert len(chunks) == 5
    t_s = [t for chunk in chunks for t in chunk.t_s]
    assert t_s == sorted(t_s)
    assert {c for chunk in chunks for c in chunk.counts} == {1000.0}
    assert feed.new_counts() == []
    feed.close()


def test_a_channel_the_device_has_not_is_refused(session: BenchSession) -> None:
    press = Press()
    with pytest.raises(
        BenchError, match="bench cell: there is no channel 'ch7'; it has ch0, ch1"
    ):
        BenchFeed(press, session.live, channel="ch7")
    assert press.closed
    with pytest.raises(BenchError, match="there is no channel 'tick'"):
        BenchFeed(Press(), session.live, channel="ch0", reference_channel="tick")


def test_a_lost_link_is_opened_again_and_the_session_goes_on(session: BenchSession) -> None:
    first, second = Press(blocks=3), Press()
    asked = []

    def reopen(after: DeviceDriver) -> DeviceDriver:
        asked.append(after)
        if len(asked) == 1:
            msg = "the port is not there"
            raise LinkLostError(after.device_id, msg)
        return second

    feed = BenchFeed(first, session.live, channel="ch0", reopen=reopen)
    while len(asked) < 2:
        feed.wait(10.0)
    assert feed.wait(10.0)
    assert asked == [first, first]
    assert first.closed
    assert feed.trouble == ""
    feed.close()
    assert second.closed


def test_only_the_stated_limit_ends_a_silent_feed(session: BenchSession) -> None:
    """A hand-wound clock: silence is told, waited for, and given up at the limit."""
    now_s = [0.0]

    def reopen(after: DeviceDriver) -> DeviceDriver:
        now_s[0] += 7.0
        msg = "silent for 1 s on press"
        raise LinkLostError(after.device_id, msg)

    feed = BenchFeed(
        Press(blocks=1), session.live, channel="ch0", reopen=reopen, limit_s=10.0,
        now=lambda: now_s[0],
    )  # fmt: skip
    with pytest.raises(BenchError, match=r"no counts for 10 s: .*silent.*the session is kept"):
        until_it_ends(feed)
    assert "waiting up to 10 s" in feed.pause
    feed.close()


def test_a_wait_without_counts_says_so_and_is_no_end(session: BenchSession) -> None:
    feed = BenchFeed(Press(), session.live, channel="ch0")
    assert not feed.wait(0.0)
    assert feed.trouble == ""
    feed.close()


@pytest.mark.filterwarnings("ignore::pytest.PytestUnhandledThreadExceptionWarning")
def test_a_bug_is_neither_hidden_nor_waited_for(session: BenchSession) -> None:
    press = Press()
    feed = BenchFeed(press, session.live, channel="ch0")
    press.bug = KeyError("wrong field")
    with pytest.raises(BenchError, match="KeyError: 'wrong field'"):
        until_it_ends(feed)
    feed.close()

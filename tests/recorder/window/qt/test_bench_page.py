"""The bench page on a driver that is not there: guided, durable, nothing thrown away."""

from __future__ import annotations

from collections.abc import Callable, Iterator
from dataclasses import replace
from pathlib import Path
from typing import TYPE_CHECKING, Any

import numpy as np
import pytest
from PyQt6.QtCore import QTimer

from calibration.bench.bench_reading import BenchError
from calibration.bench.plan import make_plan
from calibration.bench.session import BenchSession
from calibration.bench.stability import StabilityLimits
from calibration.readings.bench_settings import BenchSettings
from recorder.acquisition.bench.bench_feed import BenchFeed
from recorder.window.model.bench.bench_desk import BenchDesk, BenchMode, BenchState
from recorder.window.qt.bench.bench_page import BenchPage, run_bench_page
from tests.recorder.acquisition.bench.press import Press, until_it_ends

if TYPE_CHECKING:
    from PyQt6.QtWidgets import QApplication


@pytest.fixture
def bench(tmp_path: Path) -> Iterator[BenchSession]:
    plan = make_plan(capacity_kN=500.0, steps=4, positions_deg=(0.0,), preloads=1)[1:]
    session = BenchSession.create(
        tmp_path / "cell.bench",
        settings=BenchSettings(cell="coupler cell", capacity_kN=500.0, reference="frame F-2"),
        plan=[replace(s, number=s.number - 1, settle_s=0.0) for s in plan],
        limits=StabilityLimits(window_s=2.0, drift_counts=50.0, noise_counts=20.0),
        seconds=1.0,
    )
    yield session
    session.close()


@pytest.fixture
def desk(bench: BenchSession) -> BenchDesk:
    return BenchDesk(bench)


def feed(desk: BenchDesk, start_s: float, seconds: float, counts: float) -> None:
    t = start_s + np.arange(int(seconds * 1000)) / 1000.0
    noise = np.random.default_rng(1).normal(0.0, 3.0, len(t))
    desk.session.live.feed(t, counts + noise)
    desk.newest_s = float(t[-1])


def read(desk: BenchDesk, start_s: float, counts: float, words: str = "") -> None:
    feed(desk, start_s, 3.0, counts)
    for letter in words:
        desk.key(letter.upper(), letter)
    desk.key("Enter", "")
    feed(desk, start_s + 3.0, 1.5, counts)
    desk.tick()


def test_a_step_is_read_with_its_verdict(desk: BenchDesk) -> None:
    assert "preload" in desk.instruction()
    read(desk, 0.0, 1e5, "500")
    assert desk.session.done == 1
    assert "stable" in desk.message
    assert desk.caution == ""
    assert desk.lines()[0].reading is not None
    assert desk.lines()[1].current


@pytest.mark.parametrize(
    ("words", "expected"),
    [("500", 500.0), ("112404.47 lbf", 500.0), ("500kN", 500.0), ("+51 tf", 500.14)],
)
def test_a_force_may_have_its_unit(desk: BenchDesk, words: str, expected: float) -> None:
    read(desk, 0.0, 1e5, words)
    assert desk.session.taken[0].applied_kN == pytest.approx(expected, rel=1e-4)


@pytest.mark.parametrize(
    "words", ["many", "-500", "5", "500 furlong", "nan", "1e400", "500 kN 3", "112,404 lbf"]
)
def test_a_force_that_cannot_be_is_refused_and_nothing_is_read(
    desk: BenchDesk, words: str
) -> None:
    read(desk, 0.0, 1e5, words)
    assert desk.caution
    assert desk.session.taken == ()
    assert desk.session.pending is None
    assert desk.typed == words


def test_without_counts_nothing_is_read(desk: BenchDesk) -> None:
    desk.key("Enter", "")
    assert "no counts" in desk.caution


def test_an_unstable_signal_is_held_back_until_it_is_accepted(desk: BenchDesk) -> None:
    t = np.arange(4000) / 1000.0
    desk.session.live.feed(t, 1e5 + 1000.0 * t)
    desk.newest_s = 4.0
    assert desk.state()[0] is BenchState.NOT_YET
    desk.key("Enter", "")
    assert desk.state()[0] is BenchState.READING
    desk.session.live.feed(t + 4.0, 1e5 + 1000.0 * (t + 4.0))
    desk.tick()
    assert len(desk.session.taken) == 0
    assert desk.state()[0] is BenchState.HELD_BACK
    assert "not stable" in desk.caution
    assert "Ctrl+A" in desk.caution
    desk.key("Ctrl+A", "")
    desk.key("Enter", "")
    assert "reason" in desk.caution
    for letter in "the pump runs":
        desk.key(letter.upper(), letter)
    desk.key("Enter", "")
    taken = desk.session.valid_reading(1)
    assert taken is not None
    assert taken.accepted_because == "the pump runs"
    assert not taken.stable
    assert "▲ not stable" in desk.message


def test_a_converter_at_its_rail_is_never_called_stable(desk: BenchDesk) -> None:
    desk.session.live.feed(np.arange(4000) / 1000.0, np.full(4000, 2.0**23 - 1))
    state, why = desk.state()
    assert state is BenchState.RAIL
    assert state.alarming
    assert "cable" in why


def test_counts_that_never_change_are_not_called_stable(desk: BenchDesk) -> None:
    desk.session.live.feed(np.arange(4000) / 1000.0, np.full(4000, 1234.0))
    assert desk.state()[0] is BenchState.STUCK


def test_the_wait_of_the_plan_counts_down_and_is_cut_short_with_a_reason(
    tmp_path: Path,
) -> None:
    plan = make_plan(capacity_kN=500.0, steps=4, positions_deg=(0.0,), preloads=1)
    with BenchSession.create(
        tmp_path / "wait.bench", settings=BenchSettings(capacity_kN=500.0), seconds=1.0,
        plan=[replace(plan[1], number=1, settle_s=30.0)],
        limits=StabilityLimits(window_s=2.0, drift_counts=50.0, noise_counts=20.0),
    ) as session:  # fmt: skip
        desk = BenchDesk(session)
        desk.key("Ctrl+H", "")
        assert "there is no wait to cut short" in desk.caution
        feed(desk, 0.0, 3.0, 4e6)
        desk.key("Enter", "")
        feed(desk, 3.0, 12.0, 4e6)
        desk.tick()
        assert desk.state() == (BenchState.WAITING, "18 s of 30 s to go")
        assert desk.progress() == pytest.approx(0.4, abs=0.01)
        desk.key("Ctrl+H", "")
        for letter in "press leaks":
            desk.key(letter.upper(), letter)
        desk.key("Enter", "")
        feed(desk, 15.0, 1.5, 4e6)
        desk.tick()
        (taken,) = session.taken
    assert taken.waited_s == pytest.approx(12.0, abs=0.01)
    assert taken.findings[0] == "waited 12 s of 30 s"
    assert taken.accepted_because == "press leaks"


def test_a_saturated_reading_is_refused(desk: BenchDesk) -> None:
    feed(desk, 0.0, 3.0, 1e5)
    desk.key("Enter", "")
    desk.session.live.feed(3.0 + np.arange(1500) / 1000.0, np.full(1500, 2.0**23 - 1))
    desk.tick()
    assert "saturated" in desk.caution
    assert desk.session.taken == ()


def mode(desk: BenchDesk) -> BenchMode:
    """Asked anew each time: a key changes it."""
    return desk.mode


def test_a_repeat_needs_a_reason_and_keeps_the_first(desk: BenchDesk) -> None:
    read(desk, 0.0, 1e5)
    desk.key("Ctrl+R", "")
    assert mode(desk) is BenchMode.REPEAT
    desk.key("Enter", "")
    assert "reason" in desk.caution
    for letter in "press crept":
        desk.key(letter.upper(), letter)
    desk.key("Enter", "")
    assert mode(desk) is BenchMode.FORCE
    read(desk, 10.0, 1.001e5)
    assert len(desk.session.taken) == 2
    assert desk.session.taken[1].reason == "press crept"
    assert desk.session.taken[1].repeat_of == 1


def test_nothing_read_cannot_be_repeated(desk: BenchDesk) -> None:
    desk.key("Ctrl+R", "")
    assert mode(desk) is BenchMode.FORCE
    assert "has a reading" in desk.caution


def test_giving_up_a_reading_is_kept_as_an_event(desk: BenchDesk) -> None:
    feed(desk, 0.0, 3.0, 1e5)
    desk.key("Enter", "")
    assert desk.progress() == 0.0
    desk.key("Escape", "")
    assert desk.session.pending is None
    assert desk.progress() is None
    assert any(kind == "cancelled" for _, kind, _ in desk.session.events)


def test_skip_temperature_and_finish(desk: BenchDesk) -> None:
    desk.key("Ctrl+K", "")
    for letter in "no time":
        desk.key(letter.upper(), letter)
    desk.key("Enter", "")
    assert desk.session.done == 1
    desk.key("Ctrl+E", "")
    for letter in "21,5":
        desk.key(letter, letter)
    desk.key("Enter", "")
    assert desk.temperature_C == 21.5
    desk.key("Ctrl+E", "")
    for letter in "70 F":
        desk.key(letter, letter)
    desk.key("Enter", "")
    assert desk.temperature_C == pytest.approx(21.111, abs=0.001)
    desk.key("Ctrl+F", "")
    desk.key("Escape", "")
    assert not desk.finished
    desk.key("Ctrl+F", "")
    desk.key("Enter", "")
    assert desk.finished


def test_a_session_goes_on_where_it_stopped(desk: BenchDesk, bench: BenchSession) -> None:
    read(desk, 0.0, 1e5)
    path = bench.path
    bench.close()
    with BenchSession.open(path) as again:
        assert BenchDesk(again).lines()[0].reading is not None


def test_a_feed_that_ends_is_shown_and_what_came_is_drawn(bench: BenchSession) -> None:
    feed = BenchFeed(Press(blocks=3), bench.live, channel="ch0")
    with pytest.raises(BenchError, match="silent"):
        until_it_ends(feed)
    desk = BenchDesk(bench, feed)
    desk.tick()
    assert desk.trace.samples == 150
    assert "silent" in desk.trouble()
    assert "run it again" in desk.trouble()
    feed.close()


@pytest.mark.parametrize("appearance", ["day", "night"])
def test_the_page_is_drawn_while_counts_come(
    application: QApplication, bench: BenchSession, tmp_path: Path, appearance: str
) -> None:
    del application
    press = Press()
    feed = BenchFeed(press, bench.live, channel="ch0")
    picture = tmp_path / "bench.png"
    finished = run_bench_page(bench, feed=feed, png=picture, seconds=0.5, appearance=appearance)
    assert not finished
    assert feed.trouble == ""
    feed.close()
    assert press.closed
    assert picture.stat().st_size > 10_000


def test_finishing_on_the_page_asks_for_the_certificate(
    application: QApplication, bench: BenchSession
) -> None:
    def keys(*names: str) -> Callable[[], Any]:
        def press() -> None:
            page = next(w for w in application.topLevelWidgets() if isinstance(w, BenchPage))
            for name in names:
                page.key(name, "")

        return press

    QTimer.singleShot(100, keys("Ctrl+N", "Ctrl+F", "Enter"))
    assert run_bench_page(bench, seconds=20.0)

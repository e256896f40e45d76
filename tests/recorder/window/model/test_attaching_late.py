"""A window that attaches late: from where its distance counts, and what it says of that."""

from __future__ import annotations

import time
from dataclasses import replace
from typing import TYPE_CHECKING

import numpy as np
import pytest

from recorder.run.parts.states import RunState
from recorder.window.model.live import ring_worker

if TYPE_CHECKING:
    from recorder.window.model.live.live_run import LiveRun
    from tests.recorder.window.conftest import FakeSession, Kit


def texts(run: LiveRun) -> str:
    """Every alarm shown, in words."""
    return "; ".join(alarm.text for alarm in run.alarms(time.monotonic_ns()))


def caught_up(run: LiveRun) -> bool:
    """Asked anew: it changes with every look."""
    return run.caught_up


def is_stale(run: LiveRun) -> bool:
    """Asked anew."""
    return run.distance_is_stale


def test_without_a_journal_it_is_said_from_where_distance_counts(
    session: FakeSession, kit: Kit
) -> None:
    session.send_wheel(0.0, 20.0 * np.arange(500) / 100.0)
    session.rings["wheel"].waiting = session.rings["wheel"].waiting[20:]
    run = kit.make_run(session)
    kit.settle(run)
    run.close()
    assert "distance is counted from the moment this window was opened" in texts(run)


def test_it_is_caught_up_when_all_that_the_rings_held_is_taken_up(
    session: FakeSession, kit: Kit, monkeypatch: pytest.MonkeyPatch
) -> None:
    """Looks that may take one block each: three for three blocks, and one to see no more."""
    monkeypatch.setattr(ring_worker, "MOST_BLOCKS", 1)
    for i in range(3):
        session.send_wheel(0.1 * i, 2.0 * i + 20.0 * np.arange(10) / 100.0)
    run = kit.make_run(session)
    for _ in range(3):
        run.ring_worker.step()
        run.tick()
        assert not caught_up(run)
    run.ring_worker.step()
    run.tick()
    assert caught_up(run)
    run.close()


def test_what_the_rings_held_is_taken_up_before_it_is_caught_up(
    session: FakeSession, kit: Kit
) -> None:
    session.send_wheel(0.0, 20.0 * np.arange(100) / 100.0)
    run = kit.make_run(session)
    run.tick()
    assert not caught_up(run), "nobody has looked at the rings"
    run.ring_worker.step()
    assert not caught_up(run), "it waits to be taken up"
    run.tick()
    assert caught_up(run)
    run.close()


def test_once_the_run_ends_no_reading_grows_old(session: FakeSession, kit: Kit) -> None:
    """The recording is sealed 20 s after the last reading; a wheel silent before is silent."""
    kit.shift_start(session, 40.0)
    session.send_wheel(0.0, 20.0 * np.arange(2000) / 100.0)
    run = kit.make_run(session)
    run.ring_worker.step()
    run.tick()
    assert is_stale(run)
    assert run.distance_age_s == pytest.approx(20.0, abs=1.0)
    session.state = RunState.SEALING
    run.control.step()
    run.tick()
    assert not is_stale(run)
    assert run.due_s() == pytest.approx(20.0, abs=0.1)
    assert run.now_s() == pytest.approx(40.0, abs=1.0)
    session.send_pull(0.0, np.full(60_000, 50.0))  # 30 s of the cell: the wheel fell silent
    run.ring_worker.step()
    run.tick()
    assert run.distance_age_s == pytest.approx(10.0, abs=0.1)
    run.close()


def test_where_time_is_simulated_the_window_goes_by_the_data(
    session: FakeSession, kit: Kit
) -> None:
    """A computer slower than the pace it is told is no reason to call every device silent."""
    kit.shift_start(session, 40.0)
    session.header = replace(session.header, simulated_speed=1.0)
    session.send_wheel(0.0, 20.0 * np.arange(2000) / 100.0)
    run = kit.make_run(session)
    run.ring_worker.step()
    run.tick()
    assert run.due_s() == pytest.approx(20.0, abs=0.1)
    assert not is_stale(run)
    session.send_pull(0.0, np.full(60_000, 50.0))  # 30 s of the cell: the wheel fell silent
    run.ring_worker.step()
    run.tick()
    assert is_stale(run)
    assert run.distance_age_s == pytest.approx(10.0, abs=0.1)
    run.close()

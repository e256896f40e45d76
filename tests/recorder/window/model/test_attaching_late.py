"""A window that attaches late: from where its distance counts, and what it says of that."""

from __future__ import annotations

import time
from typing import TYPE_CHECKING

import numpy as np

if TYPE_CHECKING:
    from recorder.window.model.live.live_run import LiveRun
    from tests.recorder.window.conftest import FakeSession, Kit


def texts(run: LiveRun) -> str:
    """Every alarm shown, in words."""
    return "; ".join(alarm.text for alarm in run.alarms(time.monotonic_ns()))


def test_without_a_journal_it_is_said_from_where_distance_counts(
    session: FakeSession, kit: Kit
) -> None:
    session.send_wheel(0.0, 20.0 * np.arange(500) / 100.0)
    session.rings["wheel"].waiting = session.rings["wheel"].waiting[20:]
    run = kit.make_run(session)
    kit.settle(run)
    run.close()
    assert "distance counts from when this window opened" in texts(run)

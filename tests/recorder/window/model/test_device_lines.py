"""Devices in words: what is wrong with a channel is said at once."""

from __future__ import annotations

import time
from typing import TYPE_CHECKING

from recorder.window.model.live.device_lines import Level, device_lines

if TYPE_CHECKING:
    from recorder.window.model.live.live_run import LiveRun
    from tests.recorder.window.conftest import FakeSession, Kit


def test_a_channel_that_is_not_sound_is_loud(
    session: FakeSession, kit: Kit, run: LiveRun
) -> None:
    session.unsound = ("pull stuck: the very same count while the train moves",)
    kit.settle(run)
    assert any(
        "pull stuck" in alarm.text and alarm.level is Level.LOUD
        for alarm in run.alarms(time.monotonic_ns())
    )
    assert run.status is not None
    by_name = {line.name: line for line in device_lines(run.status)}
    assert by_name["drawbar"].level is Level.WARN
    assert by_name["drawbar"].fault.startswith("pull stuck")

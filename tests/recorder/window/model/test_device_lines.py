"""Devices in words: what is wrong with a channel is said at once."""

from __future__ import annotations

import time
from dataclasses import replace
from typing import TYPE_CHECKING

import pytest

from recorder.acquisition.control.status import KeepingStatus
from recorder.run.parts.states import DeviceState
from recorder.window.model.crew.mark_list import EntryState
from recorder.window.model.live.device_lines import (
    Level,
    device_lines,
    not_told,
    silence_words,
)

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
    assert by_name["drawbar"].below.startswith("pull stuck")


def test_a_disk_that_stalls_is_loud_and_its_marks_are_shown_as_kept_once_they_are(
    session: FakeSession, kit: Kit, run: LiveRun
) -> None:
    def loud() -> str:
        found = [a for a in run.alarms(time.monotonic_ns()) if a.level is Level.LOUD]
        return " | ".join(a.text for a in found)

    session.stalls = "not kept yet (database is locked)"
    session.keeping = KeepingStatus(
        waiting_s=7.2, why="database is locked", room_s=74.6, device="wheel", marks=1
    )
    entry = run.marks.press("S", session.header.started_monotonic_ns)
    assert entry is not None
    kit.settle(run, now_s=1.0)
    states = [entry.state]
    assert "nothing kept for 7 s (database is locked); room for 75 s more" in loud()
    session.stalls, session.keeping = "", KeepingStatus(waiting_s=0.05)
    session.revisions.append(entry.mark)
    kit.settle(run, now_s=3.0)
    states.append(entry.state)
    assert states == [EntryState.PENDING, EntryState.TAKEN]
    assert "not kept" not in loud()
    assert [what for what, _ in session.asked].count("mark") == 1


@pytest.mark.parametrize(
    ("state", "age_s", "fault", "words"),
    [
        (DeviceState.QUIET, 4.0, ("checksum", 61.0), "drawbar: silent for 4 s"),
        (DeviceState.QUIET, None, ("", None), "drawbar: silent, nothing came yet"),
        (
            DeviceState.LOST, 12.0, ("link lost: nothing answers", 98.0),
            "drawbar: LINK LOST for 12 s: nothing answers",
        ),
        (DeviceState.LOST, 12.0, ("checksum", 61.0), "drawbar: LINK LOST for 12 s"),
    ],
)  # fmt: skip
def test_a_fault_of_long_ago_is_not_the_cause_of_a_silence(
    session: FakeSession,
    state: DeviceState,
    age_s: float | None,
    fault: tuple[str, float | None],
    words: str,
) -> None:
    device = replace(
        session.status().devices["drawbar"],
        state=state,
        age_s=age_s,
        last_fault=fault[0],
        last_fault_t_s=fault[1],
    )
    assert silence_words(device, 100.0) == words


@pytest.mark.parametrize(
    ("state", "gaps", "words"),
    [
        (DeviceState.RUNNING, 0, "no gap"),
        (DeviceState.QUIET, 0, "gap still open"),
        (DeviceState.LOST, 1, "1 gap, and one still open"),
        (DeviceState.RUNNING, 2, "2 gaps"),
    ],
)
def test_a_silent_device_has_a_gap_that_is_open(
    session: FakeSession, state: DeviceState, gaps: int, words: str
) -> None:
    status = session.status()
    device = replace(
        status.devices["drawbar"],
        state=state,
        gaps=gaps,
        lost_records=0,
        last_fault="",
        age_s=3.0,
    )
    (line,) = device_lines(replace(status, devices={"drawbar": device}))
    assert line.below == words


def test_a_channel_that_is_still_not_sound_is_told_once(session: FakeSession) -> None:
    session.unsound = ("pull stuck: the very same count",)
    past, other = (
        "pull stuck since 32 s: the very same count",
        "pull railed since 3 s: at its end",
    )
    status = replace(session.status(), warnings=(past, other))
    assert not_told(status) == [other]
    session.unsound = ()
    assert not_told(replace(session.status(), warnings=(past, other))) == [past, other]


def test_the_fault_that_is_in_the_alarm_is_not_told_again_below(session: FakeSession) -> None:
    status = session.status()
    device = replace(
        status.devices["drawbar"],
        state=DeviceState.LOST,
        age_s=12.0,
        last_fault="link lost: nothing answers",
        last_fault_t_s=98.0,
        gaps=0,
    )
    (line,) = device_lines(replace(status, t_s=100.0, devices={"drawbar": device}))
    assert line.below == "gap still open"
    (line,) = device_lines(replace(status, t_s=150.0, devices={"drawbar": device}))
    assert "last fault" in line.below

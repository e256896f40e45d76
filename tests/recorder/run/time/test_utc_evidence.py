"""Evidence of UTC from a run: sheets, events and sentences, whatever state they are in."""

from __future__ import annotations

import math
from dataclasses import replace
from datetime import UTC, datetime
from typing import Any

import numpy as np
import pytest
from hypothesis import given
from hypothesis import strategies as st

from recorder.run.parts.event import Event, EventKind
from recorder.run.time.utc_evidence import (
    ClockSentences,
    evidence_of,
    resolution_of,
    timings_of,
)
from tests.recorder.made_runs import STARTED_UTC_NS, header

CAR = """
[car]
name = "test car"
time_zone = "Etc/GMT-1"
[devices.clock]
driver = "nmea-0183"
port = "/dev/clock"
[devices.clock.timing]
delay_s = 0.2
u_delay_s = 0.01
[devices.wheel]
driver = "wheel-pulses"
port = "/dev/wheel"
[devices.wheel.timing]
pulses_checked = true
"""
TRIP = '[trip]\nname = "a day out"\ndate = 2026-12-03\n'
SENT = ClockSentences(receiver="clock", counter="wheel")


def anchor(t: int, **more: object) -> Event:
    data: dict[str, Any] = {
        "monotonic_ns": t * 10**9,
        "utc_ns": STARTED_UTC_NS + t * 10**9,
        **more,
    }
    return Event(kind=EventKind.CLOCK_ANCHOR, t_s=float(t), data=data)


def test_sheets_state_delay_pulses_and_day() -> None:
    head = header(car_sheet=CAR, trip_sheet=TRIP)
    held = evidence_of(head, [], SENT)
    assert (held.delay_s, held.u_delay_s, held.pulses_checked) == (0.2, 0.01, True)
    assert held.trip_ns is not None
    first, last = (datetime.fromtimestamp(ns / 1e9, UTC) for ns in held.trip_ns)
    # The day in the car's own zone, an hour east, with two hours to either side.
    assert first == datetime(2026, 12, 2, 21, tzinfo=UTC)
    assert last == datetime(2026, 12, 4, 1, tzinfo=UTC)


def test_the_computers_account_of_its_error_counts_when_most_readings_have_it() -> None:
    head = header(started_monotonic_ns=0)
    kept = [anchor(t, error_s=0.01 + 0.001 * t) for t in range(5)]
    held = evidence_of(head, kept, SENT)
    assert held.computer_error_s == pytest.approx(0.014)
    assert held.computer_t_s.tolist() == [0.0, 1.0, 2.0, 3.0, 4.0]
    unkept = evidence_of(head, [anchor(t) for t in range(5)] + kept[:1], SENT)
    assert math.isnan(unkept.computer_error_s)


@pytest.mark.parametrize(
    ("step_s", "account_s", "kept"),
    [(2.0, 0.03, False), (-0.5, 0.03, False), (3600.0, 0.03, False), (2.0, 3.0, True)],
)
def test_an_account_of_error_that_a_step_contradicts_is_none(
    step_s: float, account_s: float, kept: bool
) -> None:
    """It was put right by more than it had said it could be wrong."""
    rows = [anchor(t, error_s=account_s) for t in range(10)]
    rows[6:] = [
        replace(row, data={**row.data, "utc_ns": row.data["utc_ns"] + round(step_s * 1e9)})
        for row in rows[6:]
    ]
    held = evidence_of(header(started_monotonic_ns=0), rows, SENT)
    assert math.isfinite(held.computer_error_s) is kept


def test_a_clock_that_was_put_right_before_it_was_kept_is_kept() -> None:
    first = [anchor(t) for t in range(3)]
    after = [anchor(t, error_s=0.02) for t in range(3, 10)]
    late = [
        replace(row, data={**row.data, "utc_ns": row.data["utc_ns"] + 40 * 10**9})
        for row in after
    ]
    held = evidence_of(header(started_monotonic_ns=0), first + late, SENT)
    assert held.computer_error_s == 0.02


def test_a_sleep_is_no_step() -> None:
    rows = [anchor(t, error_s=0.02) for t in range(10)]
    rows[6:] = [
        replace(row, data={**row.data, "utc_ns": row.data["utc_ns"] + 300 * 10**9})
        for row in rows[6:]
    ]
    slept = Event(kind=EventKind.SUSPENDED, t_s=5.5, data={"slept_s": 300.0})
    held = evidence_of(header(started_monotonic_ns=0), [*rows, slept], SENT)
    assert held.computer_error_s == 0.02


def test_sleeps_the_versions_day_and_the_clocks_step() -> None:
    events = [
        Event(
            kind=EventKind.HOST_CLOCK,
            t_s=0.0,
            data={"resolution_s": 0.0156, "built_on": "2026-11-01"},
        ),
        Event(kind=EventKind.SUSPENDED, t_s=50.0, data={"slept_s": 12.5}),
    ]
    held = evidence_of(header(), events, SENT)
    assert held.sleeps == ((50.0, 12.5),)
    assert held.built_ns == int(datetime(2026, 11, 1, tzinfo=UTC).timestamp()) * 10**9
    assert resolution_of(events) == 0.0156
    assert held.awake_s(np.array([40.0, 60.0])).tolist() == [40.0, 72.5]


def test_an_imported_run_has_no_computer_for_a_witness() -> None:
    assert len(evidence_of(header(origin="imported"), [], SENT).computer_t_s) == 0


ODD = st.none() | st.booleans() | st.integers() | st.floats() | st.text() | st.lists(st.none())


@given(
    st.lists(
        st.tuples(
            st.sampled_from(list(EventKind)),
            st.dictionaries(
                st.sampled_from(
                    ["monotonic_ns", "utc_ns", "error_s", "slept_s", "built_on", "resolution_s"]
                ),
                ODD,
            ),
        )
    ),
    st.sampled_from(["", CAR, "[car", "[devices]\nclock = 3\n"]),
    st.sampled_from(
        ["", TRIP, "[trip]\nname = 3\n", '[trip]\nname = "x"\ndate = 0001-01-01\n']
    ),
)
def test_whatever_a_file_holds_evidence_comes_of_it(
    events: list[tuple[EventKind, dict[str, Any]]], car: str, trip: str
) -> None:
    head = header(car_sheet=car, trip_sheet=trip)
    held = evidence_of(head, [Event(kind=k, t_s=1.0, data=d) for k, d in events], SENT)
    assert np.isfinite(held.computer_t_s).all()
    assert resolution_of([Event(kind=k, t_s=1.0, data=d) for k, d in events]) >= 0.0
    timings_of(head)

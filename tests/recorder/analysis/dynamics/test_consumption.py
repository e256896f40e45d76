"""Gaps are no rest and railed readings no work: fuel per kilowatt-hour, highest power, work."""

from __future__ import annotations

from dataclasses import replace

import numpy as np
import pytest
from hypothesis import given
from hypothesis import strategies as st

from calibration.quantities import flags as flag_bits
from recorder.analysis.dynamics.consumption import consumption
from recorder.analysis.dynamics.energy import drawbar_work
from recorder.analysis.dynamics.peaks import highest_mean
from recorder.analysis.dynamics.stops_and_starts import StopTest, find_starts, find_stops
from recorder.analysis.stretches.handling import brake_on
from recorder.analysis.uncertainty.run_basis import RunBasis
from recorder.marks.kinds import Kind
from tests.recorder.analysis.drawn_runs import drawn, drawn_run, mark

FUEL = (mark("fuel", 0.0, "level 1000 kg ± 1"), mark("fuel", 3599.0, "level 940 kg ± 1"))
N = 3600


def hour(
    lost: slice | None = None, railed: slice | None = None, pull_kN: float = 60.0
) -> RunBasis:
    """An hour at 10 m/s: 600 kW, 600 kWh, 0.1 kg/kWh."""
    pull = np.full(N, pull_kN)
    flags = np.zeros(N, np.uint8)
    if lost is not None:
        pull[lost] = np.nan
    if railed is not None:
        pull[railed], flags[railed] = 2000.0, flag_bits.SATURATED
    series = drawn(np.full(N, 10.0), pull, step_s=1.0, flags=flags)
    return drawn_run(series, *FUEL)


def test_fuel_over_work_is_right_over_a_gap_and_surely_less_sure() -> None:
    whole, holed = (consumption(hour(lost=cut), Kind.FUEL) for cut in (None, slice(900, 1400)))
    assert whole is not None
    assert holed is not None
    assert whole.per_kWh is not None
    assert holed.per_kWh is not None
    assert holed.per_kWh.value == pytest.approx(0.1, rel=0.01)
    assert holed.per_kWh.u > 2.0 * whole.per_kWh.u
    assert any("13.9 % of the time" in words for words in holed.assumed)


def test_nothing_is_stated_over_work_that_was_mostly_not_seen() -> None:
    found = consumption(hour(lost=slice(500, 2500)), Kind.FUEL)
    assert found is not None
    assert found.per_kWh is None
    assert any("no consumption per kilowatt-hour" in words for words in found.assumed)


def test_a_railed_converter_makes_no_power() -> None:
    run = hour(railed=slice(1000, 1070))
    peak = highest_mean(run, 60.0, "kW")
    assert peak is not None
    assert peak.value.value == pytest.approx(600.0, rel=0.01)
    found = consumption(run, Kind.FUEL)
    assert found is not None
    assert found.work.value == pytest.approx(600.0, rel=0.01)


@given(st.integers(0, N - 2), st.integers(1, 800))
def test_a_gap_never_adds_work_to_what_was_measured(start: int, length: int) -> None:
    whole, holed = (
        drawbar_work(hour(lost=cut))[0] for cut in (None, slice(start, start + length))
    )
    assert holed.value <= whole.value + 1e-6


def braked_run(late_s: float) -> RunBasis:
    """Braked at 0.8 m/s² from 20 m/s at 100 s, keyed late."""
    t = np.arange(3000) * 0.1
    speed = np.clip(20.0 - 0.8 * np.clip(t - 100.0, 0.0, None), 0.0, None)
    return drawn_run(drawn(speed, np.zeros(3000)), mark("brake", 100.0 + late_s, "on"))


def stops_of(run: RunBasis) -> list[StopTest]:
    stops, lost = find_stops(run, brake_on(run.series, run.marks))
    assert not lost
    return stops


@pytest.mark.parametrize("late_s", [0.2, 0.6, 1.0])
def test_a_stop_begins_when_the_brake_went_on(late_s: float) -> None:
    (stop,) = stops_of(braked_run(late_s))
    assert abs(stop.distance.value - 250.0) <= stop.distance.expanded
    assert abs(stop.duration.value - 25.0) <= stop.duration.expanded
    assert abs(stop.speed.value - 20.0) <= stop.speed.expanded
    fitted = replace(braked_run(late_s), reaction=(late_s, 0.05))
    (known,) = stops_of(fitted)
    assert known.distance.value == pytest.approx(250.0, abs=3.0)
    assert known.distance.u < stop.distance.u


def started(pull_before_kN: float) -> RunBasis:
    """At rest for 60 s, the pull rising for 10 s, first movement at 70 s."""
    t = (np.arange(1200) + 0.5) * 0.1
    pull = np.interp(t, [0.0, 60.0, 70.0, 80.0], [0.0, 0.0, pull_before_kN, 200.0])
    speed = np.clip((t - 70.0) * 0.1, 0.0, 5.0)
    return drawn_run(drawn(speed, pull))


def test_breakaway_is_read_at_the_first_movement_or_not_at_all() -> None:
    (start,) = find_starts(started(150.0))
    assert start.breakaway_pull is not None
    assert abs(start.breakaway_pull.value - 150.0) <= start.breakaway_pull.expanded
    (slack,) = find_starts(started(10.0))
    assert slack.breakaway_pull is None
    assert "slack ran out" in slack.why

"""When a run was made: its day, and the times of day as far as they are known."""

from __future__ import annotations

from datetime import datetime, timedelta
from typing import TYPE_CHECKING
from zoneinfo import ZoneInfo

if TYPE_CHECKING:
    from recorder.analysis.campaign.loaded_run import LoadedRun
    from recorder.exchange.time_told import ClockOfRun

__all__ = ["day_of", "when_words"]


def day_of(run: LoadedRun) -> str:
    """As the trip sheet states it, else that on which the run began where it was made."""
    if run.trip is not None and run.trip.date is not None:
        return run.trip.date.isoformat()
    return _began(run).date().isoformat()


def when_words(run: LoadedRun) -> str:
    """``2026-05-04, 13:00 to 14:55 UTC, known to 0.4 s (95 %) by the receiver``; the hours by the
    time of the car sheet's zone."""
    clock, began = _clock(run), _began(run)
    if not clock.known or clock.u_s is None:
        stated = run.trip is not None and run.trip.date is not None
        by = "" if stated else f" by the {clock.source_words}"
        return f"{day_of(run)}{by}; UTC is not known"
    ended = began + timedelta(seconds=run.duration_s)
    worth = f"to {max(2 * clock.u_s, 0.001):.2g} s (95 %) by {clock.source_words}"
    invented = "; the time is simulated" if clock.simulated_speed is not None else ""
    hours = f"{began:%H:%M} to {ended:%H:%M} {began.tzname()}"
    return f"{day_of(run)}, {hours}, known {worth}{invented}"


def _clock(run: LoadedRun) -> ClockOfRun:
    return run.provenance.description.clock


def _began(run: LoadedRun) -> datetime:
    """By the clock of the place."""
    car = run.provenance.car
    zone = ZoneInfo("UTC" if car is None else car.time_zone)
    return datetime.fromisoformat(_clock(run).began_utc).astimezone(zone)

"""What a run holds of its witnesses of UTC: from header, sheets and events to evidence."""

from __future__ import annotations

import math
from dataclasses import dataclass, field, replace
from datetime import UTC, date, datetime, time, timedelta
from typing import TYPE_CHECKING, Any, Final, TypeGuard
from zoneinfo import ZoneInfo

import numpy as np

from calibration.utc.computer_line import STEP_S
from calibration.utc.spans import NS
from calibration.utc.utc_witnesses import UtcEvidence
from recorder.run.parts.event import EventKind
from recorder.sheets import SheetError, TimingSheet, parse_car_sheet, parse_trip_sheet

if TYPE_CHECKING:
    from collections.abc import Iterable, Mapping

    from numpy.typing import NDArray

    from recorder.run.parts.event import Event
    from recorder.run.parts.header import RunHeader

__all__ = ["ClockSentences", "evidence_of", "resolution_of", "timings_of"]

NO_UTC: Final = -(2**63)
"""``utc_ns`` of a sentence that gives no valid time."""
TRIP_MARGIN_H: Final = 2.0
"""A run may begin so long before the day of its sheet, or after it: a night train."""
HALF: Final = 0.5
CENTURY_S: Final = 3.2e9


def _none() -> NDArray[np.float64]:
    return np.empty(0)


@dataclass(frozen=True, slots=True, kw_only=True)
class ClockSentences:
    """What the receivers of a run sent, and the pulses that its devices counted."""

    t_s: NDArray[np.float64] = field(default_factory=_none)
    """(n,) run time of receipt, never falling."""
    utc_ns: NDArray[np.int64] = field(default_factory=lambda: np.empty(0, np.int64))
    kind: NDArray[np.bytes_] = field(default_factory=lambda: np.empty(0, "S3"))
    receiver: str = ""
    """Name of the device; of the first where there are several."""
    pulse_t_s: NDArray[np.float64] = field(default_factory=_none)
    """(p,) run times of pulses per second."""
    pulse_u_s: float = 0.0
    """Standard uncertainty of those, of the counter's tie to run time."""
    counter: str = ""
    """Name of the device that counted them."""


def evidence_of(
    header: RunHeader, events: Iterable[Event], sent: ClockSentences
) -> UtcEvidence:
    """Everything that witnesses left behind in a run; what does not read says nothing."""
    held = list(events)
    timings = timings_of(header)
    stated = timings.get(sent.receiver, TimingSheet())
    counted = timings.get(sent.counter, TimingSheet())
    good = sent.utc_ns != NO_UTC
    computer_t_s, computer_utc_ns, errors_s = _computer(header, held)
    evidence = UtcEvidence(
        sentence_t_s=sent.t_s[good],
        sentence_utc_ns=sent.utc_ns[good],
        sentence_kind=sent.kind[good],
        pulse_t_s=sent.pulse_t_s,
        pulse_u_s=sent.pulse_u_s,
        pulses_checked=counted.pulses_checked,
        computer_t_s=computer_t_s,
        computer_utc_ns=computer_utc_ns,
        delay_s=stated.delay_s,
        u_delay_s=stated.u_delay_s,
        trip_ns=_trip_day(header),
        built_ns=_built_ns(held),
        sleeps=_sleeps(held),
        simulated=header.simulated_speed is not None,
    )
    return replace(evidence, computer_error_s=_greatest_error_s(evidence, errors_s))


def timings_of(header: RunHeader) -> dict[str, TimingSheet]:
    """What the run's car sheet states of the timing of its devices; nothing, if it does not read
    any more."""
    try:
        sheet = parse_car_sheet(header.car_sheet)
    except SheetError:
        return {}
    return {name: device.timing for name, device in sheet.devices.items()}


def resolution_of(events: Iterable[Event]) -> float:
    """Step of the clock that receipts were read from, s; 0 where the run does not say."""
    return max(_number(_host_clock(events).get("resolution_s"), 0.0), 0.0)


def _computer(
    header: RunHeader, events: list[Event]
) -> tuple[NDArray[np.float64], NDArray[np.int64], NDArray[np.float64]]:
    """The computer's clock as read every second, and its error by its own account (NaN: none).

    Of a run whose times came with a table nobody read a clock.
    """
    rows = []
    for event in events:
        if event.kind != EventKind.CLOCK_ANCHOR:
            continue
        instant, utc = event.data.get("monotonic_ns"), event.data.get("utc_ns")
        if _is_instant(instant) and _is_instant(utc):
            error_s = _number(event.data.get("error_s"), math.nan)
            rows.append((header.clock.run_s(instant), utc, error_s))
    if not rows and header.origin != "imported" and _is_instant(header.started_utc_ns):
        rows = [(0.0, header.started_utc_ns, math.nan)]
    rows.sort()
    t_s, utc_ns, errors_s = zip(*rows, strict=True) if rows else ((), (), ())
    return (
        np.array(t_s, np.float64),
        np.array(utc_ns, np.int64),
        np.array(errors_s, np.float64),
    )


def _greatest_error_s(evidence: UtcEvidence, errors_s: NDArray[np.float64]) -> float:
    """Of the computer's clock by its own account, where most readings have one; NaN where they
    have not, or where the clock was put right by more than it had said it could be wrong.
    """
    known = np.isfinite(errors_s)
    if not known.sum() > HALF * len(errors_s):
        return math.nan
    begin = int(evidence.computer_utc_ns[0])
    told_s = (evidence.computer_utc_ns - begin) / 1e9
    step_s = np.abs(np.diff(told_s - evidence.awake_s(evidence.computer_t_s)))
    if np.any(step_s[known[:-1]] > np.maximum(errors_s[:-1][known[:-1]], STEP_S)):
        return math.nan
    return float(errors_s[known].max())


def _is_instant(value: object) -> TypeGuard[int]:
    """Nanoseconds that a clock may show, within a century of its beginning."""
    if isinstance(value, bool) or not isinstance(value, int):
        return False
    return abs(value) < CENTURY_S * NS


def _host_clock(events: Iterable[Event]) -> Mapping[str, Any]:
    for event in events:
        if event.kind == EventKind.HOST_CLOCK:
            return event.data
    return {}


def _built_ns(events: list[Event]) -> int:
    """Midnight before which the recording version was not made; 0 where the run does not say."""
    try:
        day = date.fromisoformat(str(_host_clock(events).get("built_on", "")))
    except ValueError:
        return 0
    return int(datetime.combine(day, time(), UTC).timestamp()) * NS


def _sleeps(events: list[Event]) -> tuple[tuple[float, float], ...]:
    rows = [
        (event.t_s, _number(event.data.get("slept_s"), 0.0))
        for event in events
        if event.kind == EventKind.SUSPENDED
    ]
    return tuple(sorted((t, slept) for t, slept in rows if slept > 0.0))


def _trip_day(header: RunHeader) -> tuple[int, int] | None:
    """UTC between which a run of the trip sheet's day begins, by the car's time zone."""
    try:
        day = parse_trip_sheet(header.trip_sheet).date
        zone = ZoneInfo(parse_car_sheet(header.car_sheet).time_zone)
    except (SheetError, ValueError, OSError):
        return None
    if day is None:
        return None
    try:
        begins = datetime.combine(day, time(), zone).timestamp()
        ends = datetime.combine(day + timedelta(days=1), time(), zone).timestamp()
    except (OverflowError, ValueError):
        return None
    margin = TRIP_MARGIN_H * 3600.0
    return int(begins - margin) * NS, int(ends + margin) * NS


def _number(value: object, otherwise: float) -> float:
    if isinstance(value, bool) or not isinstance(value, int | float):
        return otherwise
    # A file may be damaged: a number beyond a century is none, whatever it was to mean.
    return float(value) if -CENTURY_S < value < CENTURY_S else otherwise

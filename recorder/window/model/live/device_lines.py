"""Status lines in words: devices, disk, and what must be said loudly. No Qt here."""

from __future__ import annotations

import math
from dataclasses import dataclass
from enum import Enum
from typing import TYPE_CHECKING, Final

from calibration.quantities.written import written
from recorder.acquisition.control.status import UNHEARD
from recorder.run.parts.gap import Cause
from recorder.run.parts.states import DeviceState

if TYPE_CHECKING:
    from recorder.acquisition.control.status import DeviceStatus, SessionStatus

__all__ = [
    "DeviceLine",
    "Level",
    "device_lines",
    "disk_line",
    "not_told",
    "run_time_text",
    "silence_words",
    "utc_line",
]

SURE_S: Final = 0.05
"""Closer than anybody writes a time down by hand."""


class Level(Enum):
    """How loudly something is shown."""

    GOOD = "good"
    WARN = "warn"
    LOUD = "loud"


_STATES: Final = {
    DeviceState.RUNNING: "running",
    DeviceState.QUIET: "quiet",
    DeviceState.LOST: "link lost, reopening",
}
DISK_WARN_HOURS: Final = 1.0


@dataclass(frozen=True, slots=True)
class DeviceLine:
    """One device in words, and how loudly."""

    name: str
    level: Level
    state: str
    rate: str
    below: str
    """What is wrong now, then its gaps and what was wrong last."""


def device_lines(status: SessionStatus | None) -> list[DeviceLine]:
    """One line a device, in the order of the car sheet."""
    return [] if status is None else [_line(d, status.t_s) for d in status.devices.values()]


def _line(device: DeviceStatus, t_s: float) -> DeviceLine:
    state = _STATES[device.state]
    if device.age_s is None:
        state = "no data yet" if device.state is DeviceState.RUNNING else state
    elif device.state is not DeviceState.RUNNING:
        state += f", silent {_seconds(device.age_s)}"
    rate = f"{_rate(device.rate_hz)}/s"
    if device.expected_hz:
        rate += f" of {_rate(device.expected_hz)}"
    below = [*device.unsound, _gaps(device)]
    # The cause of a silence stands in the alarm, whole.
    if device.last_fault and not _cause(device, t_s):
        at = "" if device.last_fault_t_s is None else f" {run_time_text(device.last_fault_t_s)}"
        below.append(f"last fault{at} {device.last_fault}")
    return DeviceLine(device.name, _level(device), state, rate, "; ".join(below))


def _gaps(device: DeviceStatus) -> str:
    """The gap of a silence is written when it is over: until then it is open, and not none."""
    silent = device.state is not DeviceState.RUNNING and device.age_s is not None
    if device.gaps == 0:
        return "gap still open" if silent else "no gap"
    gaps = f"{device.gaps} gap{'s' * (device.gaps > 1)}"
    if device.lost_records:
        gaps += f", {written(device.lost_records, 0)} lost"
    return f"{gaps}, and one still open" if silent else gaps


def silence_words(device: DeviceStatus, t_s: float) -> str:
    """An alarm in words for a device that is not running, at this run time.

    A fault is its cause only if it came after the device was last heard.
    """
    what = "LINK LOST" if device.state is DeviceState.LOST else "silent"
    words = f"{device.name}: {what}"
    if device.age_s is None:
        return f"{words}, nothing came yet"
    words += f" for {_seconds(device.age_s)}"
    cause = _cause(device, t_s)
    return f"{words}: {cause.removeprefix(f'{Cause.LINK_LOST}: ')}" if cause else words


def not_told(status: SessionStatus) -> list[str]:
    """Warnings but those of a channel that is still not sound: of it is told as it is now."""
    unsound = [u.partition(": ") for d in status.devices.values() for u in d.unsound]
    return [
        w
        for w in status.warnings
        if not any(
            w.startswith(f"{what} since ") and w.endswith(why) for what, _, why in unsound
        )
    ]


def _cause(device: DeviceStatus, t_s: float) -> str:
    """The fault that came after a device fell silent; empty without one."""
    fault_t_s = device.last_fault_t_s
    if device.state is DeviceState.RUNNING or device.age_s is None or fault_t_s is None:
        return ""
    return device.last_fault if fault_t_s >= t_s - device.age_s else ""


def _level(device: DeviceStatus) -> Level:
    if device.state is DeviceState.LOST:
        return Level.LOUD
    if device.unsound:
        return Level.WARN
    slow = bool(device.expected_hz) and device.rate_hz < 0.9 * (device.expected_hz or 0.0)
    return (
        Level.WARN
        if device.state is not DeviceState.RUNNING or slow or device.age_s is None
        else Level.GOOD
    )


def _rate(hz: float) -> str:
    return written(hz, 0 if hz >= 10 else 1)


def _seconds(age_s: float) -> str:
    return f"{age_s:.0f} s" if age_s < 120 else f"{age_s / 60:.0f} min"


def disk_line(status: SessionStatus | None) -> tuple[Level, str]:
    """Level and words: hours left on the disk."""
    if status is None:
        return Level.GOOD, ""
    hours = status.disk_hours_left
    free = f"{written(status.disk_free_bytes / 1e9, 1)} GB"
    if hours is None:
        return Level.GOOD, f"disk {free} free"
    level = (
        Level.LOUD
        if hours < DISK_WARN_HOURS / 4
        else Level.WARN
        if hours < DISK_WARN_HOURS
        else Level.GOOD
    )
    left = f"{hours:.0f} h" if hours >= 10 else f"{hours:.1f} h" if hours >= 1 else _min(hours)
    return level, f"disk {left if hours < 1000 else 'over 999 h'} left"


def utc_line(status: SessionStatus | None) -> tuple[str, Level]:
    """What stands beside UTC: how sure it is, or that it is not known."""
    if status is None:
        return "", Level.GOOD
    clock = status.clock
    if not clock.known or clock.u_s is None:
        heard = clock.words != UNHEARD
        return ("NOT KNOWN", Level.LOUD) if heard else ("", Level.GOOD)
    if clock.u_s < SURE_S:
        return "", Level.GOOD
    size = f"±{2.0 * clock.u_s:.0f} s" if clock.u_s >= 1.0 else f"±{2.0 * clock.u_s:.1f} s"
    return size, Level.WARN if clock.contradicted else Level.GOOD


def _min(hours: float) -> str:
    return f"{hours * 60:.0f} min"


def run_time_text(t_s: float) -> str:
    """``1:02:03`` of run time; ``−0:00:06`` while a zero is taken before the run."""
    whole = math.floor(abs(t_s))
    sign = "\N{MINUS SIGN}" if t_s < 0.0 and whole else ""
    return f"{sign}{whole // 3600}:{whole // 60 % 60:02d}:{whole % 60:02d}"

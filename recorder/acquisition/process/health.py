"""Once a second: clocks, rates, disk, memory; what the crew must know, and what is kept."""

from __future__ import annotations

import math
from collections.abc import Callable, Mapping
from dataclasses import dataclass
from pathlib import Path
from typing import TYPE_CHECKING, Any, Final

from recorder.acquisition.control.status import DeviceStatus
from recorder.acquisition.field.guarded import Guarded
from recorder.machine.clocks import HostTimepiece
from recorder.machine.host import free_bytes, rss_bytes
from recorder.run.parts.event import Event, EventKind
from recorder.run.parts.states import DeviceState

if TYPE_CHECKING:
    from recorder.acquisition.devices.device_thread import DeviceThread
    from recorder.acquisition.preparation.planned import Plan
    from recorder.machine.clocks import Timepiece

__all__ = ["HealthMonitor"]

STEP_NS: Final = 100_000_000
"""A wall clock that moved so far against the monotonic one was stepped."""
SETTLED_S: Final = 3.0
"""Rates are the sheet's until so long has been measured."""
MiB: Final = 2**20


@dataclass(slots=True)
class _Rate:
    t_s: float | None = None
    records: int = 0
    rate_hz: float = 0.0

    def update(self, t_s: float, records: int) -> None:
        if self.t_s is None:
            self.t_s, self.records = t_s, records
            return
        if t_s - self.t_s < 0.5:
            return
        now_hz = (records - self.records) / (t_s - self.t_s)
        # A device sends in bursts: half new, half what was.
        self.rate_hz = now_hz if not self.rate_hz else 0.5 * (self.rate_hz + now_hz)
        self.t_s, self.records = t_s, records


class HealthMonitor:
    """Keeps an eye on the recording, from its main thread; :meth:`devices` from any."""

    def __init__(
        self,
        plan: Plan,
        threads: list[DeviceThread],
        *,
        run_path: Path,
        keep: Callable[[Event], None],
        warn: Callable[[str], None],
        unsound: Callable[[str], tuple[str, ...]] = lambda _device: (),
        timepiece: Timepiece | None = None,
        free: Callable[[Path], int] = free_bytes,
        rss: Callable[[], int] = rss_bytes,
    ) -> None:
        self.free_bytes = 0
        self.hours_left: float | None = None
        self.rss_bytes = 0
        self.keep_s = 0.0
        self.disk_ends = False
        """The disk is nearly full: stop now."""
        self._plan = plan
        self._threads = threads
        self._folder = run_path.absolute().parent
        self._run_path = run_path
        self._keep = keep
        self._warn = warn
        self._unsound = unsound
        self._timepiece = timepiece or HostTimepiece()
        self._free = free
        self._rss = rss
        self._now_s = 0.0
        self._guarded = Guarded(keep, warn, lambda: self._now_s)
        self._rates = {thread.name: _Rate() for thread in threads}
        self._wall: int | None = None
        self._asleep: int | None = None
        self._warned_disk = False
        self._warned_blind = False

    def second(self, t_s: float, *, keep_s: float, more: Mapping[str, Any]) -> None:
        """One second's work; ``keep_s`` is its longest commit, ``more`` is kept with it.

        Each part by itself: one that fails is told, and the others go on.
        """
        self._now_s = t_s
        self.keep_s = keep_s
        ask = self._guarded
        ask.do("the rates of the devices", lambda: self.look_at_rates(t_s))
        self.rss_bytes = ask.get("the memory of the recording", self._rss, 0)
        ask.do("the computer's clocks", lambda: self._clocks(t_s))
        ask.do("the free disk", lambda: self.look_at_disk(t_s))
        nothing: dict[str, Any] = {}
        health = ask.get("the health of the devices", self._health, nothing)
        self._keep(Event(kind=EventKind.HEALTH, t_s=t_s, data={**health, **more}))

    def look_at_rates(self, t_s: float) -> None:
        """How fast records come, also before the run."""
        for thread in self._threads:
            self._rates[thread.name].update(t_s, thread.stream.seen)

    def rate_hz(self, name: str) -> float:
        """How fast records of a device come; as its sheet gives, before that is measured."""
        rate = self._rates[name]
        return self._expected(name) if rate.t_s is None else rate.rate_hz

    def devices(self, t_s: float) -> dict[str, DeviceStatus]:
        """State of every device."""
        states = {}
        for thread in self._threads:
            received = thread.last_received_s
            age = None if received is None else max(t_s - received, 0.0)
            state = thread.state
            stream = thread.stream
            quiet = age is None or age > stream.quiet_after_s
            if state is DeviceState.RUNNING and quiet:
                state = DeviceState.QUIET
            states[thread.name] = DeviceStatus(
                name=thread.name,
                state=state,
                records=stream.total,
                rate_hz=self._rates[thread.name].rate_hz,
                expected_hz=self._expected(thread.name),
                age_s=age,
                gaps=stream.gaps,
                lost_records=stream.lost_records,
                last_fault=stream.last_fault,
                last_fault_t_s=stream.last_fault_t_s,
                ring=thread.ring.stats(),
                unsound=self._unsound(thread.name),
            )
        return states

    def _expected(self, name: str) -> float:
        return next(d.expected_hz for d in self._plan.devices if d.sheet.name == name)

    def _health(self) -> dict[str, Any]:
        devices = {}
        for thread in self._threads:
            ring = thread.ring.stats()
            devices[thread.name] = {
                "records": thread.stream.total,
                "hz": round(self._rates[thread.name].rate_hz, 1),
                "gaps": thread.stream.gaps,
                "lost": thread.stream.lost_records,
                "bytes_dropped": thread.stream.bytes_dropped,
                "ring_peak": round(ring.peak_used / ring.capacity, 4),
                "dropped": ring.dropped_records,
                "state": thread.state,
            }
        # What cannot be had is left out: a figure of 0 would be one.
        memory = {"rss_MiB": round(self.rss_bytes / MiB, 1)} if self.rss_bytes else {}
        return {
            "devices": devices,
            **memory,
            "free_MiB": self.free_bytes // MiB,
            "keep_ms": round(self.keep_s * 1e3, 1),
        }

    def _clocks(self, t_s: float) -> None:
        clocks = self._timepiece.read()
        data: dict[str, Any] = {"monotonic_ns": clocks.monotonic_ns, "utc_ns": clocks.utc_ns}
        error_s = self._timepiece.error_s()
        if math.isfinite(error_s):
            data["error_s"] = error_s
        wall = clocks.utc_ns - clocks.monotonic_ns
        if clocks.boottime_ns is not None:
            data["boottime_ns"] = clocks.boottime_ns
            asleep = clocks.boottime_ns - clocks.monotonic_ns
            if self._asleep is not None and asleep - self._asleep > STEP_NS:
                self._slept((asleep - self._asleep) / 1e9, t_s)
                self._wall = None
            self._asleep = asleep
        if self._wall is not None and abs(wall - self._wall) > STEP_NS:
            step_s = (wall - self._wall) / 1e9
            self._keep(Event(kind=EventKind.WALL_CLOCK_STEP, t_s=t_s, data={"step_s": step_s}))
            self._warn(
                f"the machine's clock was stepped by {step_s:+.3f} s; run time is not moved"
            )
        self._wall = wall
        self._keep(Event(kind=EventKind.CLOCK_ANCHOR, t_s=t_s, data=data))

    def _slept(self, slept_s: float, t_s: float) -> None:
        self._keep(Event(kind=EventKind.SUSPENDED, t_s=t_s, data={"slept_s": slept_s}))
        self._warn(
            f"the machine slept for {slept_s:.1f} s; run time stood still, inhibit sleep"
        )

    def look_at_disk(self, t_s: float) -> None:
        """How much is free, for how long; warns once when that is little."""
        try:
            self.free_bytes = self._free(self._folder)
        except OSError as error:
            if not self._warned_blind:
                self._warned_blind = True
                self._warn(f"{self._folder}: the free disk cannot be read ({error.strerror})")
            return
        sheet = self._plan.car.recording
        keep_free = sheet.stop_free_MiB * MiB + 0.1 * _size(self._run_path)
        rates = {n: r.rate_hz for n, r in self._rates.items()}
        # In the first seconds nothing is measured yet.
        hourly = self._plan.hourly(rates) if t_s > SETTLED_S else self._plan.bytes_per_hour
        self.hours_left = max(self.free_bytes - keep_free, 0.0) / hourly
        self.disk_ends = self.free_bytes < keep_free
        if self.hours_left < sheet.free_disk_margin_hours and not self._warned_disk:
            self._warned_disk = True
            text = f"disk for {self.hours_left:.2f} h left; recording stops before it is full"
            self._keep(
                Event(kind=EventKind.DISK, t_s=t_s, data={"hours_left": self.hours_left})
            )
            self._warn(text)


def _size(path: Path) -> int:
    try:
        return path.stat().st_size
    except OSError:  # not begun yet
        return 0

"""The health of every channel of a run, from its records as they come: live, and at the seal.

Each channel becomes one row a second; the seconds of all channels are then judged together, so
that a count that stands is held against what the train does. How the records were cut into
pieces changes nothing.
"""

from __future__ import annotations

import math
from collections import deque
from collections.abc import Mapping
from dataclasses import dataclass, field
from typing import TYPE_CHECKING, Any, Final, cast

import numpy as np

from calibration.certificates.force import RAILS_24_BIT, ForceCertificate
from recorder.run.checks.channel_health import HealthFault
from recorder.run.checks.channel_seconds import ChannelSeconds
from recorder.run.checks.dead_stop import LOOKS_BACK_S, DeadStopWatch
from recorder.run.checks.doubles import DoubleWatch
from recorder.run.checks.motion import Movement, Said, movement_of
from recorder.run.checks.watches import DriftWatch, RareWatch, Source, StuckWatch
from recorder.run.parts.quantities import FASTEST_M_S

if TYPE_CHECKING:
    from collections.abc import Iterator

    from numpy.typing import NDArray

    from calibration.certificates.certificate import Certificate
    from calibration.certificates.wheel import WheelCertificate
    from recorder.run.checks.channel_health import Episode
    from recorder.run.checks.channel_seconds import Second
    from recorder.run.checks.watches import Tell
    from recorder.run.parts.header import ChannelHeader, DeviceHeader, RunHeader

__all__ = ["RunHealth"]

NEXT_S: Final = 2.5
"""Two rows of a wheel further apart give no speed together."""
VALUES_U: Final = 0.005
"""Relative standard uncertainty of a speed that came as a value, when none is stated."""
DRIFT_SHARE: Final = 0.002
"""Of the capacity: a zero that moves further in minutes is no zero, when its certificate gives no
limit (from experience)."""


@dataclass(slots=True)
class _Analogue:
    seconds: ChannelSeconds
    stuck: StuckWatch
    rare: tuple[RareWatch, ...]
    drift: DriftWatch | None

    def judge(self, row: Second, movement: Movement, speed_m_s: float) -> None:
        self.stuck.second(row, movement, speed_m_s)
        for watch in self.rare:
            watch.second(row)
        if self.drift is not None:
            self.drift.second(row, movement)

    @property
    def watches(self) -> tuple[StuckWatch | RareWatch | DriftWatch, ...]:
        drift = () if self.drift is None else (self.drift,)
        return (self.stuck, *self.rare, *drift)


@dataclass(slots=True)
class _Speed:
    """A witness of motion."""

    seconds: ChannelSeconds
    source: Source
    m_per_count: float | None
    """``None``: the values are speeds."""
    u: float = 0.0
    receiver: bool = False
    dead: DeadStopWatch | None = None
    """Of a wheel of counts."""
    _last: Second | None = None

    @property
    def counts_no_more(self) -> bool:
        """As its own pulses tell: then it is no witness."""
        return self.dead is not None and self.dead.open is not None

    def speed_m_s(self, row: Second) -> float:
        """Of a second, without sign; NaN when it cannot be told."""
        if self.m_per_count is None:
            return abs(row.mean)
        before, self._last = self._last, row
        if before is not None and row.t_last_s - before.t_last_s <= NEXT_S:
            moved, took_s = row.last - before.last, row.t_last_s - before.t_last_s
        else:
            moved, took_s = row.last - row.first, row.t_last_s - row.t_first_s
        speed = abs(moved) * self.m_per_count / took_s if took_s > 0.0 else math.nan
        return speed if speed <= FASTEST_M_S else math.nan


@dataclass(slots=True)
class _Fed:
    """A column of a device's records, or of its values, and what watches it."""

    device: str
    column: str
    valid: str
    """Field that is 0 where the column is not to be believed; empty: none."""
    seconds: ChannelSeconds
    rows: deque[Second] = field(default_factory=deque)
    ended: bool = False


class RunHealth:
    """Watches a run's channels, and tells of each episode when it is found and when it is over."""

    def __init__(
        self, header: RunHeader, certificates: Mapping[str, Certificate], tell: Tell
    ) -> None:
        self._tell = tell
        self._analogue: dict[int, _Analogue] = {}
        self._speeds: dict[int, _Speed] = {}
        self._fed: list[_Fed] = []
        self._judged: int | None = None
        """The last second judged."""
        for device in header.devices:
            for column, channels in _columns(device):
                self._add(device, column, channels, certificates)
        wheels = [s for s in self._speeds.values() if not s.receiver]
        self._receivers = [s for s in self._speeds.values() if s.receiver]
        self._doubles = [
            (w, r, DoubleWatch(w.source, r.source, w.u, w.m_per_count is not None, tell))
            for w in wheels
            for r in self._receivers[:1]
        ]

    def columns_of(self, device: str) -> list[str]:
        """The fields and value channels of a device that are watched, with what they need."""
        names = [n for f in self._fed if f.device == device for n in (f.column, f.valid) if n]
        return list(dict.fromkeys(names))

    def feed(
        self,
        device: str,
        time_s: NDArray[np.float64],
        columns: Mapping[str, NDArray[Any]] | NDArray[np.void],
    ) -> None:
        """Take up the next (n,) records of a device with their run times."""
        for fed in self._fed:
            if fed.device != device:
                continue
            values = columns[fed.column]
            if fed.valid:
                values = np.where(columns[fed.valid] != 0, values, np.nan)
            fed.rows.extend(fed.seconds.feed(time_s, values))

    def end(self, device: str) -> None:
        """No more comes of a device: its last second is over."""
        for fed in self._fed:
            if fed.device == device:
                fed.rows.extend(fed.seconds.finish())
                fed.ended = True

    def judge_whole(self) -> None:
        """Judge every second of which no device has more to give."""
        self.judge(min((f.seconds.open_second for f in self._fed if not f.ended), default=0.0))

    def judge(self, before: float) -> None:
        """Judge all seconds below ``before`` that were not judged yet."""
        while True:
            heads = [fed.rows[0].second for fed in self._fed if fed.rows]
            if not heads or (second := min(heads)) >= before:
                return
            late = self._judged is not None and second <= self._judged
            rows = {
                i: fed.rows.popleft()
                for i, fed in enumerate(self._fed)
                if fed.rows and fed.rows[0].second == second
            }
            if not late:
                self._judged = second
                self._judge(rows)

    def finish(self) -> None:
        """The run is over: judge what is left, and end what is open."""
        for fed in self._fed:
            fed.rows.extend(fed.seconds.finish())
        self.judge(math.inf)
        for _, _, double in self._doubles:
            double.finish()
        for dead in self._dead():
            dead.finish()
        for analogue in self._analogue.values():
            for watch in analogue.watches:
                watch.finish()

    def open_episodes(self) -> list[Episode]:
        """Those that go on, as they are by now."""
        found = [
            watch.open
            for analogue in self._analogue.values()
            for watch in analogue.watches
            if watch.open is not None
        ]
        found += [dead.open for dead in self._dead() if dead.open is not None]
        return found + [episode for _, _, double in self._doubles for episode in double.open]

    def take_spikes(self) -> Iterator[tuple[str, tuple[str, ...], NDArray[np.int64]]]:
        """Device, channels and (k,) records of the spikes found since last asked."""
        for i, analogue in self._analogue.items():
            found = analogue.seconds.take_spikes()
            if len(found):
                yield self._fed[i].device, analogue.stuck.source.channels, found

    # ------------------------------------------------------------------ parts

    def _judge(self, rows: dict[int, Second]) -> None:
        speeds = {
            id(held): (rows[i], held.speed_m_s(rows[i]))
            for i, held in self._speeds.items()
            if i in rows
        }
        received = [speeds[id(s)][1] for s in self._receivers if id(s) in speeds]
        for held in self._speeds.values():
            if held.dead is not None and id(held) in speeds:
                row, _ = speeds[id(held)]
                held.dead.second(row, received[0] if received else math.nan)
        for wheel, receiver, double in self._doubles:
            if not wheel.counts_no_more and id(wheel) in speeds and id(receiver) in speeds:
                (w_row, w), (r_row, r) = speeds[id(wheel)], speeds[id(receiver)]
                double.second(w_row, r_row, w, r)
        movement, speed = self._movement({key: v for key, (_, v) in speeds.items()})
        for i, analogue in self._analogue.items():
            if i in rows:
                analogue.judge(rows[i], movement, speed)

    def _dead(self) -> Iterator[DeadStopWatch]:
        return (s.dead for s in self._speeds.values() if s.dead is not None)

    def _movement(self, speeds: Mapping[int, float]) -> tuple[Movement, float]:
        """What the witnesses say, and the speed of the first; nothing while two disagree."""
        if any(double.ill for _, _, double in self._doubles):
            return Movement.UNKNOWN, math.nan
        said = [
            Said(s.receiver, v)
            for s in self._speeds.values()
            if math.isfinite(v := speeds.get(id(s), math.nan)) and not s.counts_no_more
        ]
        movement = movement_of(said)
        return movement, said[0].speed_m_s if movement is Movement.MOVING else math.nan

    def _add(
        self,
        device: DeviceHeader,
        column: str,
        channels: list[ChannelHeader],
        certificates: Mapping[str, Certificate],
    ) -> None:
        source = Source(device=device.name, channels=tuple(c.name for c in channels))
        held = next((certificates[c.certificate] for c in channels if c.certificate), None)
        quantities = {c.quantity for c in channels if c.measures}
        i, valid = len(self._fed), ""
        if "gnss_speed" in quantities or (not channels[0].field and "speed" in quantities):
            seconds = ChannelSeconds(spikes=False)
            u = channels[0].relative_uncertainty
            receiver = "gnss_speed" in quantities
            self._speeds[i] = _Speed(
                seconds, source, None, VALUES_U if u is None else u, receiver
            )
            valid = "valid" if receiver and _has(device, "valid") else ""
        elif held is not None and held.kind == "wheel":
            seconds = ChannelSeconds(spikes=False, looks_back_s=LOOKS_BACK_S)
            wheel = cast("WheelCertificate", held)
            u_rel = wheel.u_circumference_m / wheel.circumference_m
            dead = DeadStopWatch(source, wheel.m_per_pulse, self._tell)
            self._speeds[i] = _Speed(seconds, source, wheel.m_per_pulse, u_rel, dead=dead)
        elif isinstance(held, ForceCertificate) or _is_analogue(device, channels[0]):
            force = held if isinstance(held, ForceCertificate) else None
            self._analogue[i] = self._analogue_of(source, force, counts=bool(channels[0].field))
            seconds = self._analogue[i].seconds
        else:
            return
        self._fed.append(_Fed(device.name, column, valid, seconds))

    def _analogue_of(
        self, source: Source, force: ForceCertificate | None, *, counts: bool
    ) -> _Analogue:
        tell = self._tell
        rails = force.rails if force is not None else RAILS_24_BIT
        faults = (HealthFault.RAILED, HealthFault.SPIKING)
        return _Analogue(
            ChannelSeconds(rails=rails if counts else None),
            StuckWatch(source, tell),
            tuple(RareWatch(source, tell, fault) for fault in faults),
            None if force is None else _drift_watch(source, tell, force),
        )


def _drift_watch(source: Source, tell: Tell, force: ForceCertificate) -> DriftWatch:
    per_kN = abs(float(force.to_deflection(0.1 * force.capacity_kN))) / (
        0.1 * force.capacity_kN
    )
    limit = force.zero_limit_counts
    if limit is None:
        words = f"{100 * DRIFT_SHARE:g} % of the capacity"
        return DriftWatch(source, tell, DRIFT_SHARE * force.capacity_kN * per_kN, words, per_kN)
    return DriftWatch(source, tell, limit, "the certificate", per_kN)


def _columns(device: DeviceHeader) -> list[tuple[str, list[ChannelHeader]]]:
    """What a device's channels are made of: fields, or values by the channel's own name."""
    by: dict[str, list[ChannelHeader]] = {}
    for channel in device.channels:
        by.setdefault(channel.field or channel.name, []).append(channel)
    return list(by.items())


def _has(device: DeviceHeader, name: str) -> bool:
    return name in (device.record_dtype.names or ())


def _is_analogue(device: DeviceHeader, channel: ChannelHeader) -> bool:
    """Counts of a converter, or a pull that came as values; no counter, no place, no time."""
    if not channel.field:
        return channel.quantity == "pull"
    if not _has(device, channel.field):
        return False
    kind = device.record_dtype[channel.field]
    return kind.kind == "i" and kind.itemsize <= 4 and not device.host_clock

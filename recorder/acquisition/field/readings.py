"""Zero and shunt checks of a running recording: before, during and after the run."""

from __future__ import annotations

import threading
from collections.abc import Callable
from dataclasses import dataclass
from typing import TYPE_CHECKING, Final, Protocol

from calibration.certificates.force import ForceCertificate
from recorder.acquisition.field.zero_and_shunt import (
    LONGEST_S,
    Reading,
    Taking,
    shunt_event,
    zero_of,
)
from recorder.run.calibrate import zero_event
from recorder.run.event import Event
from recorder.run.header import ChannelHeader

if TYPE_CHECKING:
    from recorder.acquisition.devices.device_thread import DeviceThread
    from recorder.acquisition.devices.plan import Plan

__all__ = ["FieldChecks"]

GRACE_S: Final = 1.5
"""How long after a taking's end its last counts may still be on their way."""


@dataclass(frozen=True, slots=True)
class _Channel:
    thread: DeviceThread
    header: ChannelHeader
    certificate: ForceCertificate
    given_counts: float | None


class Say(Protocol):
    """Tells the crew how a check came out."""

    def __call__(self, text: str, *, well: bool) -> None: ...


class FieldChecks:
    """Takes zeros and shunt readings of every force channel."""

    def __init__(
        self,
        plan: Plan,
        threads: list[DeviceThread],
        *,
        tell: Callable[[Event], None],
        say: Say,
    ) -> None:
        self.zeros: dict[str, float] = {}
        """Channel → zero in counts, as last accepted."""
        self._tell = tell
        self._say = say
        self._busy = threading.Lock()
        self._open: dict[str, Reading] = {}
        self._channels: dict[str, _Channel] = {}
        by_name = {thread.name: thread for thread in threads}
        for device in plan.devices:
            for header in device.channels:
                certificate = plan.certificates.get(header.certificate)
                if not isinstance(certificate, ForceCertificate):
                    continue
                sheet = device.sheet.channels.get(header.name)
                given = None if sheet is None else sheet.zero_counts
                self._channels[header.name] = _Channel(
                    by_name[device.sheet.name], header, certificate, given
                )
                self.zeros[header.name] = certificate.nominal_zero_counts

    def give_known(self) -> None:
        """Keep the zeros that the car sheet states."""
        for name, channel in self._channels.items():
            if channel.given_counts is not None:
                words = f"{name}: zero {channel.given_counts:g} counts as the car sheet says"
                self.zeros[name] = channel.given_counts
                self._tell(
                    zero_event(name, 0.0, channel.given_counts, when="sheet", text=words)
                )
                self._say(words, well=True)

    def begin(self, start_s: float, stop_s: float, names: list[str] | None = None) -> Round:
        """Start taking a zero over a stretch of run time; see :meth:`finish`.

        Channels whose zero the sheet states are left out unless named.
        """
        chosen = self._chosen(names)
        return Round(chosen, start_s, stop_s)

    def finish(self, taken: Round, *, t_s: float, when: str) -> list[Event]:
        """Wait for the last counts, then keep and tell the zeros as of run time ``t_s``."""
        events = []
        for channel, taking in taken.end():
            event, words, well = zero_of(
                channel.header, channel.certificate, taking, t_s=t_s, when=when
            )
            if event.data.get("accepted", True):
                self.zeros[channel.header.name] = float(event.data["counts"])
            self._tell(event)
            self._say(words, well=well)
            events.append(event)
        return events

    def take_zero(self, seconds: float, name: str, *, when: str) -> list[Event]:
        """Take a zero now; returns when it is taken.

        Raises
        ------
        ValueError
            No such force channel, a time out of range, or another check is under way.
        """
        _check_seconds(seconds)
        names = [name] if name else list(self._channels)
        if not names:
            msg = "no channel has a force certificate; there is no zero to take"
            raise ValueError(msg)
        chosen = self._chosen(names)
        with self._alone():
            now_s = chosen[0].thread.now_s()
            taken = Round(chosen, now_s, now_s + seconds)
            return self.finish(taken, t_s=now_s + seconds / 2.0, when=when)

    def shunt(self, name: str, when: str, step: str, seconds: float) -> Event:
        """One step of a shunt check: ``open``, then ``shunted``. Returns the event kept.

        Raises
        ------
        ValueError
            As :meth:`take_zero`; a step out of order; nothing came.
        """
        _check_seconds(seconds)
        if step not in ("open", "shunted"):
            msg = f"step must be open or shunted, got {step!r}"
            raise ValueError(msg)
        (channel,) = self._chosen([name])
        with self._alone():
            start_s = channel.thread.now_s()
            ((_, taking),) = Round([channel], start_s, start_s + seconds).end()
        reading = taking.reading(channel.header.field)
        if reading is None:
            msg = f"{name}: nothing came from {channel.thread.name}; no shunt check"
            raise ValueError(msg)
        t_s = start_s + seconds / 2.0
        if step == "open":
            self._open[name] = reading
            data = {"channel": name, "when": when, "step": step, "counts": reading.mean}
            event = Event(kind="shunt_check", t_s=t_s, data={**data, "u_counts": reading.u})
            self._tell(event)
            return event
        event, words, well = shunt_event(
            channel.header,
            channel.certificate,
            self._open.get(name),
            reading,
            t_s=t_s,
            when=when,
        )
        self._tell(event)
        self._say(words, well=well)
        return event

    def _chosen(self, names: list[str] | None) -> list[_Channel]:
        if names is None:
            return [c for c in self._channels.values() if c.given_counts is None]
        unknown = [name for name in names if name not in self._channels]
        if unknown:
            known = ", ".join(self._channels) or "none"
            msg = f"{unknown[0]!r} is no force channel of this run; there are: {known}"
            raise ValueError(msg)
        return [self._channels[name] for name in names]

    def _alone(self) -> _Alone:
        return _Alone(self._busy)


class _Alone:
    """One check at a time: the coupler is slack, or it is shunted, not both."""

    def __init__(self, lock: threading.Lock) -> None:
        self._lock = lock

    def __enter__(self) -> None:
        if not self._lock.acquire(blocking=False):
            msg = "another zero or shunt check is under way; wait for it"
            raise ValueError(msg)

    def __exit__(self, *exc: object) -> None:
        self._lock.release()


class Round:
    """Takings of several channels at once, by device."""

    def __init__(self, channels: list[_Channel], start_s: float, stop_s: float) -> None:
        self._stop_s = stop_s
        self._channels = channels
        self._takings: dict[str, tuple[DeviceThread, Taking]] = {}
        for thread in {c.thread.name: c.thread for c in channels}.values():
            fields = tuple(c.header.field for c in channels if c.thread is thread)
            taking = Taking(fields, start_s, stop_s)
            thread.add_tap(taking)
            self._takings[thread.name] = (thread, taking)

    def end(self) -> list[tuple[_Channel, Taking]]:
        """Wait until every device has passed the end, or has had time to."""
        for thread, taking in self._takings.values():
            left_s = self._stop_s + GRACE_S - thread.now_s()
            taking.done.wait(max(left_s, 0.0))
            thread.remove_tap(taking)
        return [(c, self._takings[c.thread.name][1]) for c in self._channels]


def _check_seconds(seconds: float) -> None:
    if not 0.1 <= seconds <= LONGEST_S:
        msg = f"a check takes 0.1 to {LONGEST_S:g} seconds, got {seconds!r}"
        raise ValueError(msg)

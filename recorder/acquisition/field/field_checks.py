"""Zeros and shunt checks of every force channel, before, during and after the run."""

from __future__ import annotations

import contextlib
import math
import threading
import time
from collections.abc import Callable, Iterator
from dataclasses import dataclass
from typing import TYPE_CHECKING, Final, Protocol

from calibration.certificates.force import ForceCertificate
from calibration.field.checks import check_shunt, unsteady
from calibration.field.zero_guards import GuardAnswer
from recorder.acquisition.field.counts_collector import Collection
from recorder.acquisition.field.motion import MotionWatch, motion_witnesses
from recorder.acquisition.field.zero_judgement import TakenZero, judged_zero
from recorder.machine.version import software
from recorder.run.checks.shunt_check import ShuntCheck, ShuntStep
from recorder.run.checks.zero_line import Zero, ZeroTime, ZeroWish, current_zeros
from recorder.run.checks.zero_revision import RevisionMade, revised_zero
from recorder.sheets.recording import LONGEST_ZERO_S

if TYPE_CHECKING:
    from calibration.field.mean_counts import MeanCounts
    from recorder.acquisition.control.requests import ZeroRevision
    from recorder.acquisition.devices.device_thread import DeviceThread
    from recorder.acquisition.preparation.planned import Plan
    from recorder.run.parts.event import Event
    from recorder.run.parts.header import ChannelHeader
    from recorder.sheets import ChannelSheet

__all__ = ["FieldChecks", "ZeroTaking"]

SHORTEST_S: Final = 0.1
OPEN_HOLDS_S: Final = 600.0
"""A reading without the shunt older than this is taken again: the zero may have moved since."""


class Notice(Protocol):
    """Shows the crew how a check came out."""

    def __call__(self, text: str, *, well: bool) -> None: ...


@dataclass(frozen=True, slots=True)
class _ForceChannel:
    thread: DeviceThread
    header: ChannelHeader
    certificate: ForceCertificate
    sheet: ChannelSheet | None

    @property
    def known(self) -> bool:
        """Whether the car sheet states its zero."""
        return self.sheet is not None and self.sheet.zero_counts is not None


class FieldChecks:
    """Takes zeros and shunt checks. Methods may be called from any thread.

    Parameters
    ----------
    keep
        Keeps an event with the run.
    notice
        Shows the crew one line.
    utc_ns
        The wall clock that revisions are dated by.
    """

    def __init__(
        self,
        plan: Plan,
        threads: list[DeviceThread],
        *,
        keep: Callable[[Event], None],
        notice: Notice,
        utc_ns: Callable[[], int] = time.time_ns,
    ) -> None:
        self.zeros: dict[str, Zero] = {}
        """Channel → zero as last accepted; a channel without one goes by its certificate's."""
        self._taken: list[Zero] = []
        self._keep = keep
        self._notice = notice
        self._utc_ns = utc_ns
        self._busy = threading.Lock()
        self._guard = threading.Lock()
        self._open: dict[str, _ShuntRead] = {}
        self._channels: dict[str, _ForceChannel] = {}
        self._witnesses = motion_witnesses(plan, threads)
        by_name = {thread.name: thread for thread in threads}
        for device in plan.devices:
            for header in device.channels:
                certificate = plan.certificates.get(header.certificate)
                if isinstance(certificate, ForceCertificate):
                    sheet = device.sheet.channels.get(header.name)
                    thread = by_name[device.sheet.name]
                    channel = _ForceChannel(thread, header, certificate, sheet)
                    self._channels[header.name] = channel

    @property
    def channels(self) -> list[str]:
        """Names of the channels whose zero can be taken."""
        return list(self._channels)

    # ------------------------------------------------------------------ zeros

    def keep_known(self) -> None:
        """Keep the zeros that the car sheet states."""
        for name, channel in self._channels.items():
            sheet = channel.sheet
            if sheet is None or sheet.zero_counts is None:
                continue
            u = math.nan if sheet.zero_u_counts is None else sheet.zero_u_counts
            stated = sheet.zero_counts
            self._take_up(
                Zero(channel=name, t_s=0.0, counts=stated, u_counts=u, when=ZeroTime.SHEET)
            )

    def begin(self, start_s: float, stop_s: float) -> ZeroTaking:
        """Begin to take the zeros the sheet does not state; see :meth:`finish`."""
        unknown = [c for c in self._channels.values() if not c.known]
        return self._taking(unknown, start_s, stop_s)

    def finish(
        self, taking: ZeroTaking, *, t_s: float, when: ZeroTime, wish: ZeroWish | None = None
    ) -> list[Zero]:
        """Wait for the last counts, then keep and show the zeros as of run time ``t_s``."""
        taking.counts.finish()
        motion = tuple(taking.motion.finish())
        seconds = taking.counts.stop_s - taking.counts.start_s
        zeros = []
        for channel in taking.channels:
            name = channel.header.name
            found = taking.counts.mean(channel.thread.name, channel.header.field)
            taken = TakenZero(
                channel=name, certificate=channel.certificate, found=found, motion=motion,
                last=self.zeros.get(name), seconds=seconds, t_s=t_s, when=when,
            )  # fmt: skip
            zeros.append(judged_zero(taken, wish or ZeroWish()))
        for zero in zeros:
            self._take_up(zero)
        return zeros

    def take_zero(
        self, seconds: float, name: str, *, when: ZeroTime, wish: ZeroWish | None = None
    ) -> list[Zero]:
        """Take the zero of a channel, or of all with an empty name; returns when it is taken.

        What its guards refuse changes no force, unless ``wish`` says why it is to be taken all
        the same.

        Raises
        ------
        ValueError
            No such force channel, a time out of range, or another check is under way.
        """
        _check_seconds(seconds)
        chosen = [self._channel(name)] if name else list(self._channels.values())
        if not chosen:
            msg = "no channel has a force certificate; there is no zero to take"
            raise ValueError(msg)
        with self._alone():
            start_s = chosen[0].thread.now_s()
            taking = self._taking(chosen, start_s, start_s + seconds)
            return self.finish(taking, t_s=start_s + seconds / 2.0, when=when, wish=wish)

    def _taking(
        self, channels: list[_ForceChannel], start_s: float, stop_s: float
    ) -> ZeroTaking:
        motion = MotionWatch(self._witnesses if channels else [], start_s, stop_s)
        return ZeroTaking(channels, _collection(channels, start_s, stop_s), motion)

    def revise_zero(self, request: ZeroRevision) -> Zero:
        """Withdraw, restore or accept a zero of this run; returns its new revision.

        Raises
        ------
        ValueError
            There is no such zero, no reason, or it is not one this can be done to.
        """
        with self._guard:
            key = (request.channel, request.t_s)
            found = [z for z in current_zeros(self._taken) if (z.channel, z.t_s) == key]
            if not found:
                msg = f"{request.channel}: no zero was taken at {request.t_s:.3f} s"
                raise ValueError(msg)
            made = RevisionMade(
                reason=request.reason,
                by=request.by,
                utc_ns=self._utc_ns(),
                software=software(),
            )
            zero = revised_zero(found[-1], request.edit, made)
            self._note(zero)
        self._notice(zero.text, well=False)
        return zero

    def _take_up(self, zero: Zero) -> None:
        with self._guard:
            self._note(zero)
        self._notice(zero.text, well=not zero.reason)

    def _note(self, zero: Zero) -> None:
        """Keep it, and let the newest that holds be its channel's."""
        self._taken.append(zero)
        of_channel = [z for z in current_zeros(self._taken) if z.channel == zero.channel]
        holding = [z for z in of_channel if z.holds]
        if holding:
            self.zeros[zero.channel] = holding[-1]
        else:
            self.zeros.pop(zero.channel, None)
        self._keep(zero.to_event())

    # ------------------------------------------------------------------ shunt

    def shunt(self, seconds: float, name: str, step: ShuntStep) -> ShuntCheck:
        """One step of a shunt check: open, then shunted. Returns what was kept.

        An empty name is the one channel whose certificate states a shunt value.

        Raises
        ------
        ValueError
            As :meth:`take_zero`; a name is needed; nothing came; no fresh reading without the
            shunt to compare with.
        """
        _check_seconds(seconds)
        channel = self._channel(name) if name else self._shunt_channel()
        name = channel.header.name
        with self._alone():
            if step is ShuntStep.SHUNTED:
                opened = self._fresh_open(channel)
                check = _judged_shunt(channel, opened, self._read(channel, seconds))
            else:
                self._open[name] = read = self._read(channel, seconds)
                check = ShuntCheck(
                    channel=name,
                    t_s=read.t_s,
                    step=step,
                    open_counts=read.counts.mean,
                    u_counts=read.counts.u,
                    open_s=read.t_s,
                    seconds=seconds,
                    reason=read.moved,
                )
        self._keep(check.to_event())
        self._notice(check.text, well=check.passed is not False and not check.reason)
        return check

    def _read(self, channel: _ForceChannel, seconds: float) -> _ShuntRead:
        start_s = channel.thread.now_s()
        counts = _collection([channel], start_s, start_s + seconds)
        motion = MotionWatch(self._witnesses, start_s, start_s + seconds)
        counts.finish()
        guards = motion.finish()
        found = counts.mean(channel.thread.name, channel.header.field)
        if found is None:
            device = channel.thread.name
            msg = f"{channel.header.name}: nothing came from {device}; no shunt check"
            raise ValueError(msg)
        moved = next((g.text for g in guards if g.answer is GuardAnswer.REFUSED), "")
        return _ShuntRead(start_s + seconds / 2.0, seconds, found, moved)

    def _fresh_open(self, channel: _ForceChannel) -> _ShuntRead:
        opened = self._open.get(channel.header.name)
        if opened is None or channel.thread.now_s() - opened.t_s > OPEN_HOLDS_S:
            msg = f"{channel.header.name}: take the reading without the shunt first (step open)"
            raise ValueError(msg)
        return opened

    # ------------------------------------------------------------------ channels

    def _channel(self, name: str) -> _ForceChannel:
        if name not in self._channels:
            known = ", ".join(self._channels) or "none"
            msg = f"{name!r} is no force channel of this run; there are: {known}"
            raise ValueError(msg)
        return self._channels[name]

    def _shunt_channel(self) -> _ForceChannel:
        stating = [c for c in self._channels.values() if c.certificate.shunt is not None]
        if len(stating) == 1:
            return stating[0]
        names = ", ".join(c.header.name for c in stating) or "none"
        msg = f"name the channel to check; certificates with a shunt value: {names}"
        raise ValueError(msg)

    @contextlib.contextmanager
    def _alone(self) -> Iterator[None]:
        """One check at a time: the coupler is slack, or the cell is shunted, not both."""
        if not self._busy.acquire(blocking=False):
            msg = "another zero or shunt check is under way; wait for it"
            raise ValueError(msg)
        try:
            yield
        finally:
            self._busy.release()


@dataclass(frozen=True, slots=True)
class ZeroTaking:
    """Zeros being taken."""

    channels: list[_ForceChannel]
    counts: Collection
    motion: MotionWatch


@dataclass(frozen=True, slots=True)
class _ShuntRead:
    t_s: float
    """Run time of its middle."""
    seconds: float
    counts: MeanCounts
    moved: str
    """How wheel or receiver saw the train move meanwhile; empty when neither did."""


def _collection(channels: list[_ForceChannel], start_s: float, stop_s: float) -> Collection:
    return Collection([(c.thread, c.header.field) for c in channels], start_s, stop_s)


def _judged_shunt(
    channel: _ForceChannel, opened: _ShuntRead, shunted: _ShuntRead
) -> ShuntCheck:
    certificate = channel.certificate
    counts = (opened.counts, shunted.counts)
    moved = opened.moved or shunted.moved
    return ShuntCheck(
        channel=channel.header.name,
        t_s=shunted.t_s,
        step=ShuntStep.SHUNTED,
        open_counts=opened.counts.mean,
        shunted_counts=shunted.counts.mean,
        u_counts=math.hypot(opened.counts.u, shunted.counts.u),
        open_s=opened.t_s,
        seconds=shunted.seconds,
        reason=moved or next((why for c in counts if (why := unsteady(certificate, c))), ""),
        check=check_shunt(certificate, *counts),
    )


def _check_seconds(seconds: float) -> None:
    if not SHORTEST_S <= seconds <= LONGEST_ZERO_S:
        msg = f"a check takes {SHORTEST_S:g} to {LONGEST_ZERO_S:g} seconds, got {seconds!r}"
        raise ValueError(msg)

"""A link and a decoder joined into a driver: silence, restarts, the port's own counters."""

from __future__ import annotations

import time
from collections import deque
from dataclasses import replace
from itertools import pairwise
from typing import TYPE_CHECKING, ClassVar, Final, Self

from drivers.interface.driver_interface import Batch, Fault, FaultCause, Rest
from drivers.interface.errors import LinkLostError, SetupError
from drivers.links.backlog import BacklogWatch
from drivers.links.gathering import Gathering
from drivers.links.transport import open_link

if TYPE_CHECKING:
    from collections.abc import Callable

    from drivers.decoding.framing import RecordDecoder
    from drivers.interface.driver_interface import DeviceDriver, DriverDescription, Layout
    from drivers.interface.settings import LinkSettings
    from drivers.links.transport import Link, LinkOpener

__all__ = ["LinkDriver", "inherit", "split_at_restarts"]

_READ_BYTES: Final = 1 << 17
"""At most a quarter of a second of the fastest link (4 Mbit/s) in one batch."""
_LINE_FAULTS: Final = (FaultCause.CHECKSUM, FaultCause.GARBAGE, FaultCause.LOST_FRAMES)


class LinkDriver:
    """Reads one link through one decoder.

    Parameters
    ----------
    link : Link
        Open; owned from here on.
    decoder : RecordDecoder
    device_id : str
    silence_limit_s : float
        Longest time without one good frame.
    now_ns : callable
        Monotonic clock, handed in for tests.
    pause : callable, optional
        Sleeps, so that bytes can gather at a port that they often come at; without it each read
        takes what there is.
    """

    description: ClassVar[DriverDescription]

    def __init__(
        self,
        link: Link,
        decoder: RecordDecoder,
        *,
        device_id: str,
        silence_limit_s: float,
        now_ns: Callable[[], int] = time.monotonic_ns,
        pause: Callable[[float], object] | None = None,
    ) -> None:
        self.device_id = device_id
        self.decoder = decoder
        self.layout: Layout = decoder.layout
        self._link = link
        self._silence_limit_s = silence_limit_s
        self._now_ns = now_ns
        self._alive_ns = now_ns()
        self._overdue = False
        self._ready: deque[Batch] = deque()
        self._counters = link.counters()
        self._watch = BacklogWatch(link.full_bytes, self._alive_ns)
        self._gathering = Gathering(link.full_bytes)
        self._pause = pause

    @classmethod
    def on_port(
        cls,
        port: str,
        decoder: RecordDecoder,
        settings: LinkSettings,
        *,
        device_id: str,
        after: DeviceDriver | None,
        now_ns: Callable[[], int],
        opener: LinkOpener = open_link,
    ) -> Self:
        """Open the port for a fresh decoder, or for the one of the driver gone on from.

        Raises
        ------
        SetupError
            ``after`` is a driver of another kind, or the port is none.
        LinkLostError
            The port is missing, in use, not permitted, or nothing answers.
        """
        decoder = inherit(decoder, after, device_id)
        link = opener(
            port,
            baud_bd=settings.baud_bd,
            read_timeout_s=settings.read_timeout_s,
            device_id=device_id,
        )
        limit_s = settings.silence_limit_s
        # A link in memory is one of simulated time; a host's tick is when its bytes are read.
        sleeps = opener is open_link and not cls.description.host_clock
        return cls(
            link, decoder, device_id=device_id, silence_limit_s=limit_s, now_ns=now_ns,
            pause=time.sleep if sleeps else None,
        )  # fmt: skip

    @property
    def port(self) -> str:
        """The port as it was asked for."""
        return self._link.port

    def read(self) -> Batch:
        """Wait for the next records, at most one read timeout.

        A restart of the device or its counter is always the first thing in a batch
        (``before_record`` 0), so a clock fitted per batch can begin anew.

        Raises
        ------
        LinkLostError
            No good frame for the silence limit, or the port is gone.
        """
        if self._ready:
            return self._ready.popleft()
        if self._overdue:
            raise LinkLostError(self.device_id, self._silence())
        paused = self._let_gather()
        waiting = self._link.waiting()
        began_ns = self._now_ns()
        chunk = self._gathered(waiting) if paused else b""
        waited_from_ns = self._now_ns()
        chunk = self._and_the_next(chunk)
        now_ns = self._now_ns()
        self._gathering.took(len(chunk), now_ns - waited_from_ns, now_ns)
        backlog = self._watch.look(waiting, len(chunk), now_ns)
        good_before = self.decoder.good_frames
        batch = self._decode(chunk, now_ns)
        if backlog is not None:
            batch = replace(batch, backlog=backlog)
        if self.decoder.good_frames != good_before:
            self._alive_ns = now_ns
        elif began_ns - self._alive_ns > self._silence_limit_s * 1e9:
            # By when it began: a reader held up since has not looked at what came meanwhile.
            # What is known of the damage is handed on first; the next read raises.
            self._overdue = True
            if not batch.faults:
                raise LinkLostError(self.device_id, self._silence())
        first, *rest = split_at_restarts(batch)
        self._ready.extend(rest)
        return first

    def _let_gather(self) -> bool:
        """Sleep while bytes gather, where they come often; whether it did."""
        pause_s = self._gathering.pause_s
        if self._pause is None or not pause_s:
            return False
        self._pause(pause_s)
        return True

    def _gathered(self, waiting: int) -> bytes:
        """What has gathered by now, without waiting for more."""
        return self._link.read(min(waiting, _READ_BYTES)) if waiting else b""

    def _and_the_next(self, chunk: bytes) -> bytes:
        """What is in hand, with what comes next: waited for, one read timeout at most."""
        if not chunk:
            return self._link.read(_READ_BYTES)
        room = _READ_BYTES - len(chunk)
        try:
            return chunk + self._link.read(room) if room else chunk
        except LinkLostError:
            # What came before is of the run; the next read finds the link lost again.
            return chunk

    def drain(self) -> Rest:
        """Read what has come by now, without waiting: once, before or after the closing.

        Raises
        ------
        LinkLostError
            The port is gone; closed, it still gives what was in hand.
        """
        waiting = self._link.waiting()
        chunk = self._link.read(waiting) if waiting else b""
        batches = [*self._ready]
        self._ready.clear()
        batch = self._decode(chunk, self._now_ns())
        faults = [*batch.faults]
        n = len(batch.records)
        if damage := self.decoder.take_damage():
            cause, words, dropped = damage
            words = f"{words}, at the end"
            fault = Fault(cause=cause, detail=words, before_record=n, bytes_dropped=dropped)
            faults.append(fault)
        if self._watch.behind and (left := self._link.waiting()):
            words = f"{left} bytes or more still waited at the port at the stop"
            cause = FaultCause.CANNOT_KEEP_UP
            faults.append(Fault(cause=cause, detail=words, before_record=n))
        batches += split_at_restarts(replace(batch, faults=tuple(faults)))
        return Rest(batches=tuple(batches), cut_bytes=self.decoder.unfinished_bytes)

    def close(self) -> None:
        """Close the port; may be called twice."""
        self._link.close()

    def _silence(self) -> str:
        limit = f"{self._silence_limit_s:g} s"
        if self.decoder.refusal:
            return f"no acceptable frame for {limit}: {self.decoder.refusal}"
        if doubt := self.decoder.bytes_in_doubt:
            return (
                f"no good frame for {limit}, {doubt} bytes of something else on {self.port};"
                " is it the right device, at the right line speed?"
            )
        return f"silent for {limit} on {self.port}"

    def _decode(self, chunk: bytes, now_ns: int) -> Batch:
        batch = self.decoder.feed(chunk, now_ns)
        if batch.faults:
            batch = self._ask_the_line(batch)
        if batch.faults and self._watch.behind:
            faults = tuple(_for_want_of_speed(fault) for fault in batch.faults)
            batch = replace(batch, faults=faults)
        if partial := self.decoder.take_partial_bytes():
            batch = replace(batch, partial_bytes=partial)
        return batch

    def _ask_the_line(self, batch: Batch) -> Batch:
        """Add to line faults what the port itself has counted."""
        counters = self._link.counters()
        if counters is None or self._counters is None:
            return batch
        grown = counters.since(self._counters)
        self._counters = counters
        if not grown:
            return batch
        faults = tuple(
            replace(fault, detail=f"{fault.detail}; the port counted {grown}")
            if fault.cause in _LINE_FAULTS
            else fault
            for fault in batch.faults
        )
        return replace(batch, faults=faults)


def inherit(decoder: RecordDecoder, after: object, device_id: str) -> RecordDecoder:
    """Go on with the decoder of a closed driver of the same device and layout.

    Raises
    ------
    SetupError
        ``after`` is a driver of another kind.
    """
    if after is None:
        return decoder
    if not isinstance(after, LinkDriver) or type(after.decoder) is not type(decoder):
        msg = f"cannot go on from {type(after).__name__}: it is a driver of another kind"
        raise SetupError(device_id, msg)
    if after.decoder.layout != decoder.layout:
        return decoder
    after.decoder.link_reopened()
    return after.decoder


def _for_want_of_speed(fault: Fault) -> Fault:
    """What is lost on the line while its bytes wait to be read is lost for that reason."""
    if fault.cause not in _LINE_FAULTS:
        return fault
    detail = f"bytes came faster than they were read; {fault.cause}: {fault.detail}"
    return replace(fault, cause=FaultCause.CANNOT_KEEP_UP, detail=detail)


def split_at_restarts(batch: Batch) -> list[Batch]:
    """Cut a batch so that every restart stands before the first record of its part.

    Returns
    -------
    list of Batch
        At least one; together they hold every record and fault, in order.
    """
    cuts = sorted({fault.before_record for fault in batch.faults if fault.cause.restarts_count})
    edges = [0, *(cut for cut in cuts if cut > 0), len(batch.records)]
    if len(edges) == 2:
        return [batch]
    parts = []
    for number, (start, stop) in enumerate(pairwise(edges)):
        last = number == len(edges) - 2
        faults = tuple(
            replace(fault, before_record=fault.before_record - start)
            for fault in batch.faults
            if start <= fault.before_record and (fault.before_record < stop or last)
        )
        part = replace(batch, records=batch.records[start:stop], faults=faults)
        # What is told of the whole batch is told once.
        parts.append(part if not number else replace(part, partial_bytes=0, backlog=None))
    return parts

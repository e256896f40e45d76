"""The loop that keeps time: what is due goes out, the rest of the time the train moves on.

One thread. Deadlines are absolute on the monotonic clock, so lateness never adds up. The world
is worked out ahead of its time in small stretches while nothing is due. A reader that does not
read cannot hold up another: its port holds a little and then drops.
"""

from __future__ import annotations

import math
import select
import time
from collections import deque
from dataclasses import dataclass, field
from typing import TYPE_CHECKING, Final, Protocol

from recorder.machine.clocks import now_ns

if TYPE_CHECKING:
    from collections.abc import Callable, Sequence

    from simulated_feeds.devices.emission import Emission
    from simulated_feeds.serving.ports import Port

__all__ = ["EmissionSource", "Outage", "Server"]

_AHEAD_S: Final = 0.6
"""Simulated seconds worked out in advance, times the speed."""
_QUIET_NS: Final = 2_500_000
"""Nothing due for so long: time to move the train on."""
_POLL_NS: Final = 5_000_000
_FLUSH_NS: Final = 5_000_000_000
_HELD_MOST: Final = 256 * 1024
_BURST: Final = 256
_QUIET_LOOKS: Final = 4


class EmissionSource(Protocol):
    """What is to be sent, stretch by stretch."""

    def advance(self) -> dict[str, list[Emission]] | None:
        """The next stretch, by port name, in order of due time; None: there is no more."""
        ...

    @property
    def t_s(self) -> float:
        """Simulated time up to which everything has been given out."""
        ...


@dataclass(frozen=True, slots=True)
class Outage:
    """A port that is unplugged for a while; seconds of simulated time."""

    port: str
    from_s: float
    to_s: float


@dataclass(slots=True)
class _Lane:
    port: Port
    queue: deque[Emission] = field(default_factory=deque)


class Server:
    """Sends a source to ports.

    Parameters
    ----------
    source, ports
        Names agree.
    speed
        Simulated seconds a second; 0: as fast as the readers take it, losing nothing.
    seconds
        Simulated time at which to end; None: when the source ends or :meth:`stop` is called.
    stop
        Asked often; True ends the run.
    gather_s
        After the first port was opened, how long to wait for the others; infinite: until all
        are open.
    note_sent
        Told (tag, monotonic ns) just before a frame with a tag goes out.
    """

    def __init__(
        self,
        source: EmissionSource,
        ports: Sequence[Port],
        *,
        speed: float,
        seconds: float | None,
        stop: Callable[[], bool],
        outages: Sequence[Outage] = (),
        gather_s: float = 2.0,
        note_sent: Callable[[int, int], None] | None = None,
    ) -> None:
        self._source = source
        self._lanes = {p.name: _Lane(p) for p in ports}
        self._speed, self._stop, self._gather_s = speed, stop, gather_s
        self._note_sent = note_sent
        self._end_s = float("inf") if seconds is None else seconds
        self._switches = sorted(
            [(o.from_s, o.port, False) for o in outages]
            + [(o.to_s, o.port, True) for o in outages]
        )
        self._exhausted = False
        self._simulated0_ns = 0
        self.late_ns = 0
        """Worst lateness of a frame."""

    def wait_for_readers(self, patience_s: float = float("inf")) -> bool:
        """Until the ports are open, or patience ends; False when told to stop first."""
        first_ns: int | None = None
        began_ns = now_ns()
        while not self._stop():
            for lane in self._lanes.values():
                lane.port.poll()
            opened = [lane.port.open for lane in self._lanes.values()]
            now = now_ns()
            if any(opened) and first_ns is None:
                first_ns = now
            gathered = first_ns is not None and (now - first_ns) * 1e-9 > self._gather_s
            if all(opened) or gathered or (now - began_ns) * 1e-9 > patience_s:
                return True
            self._sleep(now + 2 * _POLL_NS)
        return False

    def run(self, simulated0_ns: int) -> None:
        """Send until the end, simulated time 0 being at that monotonic instant; call
        :meth:`wait_for_readers` first. Ports stay open.
        """
        self._simulated0_ns = simulated0_ns
        if self._speed > 0.0:
            self._run_paced()
        else:
            self._run_flat_out()
        self._flush()

    # ------------------------------------------------------------------ paced

    def _simulated_s(self, instant_ns: int) -> float:
        return (instant_ns - self._simulated0_ns) * 1e-9 * self._speed

    def _run_paced(self) -> None:
        ahead_s = _AHEAD_S * self._speed
        next_poll = 0
        while not self._stop():
            now = now_ns()
            now_s = self._simulated_s(now)
            if now_s >= self._end_s:
                self._finish_paced()
                return
            if now >= next_poll:
                self._poll_ports(now_s)
                next_poll = now + _POLL_NS
            due_s = self._send_due(now_s)
            if due_s is None and self._exhausted:
                return
            behind = now_s + ahead_s - self._source.t_s
            due_ns = self._due_ns(due_s)
            if behind > 0.0 and not self._exhausted:
                must = self._source.t_s < now_s + 0.1 * ahead_s
                if must or due_ns - now_ns() > _QUIET_NS:
                    self._move_on()
                    continue
            self._sleep(min(due_ns, next_poll, self._due_ns(self._end_s)))

    def _finish_paced(self) -> None:
        """However late the loop is: what was due before the end goes out."""
        while self._source.t_s < self._end_s and not self._exhausted:
            self._move_on()
        self._send_due(math.nextafter(self._end_s, 0.0))

    def _due_ns(self, due_s: float | None) -> int:
        if due_s is None or due_s == float("inf"):
            return 2**63
        return self._simulated0_ns + int(due_s * 1e9 / self._speed)

    def _send_due(self, now_s: float) -> float | None:
        """Send what is due; simulated time of what is due next."""
        soonest: float | None = None
        for lane in self._lanes.values():
            queue = lane.queue
            frames = []
            while queue and queue[0].due_s <= now_s:
                emission = queue.popleft()
                frames.append(emission.data)
                if len(frames) == 1:
                    late = int((now_s - emission.due_s) * 1e9 / self._speed)
                    self.late_ns = max(self.late_ns, late)
                if emission.tag >= 0 and self._note_sent is not None:
                    self._note_sent(emission.tag, now_ns())
            if frames:
                lane.port.send(frames)
            if queue and (soonest is None or queue[0].due_s < soonest):
                soonest = queue[0].due_s
        return soonest

    def _move_on(self) -> None:
        stretch = self._source.advance()
        if stretch is None:
            self._exhausted = True
            return
        for name, emissions in stretch.items():
            self._lanes[name].queue.extend(emissions)

    def _poll_ports(self, now_s: float) -> None:
        while self._switches and self._switches[0][0] <= now_s:
            _, name, back = self._switches.pop(0)
            port = self._lanes[name].port
            if back:
                port.replug()
            else:
                port.unplug()
        for lane in self._lanes.values():
            lane.port.poll()

    # --------------------------------------------------------------- flat out

    def _run_flat_out(self) -> None:
        """In order of due time over all ports, so that no device runs away from another."""
        while not self._stop():
            if not any(lane.queue for lane in self._lanes.values()):
                if self._exhausted:
                    return
                self._move_on()
                continue
            self._poll_ports(self._soonest())
            if any(lane.port.pending > _HELD_MOST for lane in self._lanes.values()):
                self._sleep(now_ns() + _POLL_NS)
                continue
            self._send_some()

    def _soonest(self) -> float:
        return min(lane.queue[0].due_s for lane in self._lanes.values() if lane.queue)

    def _send_some(self) -> None:
        """All that is queued up to the moment the fullest queue's next burst ends."""
        until = float("inf")
        for lane in self._lanes.values():
            if len(lane.queue) > _BURST:
                until = min(until, lane.queue[_BURST].due_s)
        for lane in self._lanes.values():
            queue, frames = lane.queue, []
            while queue and queue[0].due_s <= until and queue[0].due_s < self._end_s:
                frames.append(queue.popleft().data)
            if frames:
                lane.port.send(frames, keep_all=True)
            elif queue and queue[0].due_s >= self._end_s:
                queue.clear()
                self._exhausted = True

    # ----------------------------------------------------------------- both

    def _flush(self) -> None:
        """Give readers a while to take what is held."""
        patience = _FLUSH_NS if self._speed > 0.0 else 12 * _FLUSH_NS
        deadline = now_ns() + patience
        quiet = 0
        while now_ns() < deadline and quiet < _QUIET_LOOKS and not self._stop():
            for lane in self._lanes.values():
                lane.port.poll()
            # Bytes may be between two buffers at one look.
            drained = all(lane.port.drained for lane in self._lanes.values())
            quiet = quiet + 1 if drained else 0
            time.sleep(_POLL_NS * 1e-9)

    def _sleep(self, until_ns: int) -> None:
        """Until a moment, or until a port wants something."""
        left = min(until_ns - now_ns(), 50_000_000)
        if left <= 0:
            return
        reads: list[int] = []
        writes: list[int] = []
        for lane in self._lanes.values():
            more_reads, more_writes = lane.port.waits_on()
            reads += more_reads
            writes += more_writes
        if not reads and not writes:
            time.sleep(left * 1e-9)
            return
        ready, _, _ = select.select(reads, writes, [], left * 1e-9)
        if ready:
            for lane in self._lanes.values():
                lane.port.poll()

"""A recording whose time is simulated: devices and clock carry it, however long it takes.

Everything else is the recording that rides on a car: drivers, rings, keeper, journal, filer, seal.
What would come over wires is handed in by a source, to links in memory; a simulated second is a
second of every clock that is asked.
"""

from __future__ import annotations

import random
import threading
import time
from collections import deque
from dataclasses import dataclass, field, replace
from typing import TYPE_CHECKING, Final, Protocol

from drivers.links.memory_link import MemoryPort
from recorder.acquisition.process.recording import record
from recorder.acquisition.process.running import StopWish
from recorder.acquisition.process.simulated_desk import Crew, Desk
from recorder.keeping.journal_connection import Connect, open_connection
from recorder.machine.clocks import SimulatedTimepiece, now_ns

if TYPE_CHECKING:
    from collections.abc import Mapping, Sequence

    from drivers.links.memory_link import MemoryLink
    from recorder.acquisition.devices.device_thread import DeviceThread
    from recorder.acquisition.field.field_checks import FieldChecks
    from recorder.acquisition.preparation.settings import Outcome, RecordingSettings
    from recorder.acquisition.process.reports import RecordingReport, Reporter
    from recorder.acquisition.safekeeping.keeper import Keeper
    from recorder.acquisition.safekeeping.mark_register import MarkRegister
    from recorder.run.parts.header import RunHeader

__all__ = [
    "ORIGIN_NS", "PORT", "Crew", "Desk", "Emitted", "Outage", "SimulatedPace", "Source",
    "record_simulated",
]  # fmt: skip

ORIGIN_NS: Final = SimulatedTimepiece.ORIGIN_NS
"""Monotonic instant of simulated time 0."""
PORT: Final = "simulated://"
"""Before a device's name: the port its car sheet states."""
READ_S: Final = 0.5
"""Simulated seconds between two reads of a device."""
KEEP_S: Final = 10.0
"""And between two commits of the journal: rings hold half a minute."""
KEEP_PATIENCE_S: Final = 60.0
"""Seconds of the computer that commits which fail one after the other are tried for; then the day
goes on, with one try at each."""
KEEP_AGAIN_S: Final = 0.05
LOOK_S: Final = 1.0
"""A device from which nothing comes is read as often, so that its silence is noticed."""
LATENCY_S: Final = (0.001, 0.003)
"""From the instant that bytes are due to that at which they are in hand (our choice)."""
FASTEST: Final = 1000.0
"""What clients are told of a run that nothing paces."""


class Emitted(Protocol):
    """One frame or sentence."""

    @property
    def due_s(self) -> float:
        """Simulated time at which it is sent."""
        ...

    @property
    def data(self) -> bytes: ...


class Source(Protocol):
    """What the devices send, stretch by stretch."""

    def advance(self) -> Mapping[str, Sequence[Emitted]] | None:
        """The next stretch, by device, in order of due time; None: there is no more."""
        ...

    @property
    def t_s(self) -> float:
        """Simulated time up to which everything has been given out."""
        ...


@dataclass(frozen=True, slots=True)
class Outage:
    """A device whose plug is drawn for a while; simulated seconds."""

    device: str
    from_s: float
    to_s: float


@dataclass(slots=True)
class _Lane:
    """One device on its way from the source to its driver."""

    port: MemoryPort
    queue: deque[Emitted] = field(default_factory=deque)
    thread: DeviceThread | None = None
    one_by_one: bool = False
    """Its times are those of receipt: every sentence is read by itself."""
    again_s: float = 0.0
    """When to read though nothing came."""


class SimulatedPace:
    """A :class:`~recorder.acquisition.process.pace.Pace` in which time passes as it is worked out.

    Parameters
    ----------
    source
        What the devices send.
    utc0_ns
        UTC at simulated time 0.
    crew
        Keys marks; None: nobody does.
    outages
        Plugs drawn and put back.
    speed
        At most so many simulated seconds in a second of the computer; None: as it goes.
    seed
        Of the latencies of receipt.
    """

    simulated = True
    set_up_s = 0.0
    tick_s = READ_S

    def __init__(
        self,
        source: Source,
        *,
        utc0_ns: int,
        crew: Crew | None = None,
        outages: Sequence[Outage] = (),
        speed: float | None = None,
        seed: int = 0,
    ) -> None:
        self.timepiece = SimulatedTimepiece(utc0_ns)
        self._source = source
        self._crew = crew
        self._speed = speed
        self._seed = seed
        self._chance = random.Random(seed)
        self._lanes: dict[str, _Lane] = {}
        self._switches = deque(
            sorted(
                [(o.from_s, o.device, False) for o in outages]
                + [(o.to_s, o.device, True) for o in outages]
            )
        )
        self._exhausted = False
        self._keeper: Keeper | None = None
        self._kept_s = 0.0
        self._desk: Desk | None = None
        self._began_ns = now_ns()
        self._owner = threading.get_ident()
        self._shown: RunHeader | None = None
        self._start_s = 0.0

    # ------------------------------------------------------------------ as a pace

    def opener(
        self, port: str, *, baud_bd: int, read_timeout_s: float, device_id: str
    ) -> MemoryLink:
        """Open a device's port in memory."""
        del baud_bd, read_timeout_s
        return self._lane(device_id, port).port.open(device_id)

    @property
    def over(self) -> str:
        """The source has no more, and all it gave has been read."""
        left = any(lane.queue for lane in self._lanes.values())
        return "nothing more is simulated" if self._exhausted and not left else ""

    def shown(self, header: RunHeader) -> RunHeader:
        """Clients go by the computer's clock: to them the run goes as fast as it is paced."""
        self._began_ns = now_ns()
        speed = self._speed or FASTEST
        self._start_s = (header.started_monotonic_ns - ORIGIN_NS) / 1e9
        begin = self._began_ns + round(self._start_s / speed * 1e9)
        self._shown = replace(header, started_monotonic_ns=begin, simulated_speed=speed)
        for device in header.devices:
            self._lane(device.name, device.port).one_by_one = device.host_clock
        return self._shown

    def begin(
        self,
        threads: Sequence[DeviceThread],
        keeper: Keeper,
        marks: MarkRegister,
        checks: FieldChecks,
    ) -> None:
        """From now on time may pass."""
        self._owner = threading.get_ident()
        self._keeper = keeper
        if self._shown is not None:
            clock = self._shown.clock
            self._desk = Desk(marks, checks, clock, self._start_s, random.Random(self._seed))
        for thread in threads:
            self._lanes[thread.name].thread = thread
            thread.begin()

    def pass_time(self, seconds: float) -> None:
        """What is due meanwhile comes in, and is kept now and then; the crew keys."""
        until_s = self.timepiece.t_s + seconds
        while self._switches and self._switches[0][0] <= until_s:
            at_s, device, back = self._switches.popleft()
            self._read_up_to(at_s)
            self._switch(self._lanes[device], back=back)
        self._read_up_to(until_s)
        if self._crew is not None and self._desk is not None:
            self._crew.look(self.timepiece.t_s, self._desk)
            self._desk.look(self.timepiece.t_s)
        if self._keeper is not None and self.timepiece.t_s - self._kept_s >= KEEP_S:
            self._kept_s = self.timepiece.t_s
            _keep(self._keeper)
        self._hold_back()

    def wait_for(self, done: threading.Event, seconds: float) -> object:
        """Until it is set, so many simulated seconds at most; a client's thread just waits."""
        if threading.get_ident() != self._owner:
            return done.wait(seconds)
        until_s = self.timepiece.t_s + seconds
        while not done.is_set() and (left_s := until_s - self.timepiece.t_s) > 0.0:
            self.pass_time(min(READ_S, left_s))
        return done.is_set()

    def end(self, threads: Sequence[DeviceThread]) -> dict[str, str]:
        """Take what has come; nothing hangs here."""
        for thread in threads:
            thread.end()
        return {}

    # ------------------------------------------------------------------ what comes in

    def _lane(self, device: str, port: str) -> _Lane:
        if device not in self._lanes:
            self._lanes[device] = _Lane(MemoryPort(port))
        return self._lanes[device]

    def _read_up_to(self, until_s: float) -> None:
        """Everything due by then, in the order in which it is in hand."""
        self._draw(until_s)
        reads: list[tuple[float, int, _Lane, list[bytes]]] = []
        for lane in self._lanes.values():
            batch: list[bytes] = []
            due_s = 0.0
            while lane.queue and lane.queue[0].due_s <= until_s:
                emitted = lane.queue.popleft()
                due_s = emitted.due_s
                batch.append(emitted.data)
                if lane.one_by_one:
                    reads.append((self._in_hand_s(due_s), len(reads), lane, batch))
                    batch = []
            if batch:
                reads.append((self._in_hand_s(due_s), len(reads), lane, batch))
        for in_hand_s, _, lane, batch in sorted(reads, key=lambda read: read[:2]):
            self.timepiece.move_to(in_hand_s)
            lane.port.put(b"".join(batch))
            self._read(lane)
        self.timepiece.move_to(until_s)
        for lane in self._lanes.values():
            if self.timepiece.t_s >= lane.again_s:
                self._read(lane)

    def _draw(self, until_s: float) -> None:
        while self._source.t_s < until_s and not self._exhausted:
            stretch = self._source.advance()
            if stretch is None:
                self._exhausted = True
                return
            for device, emitted in stretch.items():
                if device in self._lanes:
                    self._lanes[device].queue.extend(emitted)

    def _in_hand_s(self, due_s: float) -> float:
        return due_s + self._chance.uniform(*LATENCY_S)

    def _read(self, lane: _Lane) -> None:
        if lane.thread is None:
            return
        now_s = self.timepiece.t_s
        if lane.thread.is_lost and now_s < lane.again_s:
            lane.port.clear()  # a closed port keeps nothing
            return
        while True:
            wait_s = lane.thread.step()
            lane.again_s = now_s + (wait_s or LOOK_S)
            if wait_s or not lane.port.waiting:
                return

    def _switch(self, lane: _Lane, *, back: bool) -> None:
        if back:
            lane.port.replug()
        else:
            lane.port.unplug()
            self._read(lane)

    def _hold_back(self) -> None:
        """Not faster than was asked for, that a window beside it can be followed."""
        if self._speed is None:
            return
        ahead_s = self.timepiece.t_s / self._speed - (now_ns() - self._began_ns) / 1e9
        if ahead_s > 0.0:
            time.sleep(ahead_s)


def record_simulated(
    settings: RecordingSettings,
    source: Source,
    *,
    utc0_ns: int,
    crew: Crew | None = None,
    outages: Sequence[Outage] = (),
    speed: float | None = None,
    seed: int = 0,
    report: Reporter | None = None,
    stop: StopWish | None = None,
    connect: Connect = open_connection,
) -> Outcome:
    """Record a simulated day in this thread, by the recording of every day; see
    :class:`SimulatedPace`.

    Raises
    ------
    RecordingError, SheetError, OSError
        It could not begin; nothing is left behind.
    """
    pace = SimulatedPace(
        source, utc0_ns=utc0_ns, crew=crew, outages=outages, speed=speed, seed=seed
    )
    return record(settings, report or _unheard, stop or StopWish(), pace, connect=connect)


def _keep(keeper: Keeper) -> None:
    """Simulated time stands still while a commit that fails is tried again."""
    while not keeper.keep() and keeper.tries_again:
        stall = keeper.stall()
        if stall is None or stall.lasted_s > KEEP_PATIENCE_S:
            return
        time.sleep(KEEP_AGAIN_S)


def _unheard(_report: RecordingReport) -> None:
    """Nobody listens."""

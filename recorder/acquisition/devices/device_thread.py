"""One device read into its ring: by a thread of its own, or step by step in simulated time."""

from __future__ import annotations

import threading
import traceback
from collections.abc import Callable
from typing import TYPE_CHECKING, Any, Final, Protocol

from drivers.interface.errors import DriverError
from recorder.run.parts.event import Event, EventKind
from recorder.run.parts.states import DeviceState, LinkState

if TYPE_CHECKING:
    import numpy as np
    from numpy.typing import NDArray

    from drivers.interface.driver_interface import Backlog, Batch, DeviceDriver
    from recorder.acquisition.devices.device_stream import DeviceStream
    from recorder.acquisition.ring.ring import RingWriter
    from recorder.machine.clocks import RunClock
    from recorder.run.parts.block import Block
    from recorder.run.parts.gap import Gap

__all__ = ["DeviceThread", "Tap"]

FIRST_WAIT_S: Final = 0.1
"""Before a lost port is opened again; a converter needs this long to let go of its reader."""
LONGEST_WAIT_S: Final = 2.0
"""A plug put back is noticed within so long, and an open that fails costs next to nothing."""


class Tap(Protocol):
    """Looks at a device's records as they pass, in the device's thread."""

    def see(self, records: NDArray[np.void], time_s: NDArray[np.float64]) -> None: ...


class DeviceThread:
    """Reads one device into its ring until asked to stop: reopens what was lost, never dies unseen.

    Its thread does :meth:`begin`, :meth:`step` again and again, and :meth:`end`; where time is
    simulated nobody starts it, and whoever lets the time pass calls these.

    Parameters
    ----------
    driver
        Opened; from now on only this thread reads and closes it.
    reopen
        Opens the device again, given the closed driver.
    notify
        Takes gaps and events; called from this thread, before the records they concern are in
        the ring.
    warn
        Takes what the crew must know, in words.
    clock
        Run time, of the computer's monotonic clock.
    wait_for
        Waits until something is set, so many seconds of run time at most.
    """

    def __init__(
        self,
        name: str,
        driver: DeviceDriver,
        *,
        reopen: Callable[[DeviceDriver], DeviceDriver],
        stream: DeviceStream,
        ring: RingWriter,
        notify: Callable[[Event | Gap], None],
        warn: Callable[[str], None],
        clock: RunClock,
        wait_for: Callable[[threading.Event, float], object] = threading.Event.wait,
    ) -> None:
        self.name = name
        self.stream = stream
        self.ring = ring
        self.state = DeviceState.RUNNING
        """Running or lost: whether it is quiet is for others to judge."""
        self.last_received_s: float | None = None
        self.opened = 1
        """How often the port has been opened."""
        self._driver: DeviceDriver | None = driver
        self._closed = driver
        self._reopen = reopen
        self._notify = notify
        self._warn = warn
        self._clock = clock
        self.wait_for = wait_for
        self._wait_s = FIRST_WAIT_S
        self._stop = threading.Event()
        self._taking = threading.Lock()
        self._given_up = False
        self._taps: list[Tap] = []
        self._taps_guard = threading.Lock()
        self._thread = threading.Thread(target=self._run, name=f"device {name}", daemon=True)

    def start(self) -> None:
        """Begin to read."""
        self._thread.start()

    def stop(self) -> None:
        """Ask it to end; see :meth:`join`."""
        self._stop.set()

    def join(self, timeout_s: float) -> bool:
        """Wait for the end; False when it did not come."""
        self._thread.join(timeout_s)
        return not self._thread.is_alive()

    def give_up(self) -> None:
        """It hangs: whatever its read may still bring is no longer of the run."""
        with self._taking:
            self._given_up = True

    def add_tap(self, tap: Tap) -> None:
        """Show the records to somebody, from the next ones on."""
        with self._taps_guard:
            self._taps.append(tap)

    def remove_tap(self, tap: Tap) -> None:
        """No more; a tap that is not there is no error."""
        with self._taps_guard:
            if tap in self._taps:
                self._taps.remove(tap)

    @property
    def is_lost(self) -> bool:
        """Whether its link is gone, and is to be opened again."""
        return self._driver is None

    def now_s(self) -> float:
        """Run time, now."""
        return self._clock.now_s()

    # ------------------------------------------------------------------ the thread

    def _run(self) -> None:
        self.begin()
        try:
            while not self._stop.is_set():
                if wait_s := self.step():
                    self._stop.wait(wait_s)
            self.end()
        finally:
            self._close()

    def begin(self) -> None:
        """From now on records can come."""
        self.stream.listen(self.now_s())

    def step(self) -> float:
        """One read; for how many seconds there is no use in another: above 0 without a link."""
        if self._unless_it_fails(self._read):
            self._wait_s = FIRST_WAIT_S
        if self._driver is not None:
            return 0.0
        wait_s, self._wait_s = self._wait_s, min(2 * self._wait_s, LONGEST_WAIT_S)
        return wait_s

    def end(self) -> None:
        """Take what had come, and close."""
        if not self._unless_it_fails(self._drain):
            # The port went at the very end: closed, the driver gives what it had in hand.
            self._unless_it_fails(self._drain)
        self._close()

    def _unless_it_fails(self, step: Callable[[], bool]) -> bool:
        """What a step answers; False when the link is gone, or the driver has failed."""
        try:
            return step()
        except DriverError as lost:
            self._lose(lost.message)
        except Exception as bug:  # noqa: BLE001 - a fault of ours is a gap, not the end
            self._lose(f"the driver failed, {self._tell_bug(bug)}")
        return False

    def _tell_bug(self, bug: Exception) -> str:
        """Keep it with the run with its trace; what it is, in words."""
        words = f"{type(bug).__name__}: {bug}"
        self._report(EventKind.BUG, error=words, trace=traceback.format_exc(limit=-6))
        return words

    def _read(self) -> bool:
        """One read, of a port opened again if need be; True when records came."""
        if self._driver is None:
            self._driver = self._reopen(self._closed)
            self.opened += 1
            self.state = DeviceState.RUNNING
            self._tell_link(LinkState.BACK)
        batch = self._driver.read()
        if batch.backlog is not None:
            self._tell_backlog(batch.backlog)
        return self._take(batch)

    def _take(self, batch: Batch) -> bool:
        """Into the ring with it; True when records came."""
        received_s = self._clock.run_s(batch.received_ns)
        if not len(batch.records) and not batch.faults and not batch.partial_bytes:
            return False
        with self._taking:
            if self._given_up:
                return False
            gaps, blocks, before = self.stream.take(batch, received_s)
            for gap in gaps:
                self._notify(gap)
            for block in blocks:
                self.ring.write(block)
        if len(batch.records):
            self.last_received_s = received_s
            self._show(before + blocks)
        return len(batch.records) > 0

    def _drain(self) -> bool:
        """What had come before the stop is of the run; what is half a frame is told in bytes."""
        driver = self._closed if self._driver is None else self._driver
        rest = driver.drain()
        for batch in rest.batches:
            self._take(batch)
        self.stream.cut_bytes = rest.cut_bytes
        return True

    def _tell_backlog(self, backlog: Backlog) -> None:
        data = {"lasted_s": round(backlog.lasted_s, 1), "most_bytes": backlog.most_bytes}
        if backlog.over:
            self._tell_link(LinkState.KEEPS_UP_AGAIN, **data)
            return
        self._tell_link(LinkState.CANNOT_KEEP_UP, **data)
        self._warn(
            f"{self.name}: bytes come faster than they are read, {backlog.most_bytes} wait at"
            " the port; what is shown is late, and what its buffer cannot hold will be lost"
        )

    def _show(self, blocks: list[Block]) -> None:
        with self._taps_guard:
            taps = list(self._taps)
        for tap in taps:
            try:
                for block in blocks:
                    tap.see(block.records, block.time_s())
            except Exception as bug:  # noqa: BLE001 - who only looks on costs no record
                self.remove_tap(tap)
                words = f"{self.name}: internal error in a watch, {self._tell_bug(bug)}"
                self._warn(f"{words}; recording goes on without it")

    def _lose(self, why: str) -> None:
        had = self._driver is not None
        if had:
            self._close()
            self.state = DeviceState.LOST
        with self._taking:
            if not self._given_up:
                self.stream.lost(why, self.now_s())
        if had:
            self._tell_link(LinkState.LOST, why=why)

    def _close(self) -> None:
        driver, self._driver = self._driver, None
        if driver is None:
            return
        self._closed = driver
        try:
            driver.close()
        except (DriverError, OSError) as error:
            self._tell_link(LinkState.CLOSING_FAILED, why=str(error))
        except Exception as bug:  # noqa: BLE001 - told; what was lost must be told, too
            self._tell_link(LinkState.CLOSING_FAILED, why=f"{type(bug).__name__}: {bug}")

    def _tell_link(self, state: LinkState, **data: Any) -> None:  # noqa: ANN401 - as below
        self._report(EventKind.LINK, state=str(state), **data)

    def _report(self, kind: EventKind, **data: Any) -> None:  # noqa: ANN401 - plain JSON values
        self._notify(Event(kind=kind, t_s=self.now_s(), data={"device": self.name, **data}))

"""Ports a recorder can open: loopback TCP everywhere, pseudo-terminals on Linux and macOS.

A port never blocks. What a reader does not take is held up to a bound, like a device's own
buffer; beyond it whole frames are dropped and counted. Nothing is sent while nobody has opened
the port: a device does not wait for its listener.
"""

from __future__ import annotations

import contextlib
import os
import select
import socket
import sys
from dataclasses import dataclass
from pathlib import Path
from typing import TYPE_CHECKING, Final, Protocol

from recorder.machine.clocks import now_ns
from simulated_feeds.settings.errors import FeedError

if TYPE_CHECKING:
    from collections.abc import Sequence

__all__ = ["Port", "PortStats", "PtyPort", "TcpPort", "open_ports"]

BOUND_BYTES: Final = 64 * 1024
_SETTLE_NS: Final = 60_000_000
"""After a pseudo-terminal is opened its reader needs a moment to set it up."""


@dataclass(slots=True)
class PortStats:
    """What has become of the frames of one port."""

    sent: int = 0
    sent_bytes: int = 0
    dropped: int = 0
    """Held up by a slow reader until the bound."""
    unheard: int = 0
    """Due while nobody had the port open."""
    opened: int = 0
    """Times the port was opened by a reader."""


class Port(Protocol):
    """One port."""

    name: str
    stats: PortStats

    @property
    def address(self) -> str:
        """What a car sheet says: ``tcp://…`` or a path."""
        ...

    @property
    def open(self) -> bool:
        """A reader has it open."""
        ...

    @property
    def pending(self) -> int:
        """Bytes held for a slow reader."""
        ...

    @property
    def drained(self) -> bool:
        """The reader has all of it: closing now loses nothing."""
        ...

    def poll(self) -> None:
        """See who comes and goes; send what is held."""
        ...

    def send(self, frames: Sequence[bytes], *, keep_all: bool = False) -> None:
        """Send whole frames, or drop them; ``keep_all`` holds them beyond any bound."""
        ...

    def waits_on(self) -> tuple[list[int], list[int]]:
        """Descriptors whose reading, and whose writing, is worth waking up for."""
        ...

    def unplug(self) -> None: ...
    def replug(self) -> None: ...
    def close(self) -> None: ...


class _WaitingBytes:
    """Bytes that wait, bounded; frames are kept whole."""

    def __init__(self) -> None:
        self.data = bytearray()

    def take(self, frames: Sequence[bytes], stats: PortStats, *, keep_all: bool) -> None:
        for frame in frames:
            if not keep_all and self.data and len(self.data) + len(frame) > BOUND_BYTES:
                stats.dropped += 1
                continue
            self.data += frame
            stats.sent += 1
            stats.sent_bytes += len(frame)


class TcpPort:
    """A listener on 127.0.0.1 with one reader at a time; a second one is turned away."""

    def __init__(self, name: str, number: int = 0) -> None:
        self.name = name
        self.stats = PortStats()
        self._number = number
        self._listener: socket.socket | None = None
        self._reader: socket.socket | None = None
        self._held = _WaitingBytes()
        self.replug()

    @property
    def address(self) -> str:
        return f"tcp://127.0.0.1:{self._number}"

    @property
    def open(self) -> bool:
        return self._reader is not None

    @property
    def pending(self) -> int:
        return len(self._held.data)

    @property
    def drained(self) -> bool:
        return not self._held.data  # the system delivers what it has taken, also after a close

    def replug(self) -> None:
        """Listen, on the same number as before."""
        if self._listener is not None:
            return
        listener = socket.socket(socket.AF_INET, socket.SOCK_STREAM)
        try:
            if sys.platform != "win32":
                listener.setsockopt(socket.SOL_SOCKET, socket.SO_REUSEADDR, 1)
            listener.bind(("127.0.0.1", self._number))
            listener.listen(4)
            listener.settimeout(0.0)
        except OSError as error:
            listener.close()
            msg = f"{self.name}: cannot listen on 127.0.0.1:{self._number} ({error.strerror})"
            raise FeedError(msg) from error
        self._listener = listener
        self._number = listener.getsockname()[1]

    def unplug(self) -> None:
        """Hang up on the reader and stop listening."""
        self._hang_up()
        if self._listener is not None:
            self._listener.close()
            self._listener = None

    def close(self) -> None:
        self.unplug()

    def _hang_up(self) -> None:
        if self._reader is not None:
            self._reader.close()
            self._reader = None
        self._held.data.clear()

    def poll(self) -> None:
        self._accept()
        if self._reader is None:
            return
        try:
            while (word := self._reader.recv(4096)) != b"":
                del word  # a device that takes no orders
            self._hang_up()
        except BlockingIOError:
            self._push()
        except OSError:
            self._hang_up()

    def _accept(self) -> None:
        while self._listener is not None:
            try:
                reader, _ = self._listener.accept()
            except BlockingIOError:
                return
            except OSError:
                return  # it was gone before it was let in
            if self._reader is not None:
                reader.close()
                continue
            reader.settimeout(0.0)
            reader.setsockopt(socket.IPPROTO_TCP, socket.TCP_NODELAY, 1)
            reader.setsockopt(socket.SOL_SOCKET, socket.SO_SNDBUF, 4 * BOUND_BYTES)
            self._reader = reader
            self.stats.opened += 1

    def send(self, frames: Sequence[bytes], *, keep_all: bool = False) -> None:
        if self._reader is None:
            self.stats.unheard += len(frames)
            return
        self._held.take(frames, self.stats, keep_all=keep_all)
        self._push()

    def _push(self) -> None:
        held = self._held.data
        try:
            while held and self._reader is not None:
                del held[: self._reader.send(held)]
        except BlockingIOError:
            return
        except OSError:
            self._hang_up()

    def waits_on(self) -> tuple[list[int], list[int]]:
        reads = [s.fileno() for s in (self._listener, self._reader) if s is not None]
        writes = [self._reader.fileno()] if self._reader is not None and self._held.data else []
        return reads, writes


class PtyPort:
    """A pseudo-terminal behind a link of fixed name, as ``/dev/serial/by-id`` gives one."""

    def __init__(self, name: str, folder: Path) -> None:
        if sys.platform == "win32":
            msg = "pseudo-terminals are not to be had on this system; use TCP"
            raise FeedError(msg)
        self.name = name
        self.stats = PortStats()
        self._link = folder / name
        self._master: int | None = None
        self._keeper: int | None = None
        self._opened_ns: int | None = None
        self._held = _WaitingBytes()
        self.replug()

    @property
    def address(self) -> str:
        return str(self._link.absolute())

    @property
    def open(self) -> bool:
        return self._opened_ns is not None and now_ns() > self._opened_ns

    @property
    def pending(self) -> int:
        return len(self._held.data)

    @property
    def drained(self) -> bool:
        # What its reader has not read yet would go down with the pseudo-terminal.
        return not self._held.data and (not self.open or self._unread() == 0)

    def _unread(self) -> int:
        """Bytes waiting on the reader's side."""
        if sys.platform == "win32":
            return 0
        # Not there on Windows.
        import fcntl
        import termios

        try:
            device = os.open(self._link, os.O_RDWR | os.O_NOCTTY | os.O_NONBLOCK)
        except OSError:
            return 0
        try:
            answer = fcntl.ioctl(device, termios.FIONREAD, bytes(4))
        except OSError:
            return 0
        finally:
            os.close(device)
        return int.from_bytes(answer, sys.byteorder)

    def replug(self) -> None:
        """Make a new pseudo-terminal and point the link at it."""
        if self._master is not None or sys.platform == "win32":
            return
        import tty  # not there on Windows

        master, device = os.openpty()
        try:
            tty.setraw(device)
            os.set_blocking(master, False)
            fresh = self._link.with_name(f".{self._link.name}.new")
            fresh.unlink(missing_ok=True)
            fresh.symlink_to(os.ttyname(device))
            fresh.replace(self._link)
        except OSError:
            os.close(master)
            os.close(device)
            raise
        self._master = master
        if sys.platform == "linux":
            # With no opener left the master reports a hang-up: so a reader can be seen coming.
            os.close(device)
        else:
            self._keeper = device
            self._opened_ns = now_ns()
            self.stats.opened += 1

    def unplug(self) -> None:
        """The device is gone: a reader meets an error."""
        for descriptor in (self._master, self._keeper):
            if descriptor is not None:
                os.close(descriptor)
        self._master = self._keeper = self._opened_ns = None
        self._held.data.clear()
        self._link.unlink(missing_ok=True)

    def close(self) -> None:
        self.unplug()

    def poll(self) -> None:
        if self._master is None:
            return
        if sys.platform == "linux":
            self._see_reader(self._master)
        if self._opened_ns is None:
            return
        with contextlib.suppress(OSError):
            while os.read(self._master, 4096):
                pass  # a device that takes no orders
        self._push()

    def _see_reader(self, master: int) -> None:
        poller = select.poll()
        poller.register(master, select.POLLIN)
        hung_up = any(event & select.POLLHUP for _, event in poller.poll(0))
        if hung_up:
            self._opened_ns = None
            self._held.data.clear()
        elif self._opened_ns is None:
            self._opened_ns = now_ns() + _SETTLE_NS
            self.stats.opened += 1

    def send(self, frames: Sequence[bytes], *, keep_all: bool = False) -> None:
        if not self.open or self._master is None:
            self.stats.unheard += len(frames)
            return
        self._held.take(frames, self.stats, keep_all=keep_all)
        self._push()

    def _push(self) -> None:
        held = self._held.data
        try:
            while held and self._master is not None:
                del held[: os.write(self._master, held)]
        except BlockingIOError:
            return
        except OSError:
            held.clear()

    def waits_on(self) -> tuple[list[int], list[int]]:
        # A hung-up master is always ready to read: waiting on it would spin.
        writes = [self._master] if self._master is not None and self._held.data else []
        return [], writes


def open_ports(names: Sequence[str], transport: str, folder: Path) -> list[Port]:
    """Open a port for each device; all or none.

    Raises
    ------
    FeedError
        The transport is neither ``tcp`` nor ``pty``, or is not to be had here.
    """
    if transport not in ("tcp", "pty"):
        msg = f"transport must be tcp or pty, got {transport!r}"
        raise FeedError(msg)
    ports: list[Port] = []
    try:
        if transport == "pty":
            folder.mkdir(parents=True, exist_ok=True)
        for name in names:
            # One by one, so that those already open are closed when the next fails.
            port: Port = PtyPort(name, folder) if transport == "pty" else TcpPort(name)
            ports.append(port)
    except BaseException:
        for port in ports:
            port.close()
        raise
    return ports

"""One small link interface over serial ports, pseudo-terminals and TCP.

A link only listens: nothing is ever sent to a device. It reads what is waiting and never waits
longer than one short timeout; it knows nothing of frames.
Every foreign exception is translated here, from the named list :data:`PORT_ERRORS`.
"""

from __future__ import annotations

import re
import socket
import sys
from typing import TYPE_CHECKING, Final, Protocol
from urllib.parse import urlsplit

import serial

from drivers.interface.errors import LinkLostError, SetupError
from drivers.links.serial_line import (
    PORT_ERRORS,
    LineCounters,
    clear_hangup_on_close,
    line_counters,
    refuse_second_opener,
    release_port,
    why_not_opened,
)

if sys.platform == "win32":
    import select
else:
    import array
    import fcntl
    import termios

if TYPE_CHECKING:
    from typing import Self

__all__ = [
    "PORT_FORMS",
    "Link",
    "LinkOpener",
    "SerialLink",
    "TcpLink",
    "open_link",
]

PORT_FORMS: Final = (
    "/dev/serial/by-id/… or any device path (Linux, macOS)",
    "COM3 (Windows)",
    "tcp://host:port",
)
_CONNECT_TIMEOUT_S: Final = 3.0
"""A second try for a lost first packet comes after 1 s (RFC 6298); a device on the train's own
network that needs more than two of them is not there."""
_HANGS_UP_WITHIN_S: Final = 0.2
"""Ten times what a converter on the same network takes to refuse; each opening waits it once."""
_RECEIVE_BUFFER_BYTES: Final = 1 << 20
"""Seconds of the fastest front end, while this process is held up."""
_SERIAL_FULL_BYTES: Final = 4095 if sys.platform == "linux" else 1020
"""Linux holds a terminal's bytes in a page, less one (``N_TTY_BUF_SIZE``); the others in no less
than a kilobyte (from memory)."""
_TCP_FULL_BYTES: Final = 1 << 16
"""Less than any system lets wait on a connection that asked for a megabyte (from memory)."""


class Link(Protocol):
    """An open port. One thread reads and closes it."""

    port: str
    full_bytes: int
    """With so many bytes waiting, the port's buffer is full."""

    def waiting(self) -> int:
        """Bytes that have come and are not read yet; 0 of a closed port.

        Raises
        ------
        LinkLostError
            The port is gone.
        """
        ...

    def read(self, max_bytes: int) -> bytes:
        """Read what waits; ``b""`` after one read timeout without a byte.

        Raises
        ------
        LinkLostError
            The port is gone.
        """
        ...

    def counters(self) -> LineCounters | None:
        """Give the port's own error counters, where it keeps them."""
        ...

    def close(self) -> None:
        """Close; may be called twice."""
        ...


class LinkOpener(Protocol):
    """Opens a port by its form, as :func:`open_link` does."""

    def __call__(
        self, port: str, *, baud_bd: int, read_timeout_s: float, device_id: str
    ) -> Link: ...


def open_link(
    port: str, *, baud_bd: int = 115_200, read_timeout_s: float = 0.05, device_id: str
) -> Link:
    """Open a port by its form.

    Parameters
    ----------
    port : str
        ``/dev/…`` (any absolute path), ``COM3`` or ``tcp://host:port``.
    baud_bd : int, bits per second
    read_timeout_s : float, s
    device_id : str
        Begins every error.

    Raises
    ------
    SetupError
        The port form is not understood, or the line speed is not possible.
    LinkLostError
        The port is missing, in use, not permitted, or nothing answers.
    """
    if port.startswith("tcp://"):
        return TcpLink.open(port, read_timeout_s=read_timeout_s, device_id=device_id)
    if port.startswith("/") or re.fullmatch(r"(\\\\\.\\)?COM\d+", port, re.IGNORECASE):
        return SerialLink.open(
            port, baud_bd=baud_bd, read_timeout_s=read_timeout_s, device_id=device_id
        )
    msg = f"port {port!r} is not understood; allowed: {'; '.join(PORT_FORMS)}"
    raise SetupError(device_id, msg)


class SerialLink:
    """A serial port or pseudo-terminal."""

    full_bytes = _SERIAL_FULL_BYTES

    def __init__(self, handle: serial.Serial, *, port: str, device_id: str) -> None:
        self.port = port
        self.device_id = device_id
        self._handle: serial.Serial | None = handle

    @classmethod
    def open(cls, port: str, *, baud_bd: int, read_timeout_s: float, device_id: str) -> Self:
        """Open exclusively, without pulsing the modem lines that reset some boards."""
        handle = serial.Serial()
        handle.port = port
        handle.timeout = read_timeout_s
        handle.exclusive = True
        # Set before opening, so that a board wired to reset on DTR is left alone.
        handle.dtr = False
        handle.rts = False
        try:
            handle.baudrate = baud_bd
            handle.open()
        except ValueError as error:
            msg = f"{port} cannot run at {baud_bd} Bd ({error})"
            raise SetupError(device_id, msg) from error
        except PORT_ERRORS as error:
            raise LinkLostError(device_id, why_not_opened(port, baud_bd, error)) from error
        link = cls(handle, port=port, device_id=device_id)
        clear_hangup_on_close(handle)
        refuse_second_opener(handle, port)
        link._ask_low_latency()
        return link

    def _ask_low_latency(self) -> None:
        # Some adapters hold bytes for 16 ms; a port that cannot be asked still works.
        ask = getattr(self._open_handle(), "set_low_latency_mode", None)
        if ask is None:
            return
        try:
            ask(low_latency_settings=True)
        except PORT_ERRORS:
            return
        except (ValueError, NotImplementedError):
            return

    def _open_handle(self) -> serial.Serial:
        if self._handle is None:
            raise LinkLostError(self.device_id, f"{self.port} is closed")
        return self._handle

    def waiting(self) -> int:
        """Bytes that have come and are not read yet; 0 of a closed port."""
        if self._handle is None:
            return 0
        try:
            return int(self._handle.in_waiting)
        except PORT_ERRORS as error:
            raise self._lost(error) from error

    def read(self, max_bytes: int) -> bytes:
        """Read what waits, at most ``max_bytes``; ``b""`` after one timeout."""
        handle = self._open_handle()
        try:
            waiting = handle.in_waiting
            data = handle.read(min(max_bytes, max(1, waiting)))
            # Asking for max_bytes would wait out the timeout: the first byte, then the rest.
            if data and not waiting and (more := min(handle.in_waiting, max_bytes - len(data))):
                data += handle.read(more)
        except PORT_ERRORS as error:
            raise self._lost(error) from error
        return bytes(data)

    def counters(self) -> LineCounters | None:
        """Give overruns, framing and parity errors and breaks so far; None if not kept."""
        return None if self._handle is None else line_counters(self._handle)

    def close(self) -> None:
        """Close; may be called twice."""
        handle, self._handle = self._handle, None
        if handle is None:
            return
        release_port(handle)
        try:
            handle.close()
        except PORT_ERRORS as error:
            raise self._lost(error) from error

    def _lost(self, error: Exception) -> LinkLostError:
        why = _in_one_line(error)
        msg = f"lost {self.port}: unplugged, or another program reads it too ({why})"
        return LinkLostError(self.device_id, msg)


class TcpLink:
    """A TCP connection to a device or converter; we connect, it sends."""

    full_bytes = _TCP_FULL_BYTES

    def __init__(self, connection: socket.socket, *, port: str, device_id: str) -> None:
        self.port = port
        self.device_id = device_id
        self._socket: socket.socket | None = connection

    @classmethod
    def open(cls, port: str, *, read_timeout_s: float, device_id: str) -> Self:
        """Connect within three seconds, and see that the other end does not hang up at once."""
        host, number = _tcp_address(port, device_id)
        try:
            connection = socket.create_connection((host, number), timeout=_CONNECT_TIMEOUT_S)
        except OSError as error:
            msg = f"nothing answers at {port} ({_in_one_line(error)}); is the device on?"
            raise LinkLostError(device_id, msg) from error
        try:
            connection.setsockopt(socket.SOL_SOCKET, socket.SO_KEEPALIVE, 1)
            connection.setsockopt(socket.IPPROTO_TCP, socket.TCP_NODELAY, 1)
            connection.setsockopt(socket.SOL_SOCKET, socket.SO_RCVBUF, _RECEIVE_BUFFER_BYTES)
            refused = _hung_up_at_once(connection)
            connection.settimeout(read_timeout_s)
        except OSError as error:
            connection.close()
            raise LinkLostError(device_id, f"lost {port} ({_in_one_line(error)})") from error
        if refused:
            connection.close()
            msg = (
                f"{port} took the call and hung up at once; it may be in use by another"
                " program: close that first"
            )
            raise LinkLostError(device_id, msg)
        return cls(connection, port=port, device_id=device_id)

    def _open_socket(self) -> socket.socket:
        if self._socket is None:
            raise LinkLostError(self.device_id, f"{self.port} is closed")
        return self._socket

    def waiting(self) -> int:
        """Bytes that have come and are not read yet; 0 of a closed connection."""
        if self._socket is None:
            return 0
        try:
            return _waiting(self._socket)
        except OSError as error:
            msg = f"lost {self.port} ({_in_one_line(error)})"
            raise LinkLostError(self.device_id, msg) from error

    def read(self, max_bytes: int) -> bytes:
        """Read what waits, at most ``max_bytes``; ``b""`` after one timeout."""
        connection = self._open_socket()
        try:
            data = connection.recv(max_bytes)
        except TimeoutError:
            return b""
        except OSError as error:
            msg = f"lost {self.port} ({_in_one_line(error)})"
            raise LinkLostError(self.device_id, msg) from error
        if not data:
            raise LinkLostError(self.device_id, f"{self.port} was closed by the other end")
        return data

    def counters(self) -> None:
        """TCP keeps no line counters."""

    def close(self) -> None:
        """Close; may be called twice."""
        connection, self._socket = self._socket, None
        if connection is not None:
            connection.close()


def _waiting(connection: socket.socket) -> int:
    if sys.platform == "win32":
        ready, _, _ = select.select([connection], [], [], 0.0)
        return len(connection.recv(_RECEIVE_BUFFER_BYTES, socket.MSG_PEEK)) if ready else 0
    held = array.array("i", [0])
    fcntl.ioctl(connection, termios.FIONREAD, held)
    return held[0]


def _hung_up_at_once(connection: socket.socket) -> bool:
    """A device that serves one reader lets a second one in and hangs up; nothing is taken."""
    connection.settimeout(_HANGS_UP_WITHIN_S)
    try:
        return connection.recv(1, socket.MSG_PEEK) == b""
    except TimeoutError:
        return False


def _tcp_address(port: str, device_id: str) -> tuple[str, int]:
    try:
        parts = urlsplit(port)
        host, number = parts.hostname, parts.port
    except ValueError:
        host = number = None
    if not host or not number or parts.path not in ("", "/") or parts.query or parts.username:
        msg = (
            f"port {port!r} is not understood; write tcp://host:port, e.g. tcp://127.0.0.1:5001"
        )
        raise SetupError(device_id, msg)
    return host, number


def _in_one_line(error: BaseException) -> str:
    return " ".join(str(error).split()) or type(error).__name__

"""What only the operating system knows of a serial line: locks, hang-up, counters, causes.

Everything here is an extra: a port that does not support one of these still works.
"""

from __future__ import annotations

import errno
import os
import struct
import sys
from dataclasses import dataclass
from pathlib import Path
from typing import TYPE_CHECKING, Final

if TYPE_CHECKING:
    import serial

__all__ = [
    "PORT_ERRORS",
    "LineCounters",
    "clear_hangup_on_close",
    "group_of",
    "is_pseudo_terminal",
    "line_counters",
    "refuse_second_opener",
    "release_port",
    "why_not_opened",
]

if sys.platform == "win32":
    PORT_ERRORS: Final[tuple[type[Exception], ...]] = (OSError, TypeError)
else:
    import fcntl
    import termios

    # termios.error is no OSError; TypeError is what pyserial gives on a handle that was closed.
    PORT_ERRORS: Final[tuple[type[Exception], ...]] = (OSError, TypeError, termios.error)

_TIOCGICOUNT: Final = 0x545D


@dataclass(frozen=True, slots=True, kw_only=True)
class LineCounters:
    """What the port's driver has counted since it was loaded."""

    framing: int
    overrun: int
    parity: int
    breaks: int
    buffer_overrun: int

    def since(self, earlier: LineCounters) -> str:
        """What has grown, in words; empty when nothing has."""
        grown = {
            "framing errors": self.framing - earlier.framing,
            "overruns": self.overrun - earlier.overrun,
            "parity errors": self.parity - earlier.parity,
            "breaks": self.breaks - earlier.breaks,
            "buffer overruns": self.buffer_overrun - earlier.buffer_overrun,
        }
        return ", ".join(f"{number} {name}" for name, number in grown.items() if number > 0)


def is_pseudo_terminal(port: str) -> bool:
    """Whether a path is the device side of a pseudo-terminal."""
    real = os.path.realpath(port)
    return real.startswith(("/dev/pts/", "/dev/ttys"))


def refuse_second_opener(handle: serial.Serial, port: str) -> None:
    """Ask the kernel to refuse every later open, also by programs that take no lock.

    A pseudo-terminal keeps that refusal after its last close, even after a kill, for as long as
    its master lives; it is therefore left with the advisory lock alone.
    """
    if sys.platform == "win32" or is_pseudo_terminal(port):
        return
    try:
        fcntl.ioctl(handle.fileno(), termios.TIOCEXCL)
    except PORT_ERRORS:
        return  # the advisory lock still holds


def release_port(handle: serial.Serial) -> None:
    """Undo :func:`refuse_second_opener` before closing."""
    if sys.platform == "win32":
        return
    try:
        fcntl.ioctl(handle.fileno(), termios.TIOCNXCL)
    except PORT_ERRORS:
        return  # the port is gone, and its refusal with it


def clear_hangup_on_close(handle: serial.Serial) -> None:
    """Keep DTR as it is at close, so that closing does not reset a board."""
    if sys.platform == "win32":
        return
    try:
        attributes = termios.tcgetattr(handle.fileno())
        attributes[2] &= ~termios.HUPCL
        termios.tcsetattr(handle.fileno(), termios.TCSANOW, attributes)
    except PORT_ERRORS:
        return


def line_counters(handle: serial.Serial) -> LineCounters | None:
    """Read the port's error counters (Linux, real UARTs and most adapters)."""
    if sys.platform != "linux":
        return None
    try:
        raw = fcntl.ioctl(handle.fileno(), _TIOCGICOUNT, bytes(80))
    except PORT_ERRORS:
        return None
    _, _, _, _, _, _, framing, overrun, parity, breaks, buffer_overrun = struct.unpack_from(
        "11i", raw
    )
    return LineCounters(
        framing=framing,
        overrun=overrun,
        parity=parity,
        breaks=breaks,
        buffer_overrun=buffer_overrun,
    )


def group_of(port: str) -> str | None:
    """Name the group that may use a device file; None where there is no such thing."""
    try:
        return Path(port).group()
    except (OSError, KeyError, NotImplementedError):
        return None


def why_not_opened(port: str, baud_bd: int, error: Exception) -> str:
    """Why a port did not open and what to do."""
    number = getattr(error, "errno", None)
    text = " ".join(str(error).split())
    if number == errno.ENOENT or "FileNotFoundError" in text:
        return f"there is no port {port}; is it plugged in? `testcar ports` lists what is there"
    if number in (errno.EBUSY, errno.EAGAIN) or "PermissionError" in text:
        return f"{port} is in use by another program; close that first"
    if number in (errno.EACCES, errno.EPERM):
        group = group_of(port)
        cure = f"; join group {group!r} and log in again" if group else ""
        return f"no permission to use {port}{cure}"
    if number in (errno.ENXIO, errno.ENODEV, errno.EIO):
        return f"{port} has no device behind it ({text})"
    if "Could not configure port" in text or "Inappropriate ioctl" in text:
        return f"{port} is not a serial port ({text})"
    return f"could not open {port} at {baud_bd} Bd ({text})"

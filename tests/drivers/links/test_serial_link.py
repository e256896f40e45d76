"""Serial links over real pseudo-terminals; errors a person can act on."""

from __future__ import annotations

import errno
import os
import sys
from contextlib import closing
from pathlib import Path

import pytest
import serial

from drivers.interface.errors import DriverError, LinkLostError, SetupError
from drivers.links.serial_line import (
    PORT_ERRORS,
    LineCounters,
    is_pseudo_terminal,
    refuse_second_opener,
    release_port,
    why_not_opened,
)
from drivers.links.transport import open_link
from tests.drivers.links.ends import needs_pty, read_until

_REFUSED = ("refused",)


@needs_pty
def test_pty_gives_what_waits_at_once(terminal: tuple[int, str]) -> None:
    master, path = terminal
    with closing(open_link(path, device_id="front", read_timeout_s=1.0)) as link:
        os.write(master, b"\x00\x11\x13\xff\r\n\x04")
        # Not one byte of this is eaten or changed by the line discipline.
        assert read_until(link, 7) == b"\x00\x11\x13\xff\r\n\x04"
        assert link.port == path
        assert link.counters() is None


@needs_pty
def test_pty_never_gives_more_than_asked(terminal: tuple[int, str]) -> None:
    master, path = terminal
    with closing(open_link(path, device_id="front")) as link:
        os.write(master, b"abcdef")
        assert link.read(4) == b"abcd"
        assert link.read(4) == b"ef"


@needs_pty
def test_pty_silence_is_empty_and_short(terminal: tuple[int, str]) -> None:
    with closing(open_link(terminal[1], device_id="front", read_timeout_s=0.01)) as link:
        assert link.read(100) == b""


@needs_pty
def test_pty_hangup_is_a_lost_link(terminal: tuple[int, str]) -> None:
    master, path = terminal
    with closing(open_link(path, device_id="front")) as link:
        os.close(master)
        with pytest.raises(LinkLostError, match=f"front: lost {path}: unplugged, or another"):
            link.read(100)


@needs_pty
def test_pty_in_use_is_said(terminal: tuple[int, str]) -> None:
    path = terminal[1]
    with (
        closing(open_link(path, device_id="front")),
        pytest.raises(LinkLostError, match=f"second: {path} is in use by another program"),
    ):
        open_link(path, device_id="second")
    open_link(path, device_id="third").close()


@needs_pty
def test_closing_twice_and_reading_after(terminal: tuple[int, str]) -> None:
    link = open_link(terminal[1], device_id="front")
    link.close()
    link.close()
    assert link.counters() is None
    with pytest.raises(LinkLostError, match="is closed"):
        link.read(1)


@needs_pty
def test_a_pty_is_known_through_a_link(terminal: tuple[int, str], tmp_path: Path) -> None:
    alias = tmp_path / "load-cell"
    alias.symlink_to(terminal[1])
    assert is_pseudo_terminal(str(alias))
    assert not is_pseudo_terminal("/dev/ttyUSB0")
    open_link(str(alias), device_id="front").close()


@needs_pty
def test_only_a_real_port_is_told_to_refuse_others(
    terminal: tuple[int, str], monkeypatch: pytest.MonkeyPatch
) -> None:
    """A pseudo-terminal would go on refusing after its reader was killed."""
    termios = pytest.importorskip("termios")
    asked: list[int] = []
    with closing(serial.Serial(terminal[1])) as handle:
        with monkeypatch.context() as patch:
            patch.setattr("fcntl.ioctl", lambda _, request: asked.append(request))
            refuse_second_opener(handle, terminal[1])
            assert asked == []
            refuse_second_opener(handle, "/dev/ttyUSB0")
            release_port(handle)
        assert asked == [termios.TIOCEXCL, termios.TIOCNXCL]


@pytest.mark.skipif(sys.platform == "win32", reason="no such paths there")
def test_a_missing_port_and_a_plain_file(tmp_path: Path) -> None:
    with pytest.raises(LinkLostError, match=r"there is no port .*testcar ports"):
        open_link(str(tmp_path / "none"), device_id="front")
    plain = tmp_path / "plain"
    plain.write_bytes(b"")
    with pytest.raises(LinkLostError, match="is not a serial port"):
        open_link(str(plain), device_id="front")


@needs_pty
def test_every_named_exception_is_translated(
    terminal: tuple[int, str], monkeypatch: pytest.MonkeyPatch
) -> None:
    """What pyserial lets through differs by call: OSError, TypeError, termios.error."""
    assert len(PORT_ERRORS) == (2 if sys.platform == "win32" else 3)
    for kind in (*PORT_ERRORS, serial.SerialException, serial.SerialTimeoutException):
        link = open_link(terminal[1], device_id="front")

        def refuse(*_: object, kind: type[Exception] = kind) -> None:
            raise kind(*_REFUSED)

        with monkeypatch.context() as patch:
            patch.setattr(serial.Serial, "read", refuse)
            with pytest.raises(LinkLostError, match="refused"):
                link.read(1)
        link.close()


@needs_pty
def test_a_bug_is_not_translated(
    terminal: tuple[int, str], monkeypatch: pytest.MonkeyPatch
) -> None:
    with (
        closing(open_link(terminal[1], device_id="front")) as link,
        monkeypatch.context() as patch,
    ):

        def bug(*_: object) -> None:
            raise KeyError

        patch.setattr(serial.Serial, "read", bug)
        with pytest.raises(KeyError):
            link.read(1)


@pytest.mark.parametrize(
    ("error", "said"),
    [
        (OSError(errno.ENOENT, "x"), "there is no port /dev/null;"),
        (OSError(errno.EBUSY, "x"), "/dev/null is in use by another program"),
        (OSError(errno.EAGAIN, "x"), "/dev/null is in use by another program"),
        (OSError(errno.EACCES, "x"), "no permission to use /dev/null"),
        (OSError(errno.EIO, "x"), "/dev/null has no device behind it"),
        (OSError("could not open port: FileNotFoundError(2, 'x')"), "there is no port"),
        (OSError("could not open port: PermissionError(13, 'x')"), "in use"),
        (OSError("Could not configure port: (25, 'x')"), "is not a serial port"),
        (OSError("something\nelse"), "could not open /dev/null at 9600 Bd (something else)"),
    ],
)
def test_why_a_port_did_not_open(error: OSError, said: str) -> None:
    text = why_not_opened("/dev/null", 9600, error)
    assert said in text
    assert "\n" not in text


@pytest.mark.skipif(not Path("/dev/null").exists(), reason="no such device here")
def test_no_permission_names_the_group() -> None:
    group = Path("/dev/null").group()
    text = why_not_opened("/dev/null", 9600, OSError(errno.EACCES, "x"))
    assert text == f"no permission to use /dev/null; join group {group!r} and log in again"


@pytest.mark.parametrize(
    "port",
    [
        "",
        "ttyUSB0",
        "COM",
        "COM3x",
        "udp://host:1",
        "tcp://",
        "tcp://host",
        "tcp://host:0",
        "tcp://host:99999",
        "tcp://host:port",
        "tcp://[::1",
        "tcp://host:1/path",
        "tcp://me@host:1",
    ],
)
def test_a_port_that_is_not_understood(port: str) -> None:
    with pytest.raises(SetupError, match=r"front: port .* is not understood; ") as caught:
        open_link(port, device_id="front")
    assert "tcp://host:port" in str(caught.value)


def test_errors_are_of_the_kind_people_get_to_see() -> None:
    assert issubclass(SetupError, ValueError)
    assert issubclass(LinkLostError, OSError)
    assert issubclass(SetupError, DriverError)


def test_counters_in_words() -> None:
    earlier = LineCounters(framing=1, overrun=0, parity=0, breaks=2, buffer_overrun=0)
    later = LineCounters(framing=3, overrun=1, parity=0, breaks=2, buffer_overrun=0)
    assert later.since(earlier) == "2 framing errors, 1 overruns"
    assert earlier.since(earlier) == ""

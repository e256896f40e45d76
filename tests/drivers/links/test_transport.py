"""Links over real pseudo-terminals and real TCP connections; errors a person can act on."""

from __future__ import annotations

import errno
import os
import socket
import sys
import threading
from contextlib import closing
from pathlib import Path
from typing import TYPE_CHECKING

import pytest
import serial

from drivers.interface.errors import DriverError, LinkLostError, SetupError
from drivers.interface.registry import open_driver
from drivers.links import port_list, transport
from drivers.links.serial_line import (
    PORT_ERRORS,
    LineCounters,
    is_pseudo_terminal,
    refuse_second_opener,
    release_port,
    why_not_opened,
)
from drivers.links.transport import Link, SerialLink, open_link
from tests.drivers.driver_contract import read_until_lost
from tests.drivers.wire import load_cell_frame, sentence, wheel_frame

if TYPE_CHECKING:
    from collections.abc import Iterator

    from drivers.interface.driver_interface import Fault

_REFUSED = ("refused",)

needs_pty = pytest.mark.skipif(not hasattr(os, "openpty"), reason="no pseudo-terminals here")


@pytest.fixture
def terminal() -> Iterator[tuple[int, str]]:
    """The far end of a pseudo-terminal, and the path of its device."""
    master, slave = os.openpty()
    path = os.ttyname(slave)
    os.close(slave)
    yield master, path
    try:
        os.close(master)
    except OSError as error:
        assert error.errno == errno.EBADF  # noqa: PT017 - a test may have closed it already


@pytest.fixture
def server() -> Iterator[socket.socket]:
    """Listens on a free port of the loopback."""
    with socket.create_server(("127.0.0.1", 0)) as listener:
        listener.settimeout(5.0)
        yield listener


def address(listener: socket.socket) -> str:
    return f"tcp://127.0.0.1:{listener.getsockname()[1]}"


def read_until(link: Link, count: int) -> bytes:
    data = b""
    for _ in range(200):
        data += link.read(4096)
        if len(data) >= count:
            return data
    msg = f"only {len(data)} of {count} bytes came"
    raise AssertionError(msg)


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
def test_pty_write_reaches_the_far_end(terminal: tuple[int, str]) -> None:
    master, path = terminal
    with closing(open_link(path, device_id="front")) as link:
        link.write(b"hello")
        assert os.read(master, 100) == b"hello"


@needs_pty
def test_pty_hangup_is_a_lost_link(terminal: tuple[int, str]) -> None:
    master, path = terminal
    with closing(open_link(path, device_id="front")) as link:
        os.close(master)
        with pytest.raises(LinkLostError, match=f"front: lost {path}: unplugged, or another"):
            link.read(100)
        with pytest.raises(LinkLostError, match="front: lost"):
            link.write(b"x")


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
    with pytest.raises(LinkLostError, match="is closed"):
        link.write(b"x")


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
    with closing(open_link(terminal[1], device_id="front")) as link:
        assert isinstance(link, SerialLink)
        handle = link._open_handle()
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
            patch.setattr(serial.Serial, "write", refuse)
            with pytest.raises(LinkLostError, match="refused"):
                link.read(1)
            with pytest.raises(LinkLostError, match="refused"):
                link.write(b"x")
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


def test_tcp_reads_what_is_there(server: socket.socket) -> None:
    with closing(open_link(address(server), device_id="front")) as link:
        peer, _ = server.accept()
        with peer:
            assert link.read(10) == b""
            peer.sendall(b"x" * 3000)
            assert read_until(link, 3000) == b"x" * 3000
            link.write(b"hello")
            assert peer.recv(10) == b"hello"
            assert link.counters() is None


def test_tcp_closed_by_the_other_end(server: socket.socket) -> None:
    with closing(open_link(address(server), device_id="front")) as link:
        server.accept()[0].close()
        with pytest.raises(LinkLostError, match=r"front: tcp://.* was closed by the other end"):
            read_until(link, 1)


def test_tcp_reset_by_the_other_end(server: socket.socket) -> None:
    with closing(open_link(address(server), device_id="front")) as link:
        peer, _ = server.accept()
        peer.setsockopt(socket.SOL_SOCKET, socket.SO_LINGER, b"\x01\0\0\0\0\0\0\0")
        peer.close()
        with pytest.raises(LinkLostError, match=r"front: (lost )?tcp://"):
            read_until(link, 1)


def test_tcp_nothing_listens(server: socket.socket) -> None:
    port = address(server)
    server.close()
    with pytest.raises(
        LinkLostError, match=r"front: nothing answers at tcp://.*is the device on"
    ):
        open_link(port, device_id="front")


def test_tcp_that_hangs_up_at_once_is_in_use(server: socket.socket) -> None:
    """A device that serves one reader lets a second in and hangs up on it."""
    hangs_up = threading.Thread(target=lambda: server.accept()[0].close())
    hangs_up.start()
    with pytest.raises(LinkLostError, match=r"front: tcp://.* hung up at once; .* in use"):
        open_link(address(server), device_id="front")
    hangs_up.join(5.0)


def test_tcp_the_first_byte_is_not_lost_to_the_look(server: socket.socket) -> None:
    def speak_at_once() -> None:
        peer, _ = server.accept()
        with peer:
            peer.sendall(b"first")

    speaks = threading.Thread(target=speak_at_once)
    speaks.start()
    with closing(open_link(address(server), device_id="front")) as link:
        assert read_until(link, 5) == b"first"
    speaks.join(5.0)


def test_tcp_closing_twice(server: socket.socket) -> None:
    link = open_link(address(server), device_id="front")
    server.accept()[0].close()
    link.close()
    link.close()
    with pytest.raises(LinkLostError, match="is closed"):
        link.read(1)


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


class FakePort:
    """What the system's list gives."""

    def __init__(self, device: str, description: str | None, hwid: str | None) -> None:
        self.device = device
        self.description = description
        self.hwid = hwid


@pytest.mark.skipif(sys.platform == "win32", reason="links and modes as on POSIX")
def test_ports_by_a_name_that_stays(tmp_path: Path, monkeypatch: pytest.MonkeyPatch) -> None:
    first, second = tmp_path / "ttyUSB0", tmp_path / "ttyUSB1"
    for device in (first, second):
        device.touch()
    by_id, by_path = tmp_path / "by-id", tmp_path / "by-path"
    by_id.mkdir()
    by_path.mkdir()
    (by_id / "usb-bridge-42").symlink_to(first)
    (by_path / "pci-1").symlink_to(first)
    (by_path / "pci-2").symlink_to(second)
    listed = [
        FakePort(str(second), "n/a", None),
        FakePort(str(first), "Bridge amplifier", "USB VID:PID=1234:5678 SER=42"),
        FakePort(str(tmp_path / "ttyS9"), None, "n/a"),
    ]
    monkeypatch.setattr("serial.tools.list_ports.comports", lambda: listed)
    ports = port_list.list_ports(stable_folders=(by_id, by_path, tmp_path / "none"))
    assert [port.stable_path for port in ports] == [
        str(by_id / "usb-bridge-42"),
        str(by_path / "pci-2"),
        str(tmp_path / "ttyS9"),
    ]
    assert ports[0].description == "Bridge amplifier"
    assert ports[0].permitted
    assert ports[1].description == ports[1].hardware_id == ""
    assert not ports[2].permitted
    assert ports[2].permission.startswith("no")
    assert transport.list_ports is port_list.list_ports


LOAD_CELL = [load_cell_frame([(k, -k)], sequence=k, tick=k * 500) for k in range(200)]
WHEEL = [wheel_frame(sequence=k, count=k, made=k * 10_000) for k in range(200)]
NMEA = [
    sentence(f"GPRMC,12{k // 60:02d}{k % 60:02d},A,4807.0,N,01131.0,E,1,2,251126,,,A")
    for k in range(200)
]
STREAMS = {
    "load-cell-frames": (LOAD_CELL, {"channels": 2}),
    "wheel-pulses": (WHEEL, {}),
    "nmea-0183": (NMEA, {}),
}


@needs_pty
@pytest.mark.parametrize("name", STREAMS)
def test_a_whole_driver_over_a_pty(name: str, terminal: tuple[int, str]) -> None:
    master, path = terminal
    frames, options = STREAMS[name]
    driver = open_driver(name, device_id="front", port=path, options=options)
    writer = threading.Thread(target=lambda: [os.write(master, frame) for frame in frames])
    with closing(driver):
        writer.start()
        count = 0
        for _ in range(1000):
            batch = driver.read()
            assert batch.faults == ()
            count += len(batch.records)
            if count == len(frames):
                break
        writer.join(5.0)
    assert count == len(frames)


@pytest.mark.parametrize("name", STREAMS)
def test_a_whole_driver_over_tcp_closed_and_opened_again(
    name: str, server: socket.socket
) -> None:
    frames, options = STREAMS[name]
    driver = open_driver(name, device_id="front", port=address(server), options=options)
    peer, _ = server.accept()
    with closing(driver):
        peer.sendall(b"".join(frames[:50]) + frames[50][:10])
        count = 0
        while count < 50:
            count += len(driver.read().records)
        peer.close()
        with pytest.raises(LinkLostError, match="was closed by the other end"):
            read_until_lost(driver)
    again = open_driver(
        name, device_id="front", port=address(server), options=options, after=driver
    )
    peer, _ = server.accept()
    with closing(again), peer:
        peer.sendall(b"".join(frames[60:100]))
        faults: list[Fault] = []
        while count < 90:
            batch = again.read()
            faults += batch.faults
            count += len(batch.records)
    assert count == 90
    lost = [(fault.cause, fault.lost_records) for fault in faults]
    assert lost == ([] if name == "nmea-0183" else [("lost frames", 10)])


@needs_pty
def test_silence_on_a_real_port(terminal: tuple[int, str]) -> None:
    options = {"silence_limit_s": 0.05, "read_timeout_s": 0.01}
    driver = open_driver("wheel-pulses", device_id="wheel", port=terminal[1], options=options)
    with closing(driver), pytest.raises(LinkLostError, match=r"wheel: silent for 0\.05 s on"):
        read_until_lost(driver)

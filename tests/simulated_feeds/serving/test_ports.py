"""Ports: one reader, nothing blocks, what is not taken is dropped and counted."""

from __future__ import annotations

import os
import socket
import sys
import time
from collections.abc import Callable
from pathlib import Path

import pytest

from simulated_feeds.serving.ports import BOUND_BYTES, Port, PtyPort, TcpPort, open_ports
from simulated_feeds.settings.errors import FeedError

pty_only = pytest.mark.skipif(sys.platform != "linux", reason="sees its reader on Linux only")
Connecting = Callable[[str], socket.socket]


def until(port: Port, reached: Callable[[], bool], seconds: float = 5.0) -> None:
    """Poll a port until something has become true."""
    end = time.monotonic() + seconds
    while not reached():
        assert time.monotonic() < end, "not reached in time"
        port.poll()


def test_tcp_sends_to_its_reader_only(connecting: Connecting) -> None:
    port = TcpPort("wheel")
    port.send([b"early"])
    assert port.stats.unheard == 1
    with connecting(port.address) as reader:
        until(port, lambda: port.open)
        with connecting(port.address) as second:
            port.poll()
            assert second.recv(10) == b""
        port.send([b"abc", b"def"])
        assert reader.recv(10) == b"abcdef"
    until(port, lambda: not port.open)
    port.close()
    assert port.stats.opened == 1
    assert port.stats.sent == 2


def test_a_reader_that_does_not_read_loses_whole_frames(connecting: Connecting) -> None:
    port = TcpPort("drawbar")
    with connecting(port.address) as reader:
        until(port, lambda: port.open)
        frame = bytes(range(256)) * 16
        for _ in range(4000):
            port.send([frame])
        assert port.stats.dropped > 0
        assert port.pending <= BOUND_BYTES + len(frame)
        took = bytearray()
        while len(took) < port.stats.sent * len(frame):
            took += reader.recv(1 << 20)
            port.poll()
        assert bytes(took) == frame * port.stats.sent
    port.close()


def test_keep_all_loses_nothing(connecting: Connecting) -> None:
    port = TcpPort("drawbar")
    with connecting(port.address) as reader:
        until(port, lambda: port.open)
        for i in range(3000):
            port.send([i.to_bytes(4, "little") * 1024], keep_all=True)
        assert port.stats.dropped == 0
        took = bytearray()
        while len(took) < 3000 * 4096:
            took += reader.recv(1 << 20)
            port.poll()
        assert all(
            took[4096 * i : 4096 * i + 4] == i.to_bytes(4, "little") for i in range(3000)
        )
    port.close()


def test_unplugged_and_back_on_the_same_number(connecting: Connecting) -> None:
    port = TcpPort("clock")
    with connecting(port.address) as reader:
        until(port, lambda: port.open)
        port.unplug()
        assert reader.recv(1) == b""
    with pytest.raises(OSError, match=r"refused|actively"):
        connecting(port.address)
    port.replug()
    with connecting(port.address):
        until(port, lambda: port.open)
    port.close()
    assert port.stats.opened == 2


def test_a_device_takes_no_orders(connecting: Connecting) -> None:
    port = TcpPort("clock")
    with connecting(port.address) as reader:
        until(port, lambda: port.open)
        reader.sendall(b"AT+CGMI\r\n" * 100)
        port.poll()
        port.send([b"x"])
        assert reader.recv(1) == b"x"
    port.close()


@pty_only
def test_pty_waits_for_its_reader(tmp_path: Path) -> None:
    port = PtyPort("wheel", tmp_path)
    assert port.address == str(tmp_path / "wheel")
    port.poll()
    port.send([b"early"])
    assert port.stats.unheard == 1
    reader = os.open(port.address, os.O_RDWR | os.O_NOCTTY)
    try:
        until(port, lambda: port.open)
        port.send([bytes(range(256))])
        assert os.read(reader, 400) == bytes(range(256))
    finally:
        os.close(reader)
    until(port, lambda: not port.open)
    port.close()
    assert not (tmp_path / "wheel").is_symlink()


@pty_only
def test_pty_unplug_hangs_up_on_its_reader(tmp_path: Path) -> None:
    port = PtyPort("wheel", tmp_path)
    reader = os.open(port.address, os.O_RDWR | os.O_NOCTTY)
    until(port, lambda: port.open)
    port.unplug()
    assert os.read(reader, 1) == b""
    os.close(reader)
    port.replug()
    reader = os.open(port.address, os.O_RDWR | os.O_NOCTTY)
    until(port, lambda: port.open)
    os.close(reader)
    port.close()


@pty_only
def test_pty_knows_what_is_unread(tmp_path: Path) -> None:
    port = PtyPort("wheel", tmp_path)
    reader = os.open(port.address, os.O_RDWR | os.O_NOCTTY)
    until(port, lambda: port.open)
    port.send([b"\xd2" * 300])
    until(port, lambda: not port.drained)
    assert len(os.read(reader, 1000)) == 300
    assert port.drained
    os.close(reader)
    port.close()


@pty_only
def test_pty_that_is_not_read_drops(tmp_path: Path) -> None:
    port = PtyPort("wheel", tmp_path)
    reader = os.open(port.address, os.O_RDWR | os.O_NOCTTY)
    until(port, lambda: port.open)
    for _ in range(300):
        port.send([b"\x00" * 1024])
    assert port.stats.dropped > 0
    assert port.pending <= BOUND_BYTES + 1024
    os.close(reader)
    port.close()


def test_transport_is_told(tmp_path: Path) -> None:
    with pytest.raises(FeedError, match="tcp or pty"):
        open_ports(["a"], "usb", tmp_path)


def test_all_ports_or_none(tmp_path: Path, monkeypatch: pytest.MonkeyPatch) -> None:
    opened: list[TcpPort] = []

    def fail_at_third(name: str) -> TcpPort:
        if len(opened) == 2:
            msg = "no more"
            raise FeedError(msg)
        opened.append(TcpPort(name))
        return opened[-1]

    monkeypatch.setattr("simulated_feeds.serving.ports.TcpPort", fail_at_third)
    with pytest.raises(FeedError, match="no more"):
        open_ports(["a", "b", "c"], "tcp", tmp_path)
    for port in opened:
        assert port.waits_on() == ([], [])

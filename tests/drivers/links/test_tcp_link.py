"""TCP links over real connections: silence, hang-ups, and the first byte."""

from __future__ import annotations

import socket
import threading
from contextlib import closing

import pytest

from drivers.interface.errors import LinkLostError
from drivers.links.transport import open_link
from tests.drivers.links.ends import address, read_until


def test_tcp_reads_what_is_there(server: socket.socket) -> None:
    with closing(open_link(address(server), device_id="front")) as link:
        peer, _ = server.accept()
        with peer:
            assert link.read(10) == b""
            peer.sendall(b"x" * 3000)
            assert read_until(link, 3000) == b"x" * 3000
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

"""Shared by the tests of the simulated feeds: leak checks, a plain reader, a short scenario."""

from __future__ import annotations

import socket
import threading
from collections.abc import Callable, Iterator

import pytest

from simulated_feeds.outing.scenario import Scenario, make_scenario

UTC0_NS = 1_780_000_000_250_000_000
"""A quarter past a whole second in May 2026."""


@pytest.fixture(autouse=True)
def nothing_left_behind() -> Iterator[None]:
    """A test that leaves a thread behind fails by itself."""
    before = set(threading.enumerate())
    yield
    left = [t.name for t in threading.enumerate() if t not in before]
    assert not left, f"threads left behind: {left}"


@pytest.fixture(scope="session")
def demo() -> Scenario:
    """The demo's world, on a fixed day."""
    return make_scenario(1, utc0_ns=UTC0_NS)


def connect(address: str) -> socket.socket:
    """Open a ``tcp://`` port as any reader would."""
    host, port = address.removeprefix("tcp://").split(":")
    reader = socket.create_connection((host, int(port)), timeout=20.0)
    reader.settimeout(20.0)
    return reader


def read_all(reader: socket.socket) -> bytes:
    """Until the other end closes."""
    out = bytearray()
    with reader:
        while data := reader.recv(65536):
            out += data
    return bytes(out)


def read_ports(ports: dict[str, str]) -> dict[str, bytes]:
    """Open all ports, then read each to its end in a thread of its own."""
    readers = {name: connect(address) for name, address in ports.items()}
    out: dict[str, bytes] = {}

    def drain(name: str) -> None:
        out[name] = read_all(readers[name])

    threads = [threading.Thread(target=drain, args=(name,)) for name in readers]
    for thread in threads:
        thread.start()
    for thread in threads:
        thread.join(60.0)
    return out


@pytest.fixture
def reading() -> Callable[[dict[str, str]], dict[str, bytes]]:
    """:func:`read_ports`, as a fixture."""
    return read_ports


@pytest.fixture
def connecting() -> Callable[[str], socket.socket]:
    """:func:`connect`, as a fixture."""
    return connect

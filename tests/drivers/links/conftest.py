"""Real far ends: a pseudo-terminal's master, a listener on the loopback."""

from __future__ import annotations

import errno
import os
import socket
from collections.abc import Iterator

import pytest


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

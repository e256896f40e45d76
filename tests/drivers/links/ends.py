"""The far ends of links: what tests of ports and connections share."""

from __future__ import annotations

import os
import socket

import pytest

from drivers.links.transport import Link

needs_pty = pytest.mark.skipif(not hasattr(os, "openpty"), reason="no pseudo-terminals here")


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

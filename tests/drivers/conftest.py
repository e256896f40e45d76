"""Nothing may be left behind by a test of the drivers."""

from __future__ import annotations

import threading
from pathlib import Path
from typing import TYPE_CHECKING

import pytest

if TYPE_CHECKING:
    from collections.abc import Iterator

_OPEN_FILES = Path("/proc/self/fd")


def _open_ports() -> set[str]:
    """Sockets and terminals this process holds, where the system tells."""
    if not _OPEN_FILES.is_dir():
        return set()
    held = set()
    for entry in _OPEN_FILES.iterdir():
        try:
            target = str(entry.readlink())
        except OSError:
            continue  # closed since it was listed
        if target.startswith(("socket:", "/dev/pts/", "/dev/ptmx", "/dev/pts/ptmx")):
            held.add(f"{entry.name} {target}")
    return held


@pytest.fixture(autouse=True)
def _nothing_left_behind() -> Iterator[None]:
    threads, ports = set(threading.enumerate()), _open_ports()
    yield
    assert set(threading.enumerate()) <= threads
    assert _open_ports() <= ports

"""Ports whose far end sends faster than anybody reads: told once, with what waits."""

from __future__ import annotations

import os
import select
import socket
import threading
import time
from collections.abc import Callable
from contextlib import closing
from typing import TYPE_CHECKING

import pytest

from drivers.interface.registry import open_driver
from tests.drivers.links.ends import address, needs_pty
from tests.drivers.wire import sentence

if TYPE_CHECKING:
    from drivers.interface.driver_interface import Backlog, DeviceDriver

pytestmark = pytest.mark.slow

NO_FIX = sentence("GPRMC,120000,V,,,,,,,251126,,,N") * 2000


def told_while_flooded(driver: DeviceDriver) -> tuple[list[Backlog], float]:
    """Read until a backlog is told and half as long again; all that was told, and how soon."""
    told: list[Backlog] = []
    began_s = told_s = time.monotonic()
    while not told or time.monotonic() - told_s < 1.0:
        batch = driver.read()
        assert batch.faults == ()
        if batch.backlog is not None:
            told.append(batch.backlog)
            told_s = time.monotonic()
        assert time.monotonic() - began_s < 60.0
    return told, told_s - began_s


def flooding(
    fd: int, write: Callable[[bytes], int]
) -> tuple[threading.Thread, threading.Event]:
    """A thread that fills a descriptor whenever it takes something."""
    ended = threading.Event()

    def flood() -> None:
        held = memoryview(NO_FIX)
        at = 0
        while not ended.is_set():
            if select.select([], [fd], [], 0.05)[1]:
                at = (at + write(bytes(held[at:]))) % len(NO_FIX)

    return threading.Thread(target=flood), ended


def check(told: list[Backlog], after_s: float, *, at_least: int) -> None:
    (backlog,) = told
    assert not backlog.over
    assert 2.0 <= backlog.lasted_s <= after_s + 0.1
    assert backlog.most_bytes >= at_least


@needs_pty
def test_a_flooded_pty(terminal: tuple[int, str]) -> None:
    master, path = terminal
    os.set_blocking(master, False)
    driver = open_driver("nmea-0183", device_id="clock", port=path)
    writer, ended = flooding(master, lambda data: os.write(master, data))
    with closing(driver):
        writer.start()
        try:
            told, after_s = told_while_flooded(driver)
        finally:
            ended.set()
            writer.join()
    check(told, after_s, at_least=1000)


def test_a_flooded_connection(server: socket.socket) -> None:
    driver = open_driver("nmea-0183", device_id="clock", port=address(server))
    far, _ = server.accept()
    with far, closing(driver):
        far.settimeout(0.0)
        writer, ended = flooding(far.fileno(), far.send)
        writer.start()
        try:
            told, after_s = told_while_flooded(driver)
        finally:
            ended.set()
            writer.join()
        rest = driver.drain()
    check(told, after_s, at_least=1 << 16)
    assert {fault.cause for batch in rest.batches for fault in batch.faults} <= {
        "cannot keep up"
    }

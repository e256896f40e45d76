"""Every driver on a real pseudo-terminal and a real TCP connection."""

from __future__ import annotations

import os
import socket
import threading
from contextlib import closing
from typing import TYPE_CHECKING

import pytest

from drivers.interface.errors import LinkLostError
from drivers.interface.registry import open_driver
from tests.drivers.driver_contract import read_until_lost
from tests.drivers.links.ends import address, needs_pty
from tests.drivers.wire import load_cell_frame, sentence, wheel_frame

if TYPE_CHECKING:
    from drivers.interface.driver_interface import Fault


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

"""A private place for session files, and devices that speak the protocols over loopback TCP."""

from __future__ import annotations

import json
import socket
import struct
import threading
import time
import zlib
from collections.abc import Callable, Iterator
from datetime import date
from pathlib import Path
from typing import Any

import pytest

from calibration.certificates.certificate import (
    FORMAT,
    VERSION,
    document_digest,
    dump_certificate,
)
from calibration.certificates.force import ForceCertificate
from recorder.acquisition.control.session_files import FOLDER_VARIABLE
from tests.recorder.listener import Listener

_FRAME_S = 0.01
_SAMPLES = 20


@pytest.fixture(autouse=True)
def _nothing_left_behind(tmp_path: Path, monkeypatch: pytest.MonkeyPatch) -> Iterator[None]:
    monkeypatch.setenv(FOLDER_VARIABLE, str(tmp_path / "runtime"))
    before = set(threading.enumerate())
    yield
    left = [t for t in threading.enumerate() if t not in before and t.is_alive()]
    assert not left, f"threads left behind: {left}"


def load_cell_frame(sequence: int, first: int, channels: int) -> bytes:
    """A frame as the protocol page says; sample i of channel c: 1000·c + i mod 100000."""
    samples = b"".join(
        ((1000 * c + (first + i) % 100_000) & 0xFFFFFF).to_bytes(3, "little")
        for i in range(_SAMPLES)
        for c in range(channels)
    )
    body = struct.pack(
        "<BBHIIII",
        1,
        channels,
        _SAMPLES,
        sequence % 2**32,
        first * 500 % 2**32,
        500,
        1_000_000,
    )
    return b"\xa7\x5c" + body + samples + struct.pack("<I", zlib.crc32(body + samples))


class FakeCell:
    """A load-cell front end at 2 kHz on a TCP port, paced by the clock, for one reader."""

    def __init__(self, *, channels: int = 2) -> None:
        self.channels = channels
        self.sent = 0
        """Samples of each channel that have been taken so far."""
        self.refuse = threading.Event()
        """While set: the connection is dropped and none is taken."""
        self._ended = threading.Event()
        self._taken = threading.Condition()
        self._listener = socket.create_server(("127.0.0.1", 0))
        self._listener.settimeout(0.05)
        self._thread = threading.Thread(target=self._serve, name="fake cell")
        self._thread.start()

    @property
    def port(self) -> str:
        return f"tcp://127.0.0.1:{self._listener.getsockname()[1]}"

    def wait_for(self, more: int) -> None:
        """Until so many samples more have been taken."""
        with self._taken:
            wanted = self.sent + more
            assert self._taken.wait_for(lambda: self.sent >= wanted, 30.0)

    def end(self) -> None:
        """Close for good."""
        self._ended.set()
        self._thread.join(10.0)

    def _serve(self) -> None:
        began: float | None = None
        sequence = 0
        reader: socket.socket | None = None
        with self._listener:
            while not self._ended.is_set():
                if reader is None and not self.refuse.is_set():
                    reader = self._accept()
                    if reader is not None and began is None:
                        began = time.monotonic()
                if self.refuse.is_set() and reader is not None:
                    reader.close()
                    reader = None
                if began is None:
                    continue
                while time.monotonic() - began >= (sequence + 1) * _FRAME_S:
                    frame = load_cell_frame(sequence, self.sent, self.channels)
                    sequence += 1
                    with self._taken:
                        self.sent += _SAMPLES
                        self._taken.notify_all()
                    if reader is not None:
                        try:
                            reader.sendall(frame)
                        except OSError:
                            reader.close()
                            reader = None
                due_s = began + (sequence + 1) * _FRAME_S
                self._ended.wait(max(due_s - time.monotonic(), 0.0))
            if reader is not None:
                reader.close()

    def _accept(self) -> socket.socket | None:
        try:
            reader, _ = self._listener.accept()
        except TimeoutError:
            return None
        reader.settimeout(5.0)
        return reader


@pytest.fixture
def listener() -> Listener:
    return Listener()


@pytest.fixture
def make_cell() -> Iterator[Callable[[], FakeCell]]:
    made: list[FakeCell] = []

    def make() -> FakeCell:
        made.append(FakeCell())
        return made[-1]

    yield make
    for one in made:
        one.end()


@pytest.fixture
def cell(make_cell: Callable[[], FakeCell]) -> FakeCell:
    return make_cell()


def cell_certificate(**changes: object) -> ForceCertificate:
    words: Any = {
        "capacity_kN": 500.0,
        "certificate_id": "BENCH-7",
        "issued": date(2020, 1, 1),
        "zero_limit_counts": 2000.0,
        **changes,
    }
    return ForceCertificate.from_coefficients((0.0, 1e-4), **words)


def wheel_certificate_text() -> str:
    document = {
        "format": FORMAT,
        "version": VERSION,
        "kind": "wheel",
        "certificate_id": "WHEEL-3",
        "issued": "2020-01-01",
        "expires": None,
        "circumference_m": 3.0,
        "u_circumference_m": 0.001,
        "pulses_per_revolution": 600,
    }
    return json.dumps({**document, "digest": document_digest(document)})


def write_sheets(
    folder: Path,
    port: str,
    *,
    certificate: ForceCertificate | None = None,
    channels: int = 2,
    zero_seconds: float = 0.0,
    silence_limit_s: float = 0.5,
    more: str = "",
) -> tuple[Path, Path]:
    """A car with one load cell, and a trip; returns both paths."""
    made = certificate or cell_certificate()
    (folder / "cell.json").write_text(dump_certificate(made), "utf-8")
    car, trip = folder / "car.toml", folder / "trip.toml"
    car.write_text(
        f"""
[car]
name = "Level"
[recording]
zero_seconds = {zero_seconds}
[devices.drawbar]
driver = "load-cell-frames"
port = "{port}"
silence_limit_s = {silence_limit_s}
channel_count = {channels}
[devices.drawbar.channels.ch0]
name = "pull"
quantity = "pull"
certificate = "cell.json"
{more}
""",
        "utf-8",
    )
    trip.write_text(
        '[trip]\nname = "Trial"\noperator = "observer 1"\nplanned_hours = 0.1\n', "utf-8"
    )
    return car, trip


@pytest.fixture
def make_sheets() -> Callable[..., tuple[Path, Path]]:
    return write_sheets


@pytest.fixture
def make_certificate() -> Callable[..., ForceCertificate]:
    return cell_certificate


@pytest.fixture
def wheel_text() -> str:
    return wheel_certificate_text()

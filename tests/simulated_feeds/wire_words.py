"""What simulated devices sent, read by hand from the protocol tables, checksums recomputed."""

from __future__ import annotations

import binascii
import struct
import zlib
from dataclasses import dataclass

import numpy as np

from simulated_feeds.devices.fault_kinds import parse_fault
from simulated_feeds.outing.rendering import Rendered
from simulated_feeds.outing.scenario import Scenario
from simulated_feeds.outing.simulated_outing import SimulatedOuting
from simulated_feeds.physics.coarse_train import CoarseTrain

__all__ = [
    "CellFrames", "Sentence", "WheelRows", "cell_frames", "sent", "sentences", "wheel_rows",
]  # fmt: skip


def sent(scenario: Scenario, *faults: str, seconds: float = 6.0) -> dict[str, Rendered]:
    """What each device sends in so many seconds; the train is one mass, which is quick."""
    outing = SimulatedOuting(
        scenario, faults=[parse_fault(text) for text in faults], until_s=seconds,
        mover=CoarseTrain(scenario.journey),
    )  # fmt: skip
    out = {device.name: Rendered() for device in scenario.devices()}
    while (stretch := outing.advance()) is not None:
        for name, emissions in stretch.items():
            due = [e for e in emissions if e.due_s < seconds]
            out[name].due_s += [e.due_s for e in due]
            out[name].frames += [e.data for e in due]
    return out


@dataclass(frozen=True)
class CellFrames:
    """All frames of a load cell, sample by sample."""

    due_s: np.ndarray
    tick: np.ndarray
    """Of each frame's first sample."""
    step: int
    tick_hz: int
    pull: np.ndarray
    """(f * n,) counts of channel 0."""
    other: np.ndarray
    """Of channel 1."""

    @property
    def samples(self) -> int:
        return self.pull.size // self.tick.size


def cell_frames(sent: Rendered) -> CellFrames:
    """Frames as the table of the load cell has them."""
    ticks, pulls, others, step, tick_hz = [], [], [], 0, 0
    for number, frame in enumerate(sent.frames):
        head = struct.unpack_from("<2sBBHIIII", frame)
        sync, version, c, n, sequence, tick, step, tick_hz = head
        assert (sync, version, sequence) == (b"\xa7\x5c", 1, number)
        assert struct.unpack_from("<I", frame, len(frame) - 4)[0] == zlib.crc32(frame[2:-4])
        raw = np.frombuffer(frame[22:-4], np.uint8).reshape(n, c, 3).astype(np.int32)
        counts = (raw[..., 0] | raw[..., 1] << 8 | raw[..., 2] << 16) << 8 >> 8
        ticks.append(tick)
        pulls.append(counts[:, 0])
        others.append(counts[:, 1])
    return CellFrames(
        due_s=np.array(sent.due_s), tick=np.array(ticks), step=step, tick_hz=tick_hz,
        pull=np.concatenate(pulls), other=np.concatenate(others),
    )  # fmt: skip


@dataclass(frozen=True)
class WheelRows:
    """(f,) fields of the frames of a wheel."""

    due_s: np.ndarray
    pps_count: np.ndarray
    count: np.ndarray
    edge_tick: np.ndarray
    tick: np.ndarray
    pps_tick: np.ndarray


def wheel_rows(sent: Rendered) -> WheelRows:
    """Frames as the table of the wheel has them."""
    rows = []
    for number, frame in enumerate(sent.frames):
        values = struct.unpack("<BBBBIIIIHH", frame)
        assert values[:2] == (0xD2, number % 256)
        assert values[-1] == binascii.crc_hqx(frame[1:22], 0xFFFF)
        assert values[8] == 1000
        rows.append(values[3:8])
    columns = np.array(rows, dtype=np.int64).T
    return WheelRows(np.array(sent.due_s), *columns)


@dataclass(frozen=True)
class Sentence:
    """One sentence, between ``$`` and ``*``."""

    due_s: float
    words: list[str]

    @property
    def kind(self) -> str:
        return self.words[0][2:]

    @property
    def clock(self) -> str:
        return self.words[1]

    @property
    def date(self) -> str:
        """``ddmmyy`` of RMC, ``ddmmyyyy`` of ZDA, empty of GGA."""
        where = {"RMC": slice(9, 10), "ZDA": slice(2, 5), "GGA": slice(0)}[self.kind]
        return "".join(self.words[where])


def sentences(sent: Rendered, kind: str = "") -> list[Sentence]:
    """Sentences, of one kind or of all."""
    out = []
    for due_s, data in zip(sent.due_s, sent.frames, strict=True):
        assert data[:1] == b"$"
        assert data[-2:] == b"\r\n"
        body, _, check = data[1:-2].partition(b"*")
        total = 0
        for byte in body:
            total ^= byte
        assert check == b"%02X" % total
        out.append(Sentence(due_s, body.decode("ascii").split(",")))
    return [s for s in out if kind in ("", s.kind)]

"""A train, its cell, its wheel and its receiver as arrays, to be spoilt one at a time."""

from __future__ import annotations

from collections.abc import Mapping, Sequence
from dataclasses import dataclass, field, replace
from itertools import pairwise
from pathlib import Path
from typing import Any

import numpy as np
from numpy.typing import NDArray

from calibration.certificates.certificate import dump_certificate
from calibration.certificates.force import ForceCertificate
from recorder.run.checks.channel_health import Episode, HealthFault
from recorder.run.checks.run_health import RunHealth
from recorder.run.parts.header import ChannelHeader, DeviceHeader, RunHeader
from recorder.run_file.seal.write_whole import DeviceData, write_run
from tests.recorder.made_runs import CELL, WHEEL, gnss, header, load_cell, wheel

CELL_HZ, WHEEL_HZ = 200, 20


class Told:
    """Keeps what it is told."""

    def __init__(self) -> None:
        self.first: list[Episode] = []
        self.whole: list[Episode] = []

    def begun(self, episode: Episode) -> None:
        self.first.append(episode)

    def ended(self, episode: Episode) -> None:
        self.whole.append(episode)

    @property
    def faults(self) -> list[tuple[HealthFault, str]]:
        return [(e.fault, e.channels[0]) for e in self.whole]


def receiver() -> DeviceHeader:
    """With a speed."""
    held = gnss()
    speed = ChannelHeader(
        name="gnss_speed", quantity="gnss_speed", unit="m/s", field="speed_m_s"
    )
    return replace(
        held, channels=(*held.channels, speed), dtype=[*held.dtype, ["speed_m_s", "<f8"]]
    )


@dataclass
class Train:
    """Its columns may be spoilt before it is heard."""

    seconds: float = 300.0
    speed_m_s: float = 12.0
    stands_s: tuple[float, float] = (100.0, 200.0)
    """Brakes to a stand before, and starts after."""
    noise: float = 300.0
    """Counts, standard deviation."""
    late_s: float = 0.4
    """The receiver's speeds tell of so long ago."""
    scatter_m_s: float = 0.05
    """Standard deviation of the receiver's speeds."""
    rate_m_s2: float = 0.25
    """Of starts and stops."""
    quantum: int = 1
    seed: int = 1
    cell: ForceCertificate = CELL
    data: dict[str, tuple[NDArray[np.float64], dict[str, NDArray[Any]]]] = field(init=False)

    def __post_init__(self) -> None:
        rng = np.random.default_rng(self.seed)
        t = np.arange(0.0, self.seconds, 1.0 / CELL_HZ)
        pull = 60.0 * (self.at(t) / self.speed_m_s) + 2.0 * np.sin(t / 17.0) * (self.at(t) > 0)
        sway = 4.0 * self.noise * np.sin(40.0 * t) * (self.at(t) > 0.5)
        counts = pull / 1e-4 + sway + self.noise * rng.standard_normal(len(t)) + 1000.0
        ch0 = (np.rint(counts / self.quantum) * self.quantum).astype(np.int32)
        w = np.arange(0.0, self.seconds, 1.0 / WHEEL_HZ)
        gone = np.cumsum(self.at(w)) / WHEEL_HZ
        g = np.arange(0.3, self.seconds, 1.0)
        v = np.abs(self.at(g - self.late_s) + self.scatter_m_s * rng.standard_normal(len(g)))
        self.data = {
            "cell": (t, {"ch0": ch0}),
            "wheel": (w, {"count": np.floor(gone / WHEEL.m_per_pulse).astype(np.int64)}),
            "gnss": (g, {"speed_m_s": v, "valid": np.ones(len(g), np.uint8)}),
        }

    def at(self, t_s: NDArray[np.float64]) -> NDArray[np.float64]:
        """Speed, m/s."""
        start, stop = self.stands_s
        away = np.maximum(np.maximum(start - t_s, t_s - stop), 0.0)
        top = self.speed_m_s * (1.0 + 0.1 * np.sin(t_s / 29.0))
        return np.minimum(top, self.rate_m_s2 * away)

    def column(self, device: str, name: str) -> tuple[NDArray[np.float64], NDArray[Any]]:
        """Times and column, to be spoilt in place."""
        t, columns = self.data[device]
        return t, columns[name]

    def heard(
        self, *, cuts: Mapping[str, Sequence[int]] | None = None, without: Sequence[str] = ()
    ) -> Told:
        """What is told of it; devices cut at those records, and handed on by time."""
        told = Told()
        health = RunHealth(self.header(), {"certs/cell.json": self.cell, "wheel": WHEEL}, told)
        parts = []
        for device, (t, columns) in self.data.items():
            if device in without:
                continue
            bounds = sorted({0, len(t), *(cuts or {}).get(device, ())})
            for a, b in pairwise(bounds):
                some = {name: column[a:b] for name, column in columns.items()}
                parts.append((float(t[b - 1]), device, t[a:b], some))
        for _, device, t_s, some in sorted(parts, key=lambda part: part[0]):
            health.feed(device, t_s, some)
            health.judge_whole()
        health.finish()
        return told

    def header(self) -> RunHeader:
        texts = {
            "certs/cell.json": dump_certificate(self.cell),
            "wheel": dump_certificate(WHEEL),
        }
        return header(load_cell(), wheel(), receiver(), certificates=texts)

    def keep(self, path: Path) -> None:
        """As a sealed run."""
        made = self.header()
        data = {}
        for device in made.devices:
            t, columns = self.data[device.name]
            records = np.zeros(len(t), device.record_dtype)
            records["tick"] = np.rint(t * device.tick_hz).astype(np.uint64)
            if device.name == "wheel":
                records["edge_tick"] = records["tick"]
            for name, column in columns.items():
                records[name] = column
            data[device.name] = DeviceData(time_s=t, records=records)
        write_run(path, made, data)

"""Made-up runs for the tests of keeping and of the run file: known truth, three devices."""

from __future__ import annotations

import uuid
from collections.abc import Iterator, Sequence
from dataclasses import dataclass, field
from datetime import date
from pathlib import Path
from typing import Any

import numpy as np
from numpy.typing import NDArray

from calibration.certificates.certificate import dump_certificate
from calibration.certificates.force import ForceCertificate
from calibration.certificates.wheel import WheelCertificate
from calibration.clock.tick_line import TickLine
from recorder.keeping.filer import follow
from recorder.keeping.journal import Journal
from recorder.keeping.journal_rows import Cursor, Rows
from recorder.keeping.owner import journal_path_for
from recorder.keeping.transfer import JournalRows
from recorder.marks.mark import Mark
from recorder.run.checks.zero_line import Zero
from recorder.run.parts.block import Block, by_device, heads_of, joined
from recorder.run.parts.event import Event
from recorder.run.parts.gap import Cause, Gap
from recorder.run.parts.header import ChannelHeader, DeviceHeader, RunHeader
from recorder.run_file.hdf5.live_writer import LiveWriter

STARTED_UTC_NS = 1_770_000_000_000_000_000
STARTED_MONOTONIC_NS = 5_000_000_000_000
KN_PER_COUNT = 1e-4
ZERO_COUNTS = 1_000
PULSES_PER_REVOLUTION = 100
SPEED_M_S = 10.0
TICK_HZ = 1_000_000.0
DRIFT = 30e-6
"""The cell's oscillator is fast by so much."""
LATENCY_S = 0.004

CELL = ForceCertificate.from_coefficients(
    [0.0, KN_PER_COUNT],
    capacity_kN=500.0,
    nominal_zero_counts=0.0,
    issued=date(2026, 1, 1),
    expires=date(2027, 1, 1),
)
WHEEL = WheelCertificate(
    certificate_id="made wheel",
    issued=date(2026, 1, 1),
    expires=None,
    wheel="made up",
    circumference_m=3.0,
    u_circumference_m=0.001,
    pulses_per_revolution=PULSES_PER_REVOLUTION,
)


def load_cell(name: str = "cell") -> DeviceHeader:
    """A cell with one wired channel."""
    pull = ChannelHeader(
        name="pull", quantity="pull", unit="kN", field="ch0", certificate="certs/cell.json"
    )
    return DeviceHeader(
        name=name,
        driver="load-cell-frames",
        port="none",
        dtype=[["tick", "<u8"], ["ch0", "<i4"]],
        tick_hz=TICK_HZ,
        channels=(pull,),
    )


def wheel() -> DeviceHeader:
    """A measuring wheel: distance and speed."""
    channels = (
        ChannelHeader(
            name="distance", quantity="distance", unit="m", field="count", certificate="wheel"
        ),
        ChannelHeader(
            name="speed", quantity="speed", unit="m/s", field="count", certificate="wheel"
        ),
    )
    fields = [
        ["tick", "<u8"],
        ["edge_tick", "<u8"],
        ["count", "<i8"],
        ["pps_tick", "<u8"],
        ["pps_count", "|u1"],
        ["flags", "|u1"],
        ["sequence", "|u1"],
    ]
    return DeviceHeader(
        name="wheel",
        driver="wheel-pulses",
        port="none",
        dtype=fields,
        tick_hz=TICK_HZ,
        channels=channels,
    )


def gnss() -> DeviceHeader:
    """A clock whose ticks are the computer's monotonic nanoseconds."""
    channels = (
        ChannelHeader(name="latitude", quantity="latitude", unit="deg", field="latitude_deg"),
    )
    fields = [
        ["tick", "<u8"],
        ["utc_ns", "<i8"],
        ["valid", "|u1"],
        ["kind", "|S3"],
        ["latitude_deg", "<f8"],
        ["sentence", "|S256"],
    ]
    return DeviceHeader(
        name="gnss",
        driver="nmea-0183",
        port="none",
        dtype=fields,
        tick_hz=1e9,
        channels=channels,
    )


def header(*devices: DeviceHeader, **changes: Any) -> RunHeader:
    """The header of a run of these devices; all three when none is given."""
    values: dict[str, Any] = {
        "run_id": uuid.uuid4().hex,
        "started_utc_ns": STARTED_UTC_NS,
        "started_monotonic_ns": STARTED_MONOTONIC_NS,
        "boot_id": "made",
        "software": "testcar test",
        "car_sheet": "",
        "trip_sheet": "",
        "certificates": {
            "certs/cell.json": dump_certificate(CELL),
            "wheel": dump_certificate(WHEEL),
        },
        "devices": devices or (load_cell(), wheel(), gnss()),
    }
    return RunHeader(**{**values, **changes})


def pull_counts(t_s: NDArray[np.float64]) -> NDArray[np.int32]:
    """Counts of a pull that swings between 50 and 150 kN."""
    force = 100.0 + 50.0 * np.sin(t_s / 3.0)
    return np.rint(ZERO_COUNTS + force / KN_PER_COUNT).astype(np.int32)


def cell_blocks(seconds: float, *, rate_hz: float = 2000.0, size: int = 50) -> list[Block]:
    """Blocks of the cell: ticks fast by ``DRIFT``, receipts late by ``LATENCY_S`` or more."""
    n = int(seconds * rate_hz) // size * size
    t_s = np.arange(n) / rate_hz
    records = np.zeros(n, load_cell().record_dtype)
    records["tick"] = np.rint(t_s * TICK_HZ * (1.0 + DRIFT)).astype(np.uint64)
    records["ch0"] = pull_counts(t_s)
    late = LATENCY_S + np.random.default_rng(3).exponential(0.002, n // size)
    return _cut("cell", records, t_s, size, late)


def wheel_blocks(seconds: float, *, rate_hz: float = 100.0, size: int = 5) -> list[Block]:
    """Blocks of the wheel at ``SPEED_M_S`` all along, and a pulse at every whole second."""
    n = int(seconds * rate_hz) // size * size
    t_s = (np.arange(n) + 1) / rate_hz
    pulses_a_s = SPEED_M_S / (3.0 / PULSES_PER_REVOLUTION)
    count = np.floor(t_s * pulses_a_s)
    records = np.zeros(n, wheel().record_dtype)
    records["tick"] = np.rint(t_s * TICK_HZ).astype(np.uint64)
    records["edge_tick"] = np.rint(count / pulses_a_s * TICK_HZ).astype(np.uint64)
    records["count"] = count.astype(np.int64)
    records["flags"] = 1 | 4
    records["pps_count"] = np.floor(t_s).astype(np.int64) % 256
    records["pps_tick"] = (np.floor(t_s) * TICK_HZ).astype(np.uint64)
    records["sequence"] = np.arange(n) % 256
    late = LATENCY_S + np.random.default_rng(4).exponential(0.002, n // size)
    return _cut("wheel", records, t_s, size, late)


def gnss_blocks(seconds: float) -> list[Block]:
    """One sentence a second, 0.1 s after the second it names."""
    n = int(seconds)
    t_s = np.arange(n) + 0.1
    records = np.zeros(n, gnss().record_dtype)
    records["tick"] = STARTED_MONOTONIC_NS + np.rint(t_s * 1e9).astype(np.int64)
    records["utc_ns"] = STARTED_UTC_NS + np.arange(n) * 10**9
    records["valid"] = 1
    records["kind"] = b"RMC"
    records["latitude_deg"] = 51.5 + t_s * 1e-5
    records["sentence"] = b"$GPRMC,made"
    return [
        Block(
            device="gnss",
            sequence=i,
            received_s=float(t_s[i]),
            records=records[i : i + 1],
            line=TickLine(tick0=STARTED_MONOTONIC_NS, t0_s=0.0, s_per_tick=1e-9),
        )
        for i in range(n)
    ]


def _cut(
    device: str,
    records: NDArray[np.void],
    t_s: NDArray[np.float64],
    size: int,
    late_s: NDArray[np.float64],
) -> list[Block]:
    tick0, t0_s = int(records["tick"][0]), float(t_s[0]) + LATENCY_S
    line = TickLine(tick0=tick0, t0_s=t0_s, s_per_tick=1.0 / TICK_HZ)
    return [
        Block(
            device=device,
            sequence=i,
            received_s=float(t_s[(i + 1) * size - 1] + late_s[i]),
            records=records[i * size : (i + 1) * size],
            line=line,
        )
        for i in range(len(records) // size)
    ]


def mark(t_s: float, **changes: Any) -> Mark:
    """A milepost mark."""
    values: dict[str, Any] = {
        "mark_id": uuid.uuid4().hex,
        "kind": "milepost",
        "t_s": t_s,
        "value": "41",
        "by": "crew",
        "entered_utc_ns": STARTED_UTC_NS,
        "software": "testcar test",
    }
    return Mark(**{**values, **changes})


@dataclass
class MadeRun:
    """What goes into a run."""

    header: RunHeader
    blocks: list[Block]
    marks: list[Mark] = field(default_factory=list)
    events: list[Event | Gap] = field(default_factory=list)

    def commits(self, size: int = 8) -> Iterator[list[Block]]:
        """The blocks in order of receipt, some at a time."""
        ordered = sorted(self.blocks, key=lambda block: block.received_s)
        for at in range(0, len(ordered), size):
            yield ordered[at : at + size]

    def records(self, device: str) -> NDArray[np.void]:
        """All records of a device."""
        held = [b.records for b in self.blocks if b.device == device]
        result: NDArray[np.void] = np.concatenate(held)
        return result

    def journal(self, path: Path, *, close: bool = True) -> Journal:
        """Write it all to a journal."""
        journal = Journal.create(path, self.header, ballast_bytes=4096)
        for mark_ in self.marks:
            journal.commit_mark(mark_)
        for i, blocks in enumerate(self.commits()):
            journal.append(blocks, self.events if i == 0 else [])
        if close:
            journal.close()
        return journal

    def filed(self, run_path: Path) -> Path:
        """Write it to a journal and file it, unsealed; returns the journal's path."""
        journal = journal_path_for(run_path)
        self.journal(journal)
        follow(journal, run_path, Stopped())
        return journal


def all_rows(reader: JournalRows, *, chunk_bytes: int = 2**20) -> Iterator[Rows]:
    """Everything committed, from the first row on."""
    cursor = Cursor()
    while rows := reader.read_new(cursor, chunk_bytes=chunk_bytes):
        yield rows


def append_blocks(writer: LiveWriter, blocks: Sequence[Block]) -> None:
    """Append blocks of any devices to a run file that grows."""
    for device, held in by_device(blocks).items():
        writer.append(device, heads_of(held), joined([block.records for block in held]))


class Stopped:
    """An event that is set already: file what is there and end."""

    def is_set(self) -> bool:
        """Yes."""
        return True

    def wait(self, timeout: float) -> bool:
        """At once."""
        return timeout >= 0


def made_run(seconds: float = 12.0) -> MadeRun:
    """A run of all three devices with a zero, a gap, a correction and a withdrawn mark."""
    first = mark(1.0)
    wrong = mark(2.0)
    return MadeRun(
        header=header(),
        blocks=[*cell_blocks(seconds), *wheel_blocks(seconds), *gnss_blocks(seconds)],
        marks=[
            first,
            wrong,
            first.revised(value="42", note="read the post again " * 20),
            wrong.revised(withdrawn=True),
            mark(3.0, kind="remark", value="", note="signal at clear, " + "ä" * 200),
        ],
        events=[
            Zero(
                channel="pull",
                t_s=0.0,
                counts=float(ZERO_COUNTS),
                u_counts=0.05,
                sd_counts=2.0,
                n=2000,
            ).to_event(),
            Gap(
                device="cell",
                t_start_s=2.0,
                t_end_s=2.1,
                cause=Cause.CHECKSUM,
                detail="one frame",
                lost_records=20,
                before_record=100,
            ),
            Event(kind="health", t_s=1.0, data={"disk_free_bytes": 10**9}),
            Event(kind="stop", t_s=seconds + 0.5, data={"why": "asked"}),
        ],
    )

"""An honest recording for the proofs: real holes with their gaps, all counts told; and harm.

Harm is done as by somebody who knows the file well: through an HDF5 editor, and with all digests
made anew by the product's own functions, so that the digests alone find nothing.
"""

from __future__ import annotations

import hashlib
import os
from collections.abc import Callable
from dataclasses import replace
from datetime import UTC, datetime
from pathlib import Path
from typing import Any

import h5py
import numpy as np

from calibration.certificates.certificate import dump_certificate
from recorder.keeping.seal import seal
from recorder.machine.version import software
from recorder.run.parts.block import Block
from recorder.run.parts.event import Event
from recorder.run.parts.gap import Cause, Gap
from recorder.run_file.hdf5.create import put_text
from recorder.run_file.hdf5.open import open_for_writing
from recorder.run_file.seal.digests import CLOSING_BYTES, digests_of, digests_to_json
from recorder.run_file.seal.seal_file import mark_complete
from tests.calibration.made_certificates import made
from tests.recorder.made_runs import (
    STARTED_UTC_NS,
    WHEEL,
    MadeRun,
    header,
    made_run,
    mark,
)

SECONDS = 12.0
CELL_HOLE, WHEEL_HOLE = (60, 3), (100, 2)
"""First block left out, and how many."""
CELL_BLOCK, WHEEL_BLOCK = 50, 5
"""Records in a block."""
CELL_STEP = 500
"""Ticks from one sample to the next: 2 kHz at 1 MHz."""


def honest_run(**changes: Any) -> MadeRun:
    """A run of all three devices: a hole in the cell and one in the wheel, each with its gap."""
    run = made_run(SECONDS)
    blocks: dict[str, list[Block]] = {}
    for block in run.blocks:
        blocks.setdefault(block.device, []).append(block)
    cell, lost = _without(_even(blocks["cell"]), *CELL_HOLE), CELL_HOLE[1] * CELL_BLOCK
    wheel, gone = _without(blocks["wheel"], *WHEEL_HOLE), WHEEL_HOLE[1] * WHEEL_BLOCK
    gaps: list[Event | Gap] = [
        _gap("cell", Cause.CHECKSUM, lost, CELL_HOLE[0] * CELL_BLOCK, 1.5),
        _gap("wheel", Cause.LOST_FRAMES, gone, WHEEL_HOLE[0] * WHEEL_BLOCK, 5.0),
    ]
    kept = [*cell, *wheel, *_real_sentences(blocks["gnss"])]
    certificates = {
        "certs/cell.json": dump_certificate(made(issued="2026-01-01")),
        "wheel": dump_certificate(WHEEL),
    }
    first = mark(1.0, entered_utc_ns=STARTED_UTC_NS + 10**9)
    wrong = mark(2.0, entered_utc_ns=STARTED_UTC_NS + 2 * 10**9)
    entered = {"entered_utc_ns": STARTED_UTC_NS + 5 * 10**9}
    return MadeRun(
        header=header(software=software(), certificates=certificates, **changes),
        blocks=kept,
        marks=[
            first,
            wrong,
            first.revised(value="42", note="read the post again", **entered),
            wrong.revised(withdrawn=True, **entered),
        ],
        events=[run.events[0], *gaps, *_told(kept)],
    )


def _even(blocks: list[Block]) -> list[Block]:
    """The cell's ticks at exactly even steps, as its frames have them."""
    told = []
    for i, block in enumerate(blocks):
        records = block.records.copy()
        records["tick"] = CELL_STEP * (i * CELL_BLOCK + np.arange(CELL_BLOCK))
        told.append(replace(block, records=records))
    return told


def _real_sentences(blocks: list[Block]) -> list[Block]:
    """Positions and times as RMC sentences with their checksums (NMEA 0183)."""
    told = []
    for i, block in enumerate(blocks):
        minutes = 30.0 + 0.001 * i
        when = datetime.fromtimestamp(STARTED_UTC_NS // 10**9 + i, UTC)
        place = f"51{minutes:07.4f},N,00000.0000,E"
        body = f"GPRMC,{when:%H%M%S}.00,A,{place},19.4,090.0,{when:%d%m%y},,"
        check = 0
        for byte in body.encode():
            check ^= byte
        records = block.records.copy()
        records["latitude_deg"] = 51 + minutes / 60.0
        records["sentence"] = f"${body}*{check:02X}".encode()
        told.append(replace(block, records=records))
    return told


def _without(blocks: list[Block], first: int, many: int) -> list[Block]:
    """The blocks but for some that never came; the ring numbers those that did."""
    came = [*blocks[:first], *blocks[first + many :]]
    return [replace(block, sequence=i) for i, block in enumerate(came)]


def _gap(device: str, cause: Cause, lost: int, before: int, t_s: float) -> Gap:
    return Gap(
        device=device, t_start_s=t_s, t_end_s=t_s, cause=cause, lost_records=lost,
        before_record=before,
    )  # fmt: skip


def _told(blocks: list[Block]) -> list[Event]:
    """The status of every second, and the stop."""
    events = []
    for t_s in range(1, int(SECONDS) + 1):
        come = {
            name: sum(
                len(b.records) for b in blocks if b.device == name and b.received_s <= t_s
            )
            for name in ("cell", "wheel", "gnss")
        }
        gaps = {"cell": int(t_s > 2), "wheel": int(t_s > 6), "gnss": 0}
        devices = {name: {"records": n, "gaps": gaps[name]} for name, n in come.items()}
        events.append(Event(kind="health", t_s=float(t_s), data={"devices": devices}))
    names = {block.device for block in blocks}
    records = {n: sum(len(b.records) for b in blocks if b.device == n) for n in names}
    data = {"reason": "asked", "records": records}
    return [*events, Event(kind="stop", t_s=SECONDS + 0.5, data=data)]


def sealed_as(run: MadeRun, path: Path) -> Path:
    """File and seal a run."""
    seal(run.filed(path), path)
    return path


def without_digests(path: Path) -> Path:
    """A sealed run less its digests, closed again."""
    os.truncate(path, path.stat().st_size - CLOSING_BYTES)
    with h5py.File(path, "r+") as file:
        del file["digests/json"]
    mark_complete(path)
    return path


def harmed(path: Path, harm: Callable[[h5py.File], None]) -> Path:
    """Do harm to a sealed run, and make all its digests anew."""
    os.truncate(path, path.stat().st_size - CLOSING_BYTES)
    with h5py.File(path, "r+") as file:
        harm(file)
        del file["digests/json"]
    with open_for_writing(path) as store:
        text = digests_to_json(digests_of(store))
        put_text(store, "digests/json", text)
        digest = hashlib.sha256(text.encode()).hexdigest()
        store.set_attributes("/", {"digests_sha256": np.bytes_(digest)})
    mark_complete(path)
    return path


def retext(file: h5py.File, path: str, text: str) -> None:
    """Another text in the place of one."""
    attributes = dict(file[path].attrs)
    del file[path]
    data = text.encode()
    kind = h5py.string_dtype("utf-8", len(data))
    made_again = file.create_dataset(path, shape=(1,), maxshape=(1,), chunks=(1,), dtype=kind)
    made_again[0] = data
    made_again.attrs.update(attributes)

"""Sealed runs of one force cell with counts and events as a test gives them."""

from __future__ import annotations

import uuid
from dataclasses import replace
from datetime import date
from pathlib import Path

import numpy as np
from numpy.typing import ArrayLike

from calibration.certificates.certificate import dump_certificate
from calibration.certificates.force import ForceCertificate
from calibration.certificates.force_curve import ShuntExpectation
from recorder.run.parts.event import Event
from recorder.run.parts.header import ChannelHeader, DeviceHeader, RunHeader
from recorder.run_file.seal.write_whole import DeviceData, write_run

KN_PER_COUNT = 1e-4
CAPACITY_KN = 500.0
CELL = replace(
    ForceCertificate.from_coefficients(
        [0.0, KN_PER_COUNT],
        capacity_kN=CAPACITY_KN,
        zero_limit_counts=5000.0,
        shunt=ShuntExpectation(deflection_counts=2_000_000.0, limit_counts=5000.0),
    ),
    certificate_id="F-12",
    issued=date(2026, 1, 1),
)
HZ = 100.0


def cell_run(path: Path, counts: ArrayLike, *events: Event) -> Path:
    """A run of the counts given, a hundred a second from run time 0."""
    taken = np.asarray(counts)
    t = np.arange(len(taken)) / HZ
    records = np.zeros(len(taken), np.dtype([("tick", "<u8"), ("ch0", "<i4")]))
    records["tick"] = np.rint(t * 1e6).astype(np.uint64)
    records["ch0"] = taken
    pull = ChannelHeader(
        name="pull", quantity="pull", unit="kN", field="ch0", certificate="cell"
    )
    device = DeviceHeader(
        name="cell", driver="load-cell-frames", port="none",
        dtype=[["tick", "<u8"], ["ch0", "<i4"]], tick_hz=1e6, channels=(pull,),
    )  # fmt: skip
    header = RunHeader(
        run_id=uuid.uuid4().hex, started_utc_ns=1_790_000_000 * 10**9, started_monotonic_ns=0,
        boot_id="made", software="made", car_sheet="", trip_sheet="",
        certificates={"cell": dump_certificate(CELL)}, devices=(device,),
    )  # fmt: skip
    write_run(path, header, {"cell": DeviceData(time_s=t, records=records)}, events=events)
    return path

"""What is handed in: trip sheet and run file, as a table or from a cell with a certificate."""

from __future__ import annotations

import uuid
from collections.abc import Sequence
from dataclasses import replace
from datetime import date
from pathlib import Path

import numpy as np

from calibration.certificates.certificate import dump_certificate
from calibration.certificates.force import ForceCertificate
from recorder.exchange.table_import import ImportedTable, import_table
from recorder.marks.mark import Mark
from recorder.run.parts.event import Event
from recorder.run.parts.header import ChannelHeader, DeviceHeader, RunHeader
from recorder.run_file.seal.write_whole import DeviceData, write_run
from tests.campaigns.trial_train.instruments import Fixes, Readings
from tests.campaigns.trial_train.locomotive import Curve, Sureness, Train
from tests.campaigns.trial_train.scenarios import Scenario

__all__ = ["START_M", "trip_sheet", "write_run_file"]

START_M = 1500.0
CAPACITY_KN = 500.0
KN_PER_COUNT = 1e-4
ZERO_COUNTS = 20_000
UNITS = {"speed": "m/s", "distance": "m", "grade": "1", "curvature": "1/m"}


def write_run_file(
    path: Path, chosen: Scenario, readings: Readings, marks: Sequence[Mark], sheet: str
) -> None:
    """A run of a table, or one of a cell with its certificate and a zero before the start."""
    columns = dict(readings.columns)
    if chosen.route:
        del columns["grade"], columns["curvature"]
    if chosen.certificate:
        _write_cell_run(path, chosen, readings, marks, sheet)
        return
    wheel = (None, chosen.stated.wheel_rel)
    import_table(
        ImportedTable(time_s=readings.time_s, columns=columns, warnings=()),
        path,
        software="drawn trial",
        trip_sheet=sheet,
        marks=marks,
        uncertainties={
            "pull": (chosen.stated.pull_kN, chosen.stated.pull_rel),
            "speed": wheel,
            "distance": wheel,
        },
    )


def _write_cell_run(
    path: Path, chosen: Scenario, readings: Readings, marks: Sequence[Mark], sheet: str
) -> None:
    cell = ForceCertificate.from_coefficients(
        [0.0, KN_PER_COUNT],
        capacity_kN=CAPACITY_KN,
        u_zero_kN=chosen.stated.pull_kN,
        u_relative=chosen.stated.pull_rel,
        issued=date(2026, 1, 1),
        certificate_id="F-7",
        zero_limit_counts=50_000.0,
    )
    columns = dict(readings.columns)
    counts = np.rint(columns.pop("pull") / KN_PER_COUNT) + ZERO_COUNTS
    records = np.zeros(len(counts), np.dtype([("tick", "<u8"), ("ch0", "<i4")]))
    records["tick"] = np.rint(readings.time_s * 1e6).astype(np.uint64)
    records["ch0"] = counts
    header = _header(cell, chosen, list(columns), sheet)
    taken = {
        "channel": "pull", "counts": float(ZERO_COUNTS), "sd_counts": 2000.0, "n": 400,
        "when": "before",
    }  # fmt: skip
    devices = {
        "cell": DeviceData(time_s=readings.time_s, records=records),
        "table": DeviceData(time_s=readings.time_s, values=columns),
    }
    if readings.fixes is not None:
        header = replace(header, devices=(*header.devices, _RECEIVER))
        devices["receiver"] = _received(readings.fixes)
    write_run(
        path,
        header,
        devices,
        marks=marks,
        events=[Event(kind="zero", t_s=0.0, data=taken)],
    )


_RECEIVER = DeviceHeader(
    name="receiver", driver="nmea-0183", port="none",
    dtype=[["tick", "<u8"], ["valid", "|u1"], ["speed_m_s", "<f8"]], tick_hz=1e9,
    channels=(
        ChannelHeader(
            name="gnss_speed", quantity="gnss_speed", unit="m/s", field="speed_m_s"
        ),
    ),
)  # fmt: skip


def _received(fixes: Fixes) -> DeviceData:
    records = np.zeros(len(fixes.time_s), _RECEIVER.record_dtype)
    records["tick"] = np.rint(fixes.time_s * 1e9).astype(np.uint64)
    records["valid"] = np.isfinite(fixes.speed_m_s)
    records["speed_m_s"] = fixes.speed_m_s
    return DeviceData(time_s=fixes.time_s, records=records)


def _header(
    cell: ForceCertificate, chosen: Scenario, columns: Sequence[str], sheet: str
) -> RunHeader:
    pull = ChannelHeader(
        name="pull", quantity="pull", unit="kN", field="ch0", certificate="cell"
    )
    wheel = chosen.stated.wheel_rel
    table = tuple(
        ChannelHeader(
            name=name, quantity=name, unit=UNITS[name], field="",
            relative_uncertainty=wheel if name in {"speed", "distance"} else None,
        )
        for name in columns
    )  # fmt: skip
    tick = ["tick", "<u8"]
    devices = (
        DeviceHeader(
            name="cell", driver="load-cell-frames", port="none", dtype=[tick, ["ch0", "<i4"]],
            tick_hz=1e6, channels=(pull,),
        ),
        DeviceHeader(
            name="table", driver="imported-table", port="none", dtype=[tick],
            tick_hz=1e6, channels=table,
        ),
    )  # fmt: skip
    return RunHeader(
        run_id=uuid.uuid4().hex, started_utc_ns=1_777_900_000 * 10**9, started_monotonic_ns=0,
        boot_id="drawn", software="drawn trial", car_sheet="", trip_sheet=sheet,
        certificates={"cell": dump_certificate(cell)}, devices=devices,
    )  # fmt: skip


def trip_sheet(chosen: Scenario, curve: Curve, train: Train, path: Path, *, steam: bool) -> str:
    """The trip sheet's text."""
    a, b, c = curve.own_resistance
    sure = chosen.sure
    weighed = "u_mass_t = 0.0\n" if sure.said else ""
    rows = [
        '[trip]\nname = "Drawn trial"\ndate = 2026-05-04',
        '[locomotive]\nname = "No. 7"',
        f'kind = "{"steam" if steam else "diesel"}"',
        f"mass_t = {train.own_t:.3f}\nlength_m = {train.own_m}",
        f"rotary_allowance = {train.own_rotary}",
        f"resistance = [{a:.4f}, {b:.5f}, {c:.6f}]",
        *_said(sure, train.own_t),
        f"[test_car]\nmass_t = {train.car_t}\n{weighed}length_m = 20.0\naxles = 4",
        f"rotary_allowance = {train.load_rotary}",
        f"[consist]\nmass_t = {train.load_t - train.car_t:.3f}",
        f"length_m = {train.load_m - 20.0:.2f}\naxles = {4 * int(train.load_t / 60)}",
        f"rotary_allowance = {train.load_rotary}",
        *_said(sure, train.load_t),
    ]
    if chosen.route:
        rows += [f'[route]\nfile = "{path.with_suffix(".csv").name}"\ndirection = "increasing"']
        rows += [f"start_chainage_m = {START_M}"]
    if chosen.route and sure.said:
        rows += [f"u_grade_pct = {100 * sure.grade}\ngrade_error_length_m = {sure.survey_m}"]
    rows += ['[specification]\nname = "promise"']
    for v, pull in zip(curve.promised_m_s, curve.promised_kN, strict=True):
        rows += [f"[[specification.points]]\nspeed_km_h = {3.6 * v:.6f}\npull_kN = {pull:.3f}"]
    return "\n".join(rows) + "\n"


def _said(sure: Sureness, mass_t: float) -> list[str]:
    """Of a locomotive, or of the whole load: the test car is weighed with it."""
    if not sure.said:
        return []
    return [f"u_mass_t = {sure.mass_rel * mass_t:.4f}\nu_rotary_allowance = {sure.rotary}"]

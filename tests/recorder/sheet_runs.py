"""Sealed runs of what a car sheet names, with no device: headers by the recording's own plan."""

from __future__ import annotations

from collections.abc import Mapping, Sequence
from dataclasses import replace
from datetime import date
from pathlib import Path

import numpy as np
from numpy.typing import NDArray

from calibration.certificates.certificate import dump_certificate
from recorder.acquisition.preparation.opening import make_header
from recorder.acquisition.preparation.plan import make_plan
from recorder.acquisition.process.pace import RealPace
from recorder.marks.mark import Mark
from recorder.run.parts.header import DeviceHeader, RunHeader
from recorder.run_file.seal.write_whole import DeviceData, write_run
from recorder.sheets import load_car_sheet, load_trip_sheet
from tests.recorder.made_runs import CELL, WHEEL

RAW_COUNTS = 1_234_568
"""What the cell sends, give or take some thousands."""
SPEED_M_S = 20.0
SECONDS = 400

CELL_DEVICE = """
[devices.cell]
driver = "load-cell-frames"
port = "tcp://127.0.0.1:1"
[devices.cell.channels.ch0]
quantity = "pull"
"""
WHEEL_DEVICE = """
[devices.wheel]
driver = "wheel-pulses"
port = "tcp://127.0.0.1:2"
"""
RECEIVER = """
[devices.clock]
driver = "nmea-0183"
port = "tcp://127.0.0.1:3"
"""
CERTIFIED_CELL = CELL_DEVICE + 'certificate = "cell.json"\n'
CERTIFIED_WHEEL = WHEEL_DEVICE + 'certificate = "wheel.json"\n'

TRIP = """
[trip]
name = "Trial of counts"
[locomotive]
name = "No. 9"
mass_t = 100.0
[test_car]
mass_t = 50.0
[consist]
mass_t = 500.0
[specification]
starting_pull_kN = 150.0
[[specification.points]]
speed_km_h = 10
pull_kN = 150.0
[[specification.points]]
speed_km_h = 90
pull_kN = 60.0
"""


def sheets(folder: Path, devices: str) -> tuple[Path, Path]:
    """A car sheet of these devices, a trip sheet, and certificates ``cell.json`` and
    ``wheel.json`` beside them."""
    (folder / "cell.json").write_text(dump_certificate(CELL), "utf-8")
    (folder / "wheel.json").write_text(dump_certificate(WHEEL), "utf-8")
    car, trip = folder / "car.toml", folder / "trip.toml"
    car.write_text('[car]\nname = "Car of trials"\n' + devices, "utf-8")
    trip.write_text(TRIP, "utf-8")
    return car, trip


def header_by_sheet(folder: Path, devices: str) -> RunHeader:
    """The header that a recording by such a sheet has."""
    car, trip = sheets(folder, devices)
    plan = make_plan(load_car_sheet(car), load_trip_sheet(trip), on=date(2026, 5, 4))
    return make_header(plan, RealPace(), start_ns=0)


def run_by_sheet(
    folder: Path,
    devices: str,
    *,
    stated: Mapping[str, str] | None = None,
    marks: Sequence[Mark] = (),
    seconds: int = SECONDS,
) -> Path:
    """A sealed run of a train that runs evenly.

    ``stated`` are units by channel that the header says instead of the recording's: what
    earlier versions wrote.
    """
    header = header_by_sheet(folder, devices)
    if stated:
        header = _stating(header, stated)
    data = {d.name: _data(d, seconds) for d in header.devices}
    run = folder / "run.h5"
    write_run(run, header, data, marks=marks)
    return run


def _stating(header: RunHeader, units: Mapping[str, str]) -> RunHeader:
    devices = (
        replace(
            device,
            channels=tuple(replace(c, unit=units.get(c.name, c.unit)) for c in device.channels),
        )
        for device in header.devices
    )
    return replace(header, devices=tuple(devices))


def _data(device: DeviceHeader, seconds: int) -> DeviceData:
    match device.driver:
        case "load-cell-frames":
            return _cell(device, seconds)
        case "wheel-pulses":
            return _wheel(device, seconds)
        case _:
            return _receiver(device, seconds)


def _cell(device: DeviceHeader, seconds: int) -> DeviceData:
    t = np.arange(seconds * 10) / 10.0
    records = _records(device, t)
    sway = 24_000 * np.sin(t / 3.0) + np.random.default_rng(1).normal(0.0, 50.0, len(t))
    for name in device.record_dtype.names or ():
        if name != "tick":
            records[name] = np.rint(RAW_COUNTS + sway)
    return DeviceData(time_s=t, records=records)


def _wheel(device: DeviceHeader, seconds: int) -> DeviceData:
    t = np.arange(seconds * 10) / 10.0
    records = _records(device, t)
    a_s = SPEED_M_S / WHEEL.m_per_pulse
    records["count"] = np.floor(t * a_s)
    records["edge_tick"] = np.rint(np.floor(t * a_s) / a_s * device.tick_hz)
    records["flags"] = 1
    return DeviceData(time_s=t, records=records)


def _receiver(device: DeviceHeader, seconds: int) -> DeviceData:
    """Two sentences a second: RMC knows the speed, GGA the height, both the place."""
    t = np.repeat(np.arange(seconds) + 0.1, 2) + np.tile([0.0, 0.02], seconds)
    records = _records(device, t)
    records["valid"] = 1
    records["kind"] = np.tile([b"RMC", b"GGA"], seconds)
    records["latitude_deg"] = 45.0 + SPEED_M_S * t / 111_195.0
    records["longitude_deg"] = 7.0
    records["speed_m_s"] = np.where(records["kind"] == b"RMC", SPEED_M_S, np.nan)
    records["course_deg"] = np.where(records["kind"] == b"RMC", 0.0, np.nan)
    records["altitude_m"] = np.where(records["kind"] == b"GGA", 312.0, np.nan)
    records["sentence"] = b"$GNRMC,made"
    return DeviceData(time_s=t, records=records)


def _records(device: DeviceHeader, t_s: NDArray[np.float64]) -> NDArray[np.void]:
    records = np.zeros(len(t_s), device.record_dtype)
    records["tick"] = np.rint(t_s * device.tick_hz)
    return records

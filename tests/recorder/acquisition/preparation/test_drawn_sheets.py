"""Whatever a car sheet says of a channel: it is refused, or the values are what it says."""

from __future__ import annotations

from collections.abc import Sequence
from datetime import date
from pathlib import Path

import numpy as np
import pytest
from hypothesis import HealthCheck, given, settings
from hypothesis import strategies as st

from recorder.acquisition.preparation.opening import make_header
from recorder.acquisition.preparation.plan import make_plan
from recorder.acquisition.process.pace import RealPace
from recorder.run.parts.header import RunHeader
from recorder.run.parts.quantities import RUN_UNITS, run_unit
from recorder.run.values.calibrate import Calibrator
from recorder.sheets import SheetError, parse_car_sheet
from tests.recorder.made_runs import CELL, WHEEL
from tests.recorder.sheet_runs import sheets

FIELDS = {
    "load-cell-frames": ("ch0", "ch1"),
    "wheel-pulses": ("count", "edge_tick", "flags", "pps_count"),
    "nmea-0183": ("altitude_m", "speed_m_s", "latitude_deg", "satellites", "hdop", "utc_ns"),
}
"""Of the protocols on the developers' page, some."""
QUANTITIES = (*sorted(RUN_UNITS), "force", "pulses", "wind-vane")
FILES = ("", "", "cell.json", "wheel.json")
N = 50


@st.composite
def car_sheets(draw: st.DrawFn) -> str:
    """One device with up to two channels; certificates wherever a sheet may name one."""
    driver = draw(st.sampled_from(sorted(FIELDS)))
    lines = ['[car]\nname = "drawn"', "[devices.one]", f'driver = "{driver}"',
             'port = "tcp://127.0.0.1:1"']  # fmt: skip
    if at_port := draw(st.sampled_from(FILES)):
        lines.append(f'certificate = "{at_port}"')
    for i in range(draw(st.integers(0, 2))):
        lines.append(f"[devices.one.channels.drawn{i}]")
        lines.append(f'field = "{draw(st.sampled_from(FIELDS[driver]))}"')
        lines.append(f'quantity = "{draw(st.sampled_from(QUANTITIES))}"')
        if own := draw(st.sampled_from(FILES)):
            lines.append(f'certificate = "{own}"')
    return "\n".join(lines) + "\n"


@pytest.fixture(scope="module")
def folder(tmp_path_factory: pytest.TempPathFactory) -> Path:
    """Where the certificates lie."""
    place = tmp_path_factory.mktemp("car")
    sheets(place, "")
    return place


@given(sheet=car_sheets())
@settings(max_examples=150, suppress_health_check=[HealthCheck.function_scoped_fixture])
def test_a_sheet_is_refused_or_its_units_are_true(folder: Path, sheet: str) -> None:
    header, problems = _planned(folder, sheet)
    assert (header is None) == bool(problems)
    assert all("\n" not in line for line in problems)
    if header is None:
        return
    named = sheet.count("certificate =")
    used = {c.certificate for c in header.channels} - {""}
    assert set(header.certificates) == used
    assert bool(named) == bool(used), "a certificate is used, or the sheet is refused"
    _check_values(header)


def _planned(folder: Path, sheet: str) -> tuple[RunHeader | None, Sequence[str]]:
    """The header of a recording by the sheet, or what is wrong with it."""
    try:
        plan = make_plan(parse_car_sheet(sheet, folder=folder), on=date(2026, 5, 4))
    except SheetError as error:
        return None, error.problems
    return make_header(plan, RealPace(), start_ns=0), ()


def _check_values(header: RunHeader) -> None:
    """Values from counts, by the certificates' own arithmetic, in the unit that is stated."""
    (device,) = header.devices
    records = np.zeros(N, device.record_dtype)
    raw = 1_000_000 + np.arange(N)
    for name in device.record_dtype.names or ():
        if records[name].dtype.kind in "iuf":
            records[name] = raw % (127 if records[name].dtype.itemsize == 1 else 2**31)
    if device.host_clock:
        records["tick"] = np.arange(N)
    values = Calibrator(header).calibrate(device.name, records, np.arange(N, dtype=np.float64))
    for channel in device.channels:
        assert channel.unit == channel.true_unit
        told, counts = values[channel.name].values, records[channel.field].astype(np.float64)
        assert not (channel.measures and channel.quantity == "pull") or channel.certificate
        match channel.unit:
            case "kN":
                np.testing.assert_allclose(told, CELL.to_force(counts, zero_counts=0.0))
            case "m" if channel.certificate:
                np.testing.assert_allclose(told, (counts - counts[0]) * WHEEL.m_per_pulse)
            case "m/s" if channel.certificate:
                assert np.isnan(told).all(), "worked out over whole stretches"
            case _:
                np.testing.assert_array_equal(told, counts)
        if channel.quantity in RUN_UNITS and channel.measures:
            assert channel.unit == run_unit(channel.quantity)

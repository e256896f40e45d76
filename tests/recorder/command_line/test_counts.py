"""Counts have no kilonewtons: what the verbs say of a car whose channels have no certificate."""

from __future__ import annotations

import csv
import html
import json
import math
import re
from pathlib import Path

import numpy as np
import pytest

from recorder.analysis.campaign.loading import load_run
from recorder.analysis.dynamics.consumption import consumption
from recorder.analysis.dynamics.energy import balance_energy
from recorder.analysis.dynamics.mass import check_mass
from recorder.analysis.dynamics.peaks import highest_mean
from recorder.analysis.dynamics.stops_and_starts import find_starts
from recorder.analysis.plausibility.doubt import CheckState
from recorder.command_line.main import main
from recorder.marks.kinds import Kind
from recorder.report.roll.roll import RollScale, roll_sheets
from recorder.run_file.hdf5.reader import open_run
from tests.recorder.made_runs import mark
from tests.recorder.sheet_runs import (
    CELL_DEVICE,
    CERTIFIED_CELL,
    CERTIFIED_WHEEL,
    RAW_COUNTS,
    RECEIVER,
    SECONDS,
    SPEED_M_S,
    WHEEL_DEVICE,
    run_by_sheet,
)

PULL_IN_COUNTS = "pull is in counts: no certificate; no force, power or work can be stated"
NO_WHEEL = "no wheel certificate; no distance or speed can be stated from it"


def _info(run: Path, capsys: pytest.CaptureFixture[str]) -> str:
    assert main(["info", str(run)]) == 0
    return capsys.readouterr().out


def test_info_says_counts(tmp_path: Path, capsys: pytest.CaptureFixture[str]) -> None:
    run = run_by_sheet(tmp_path, CELL_DEVICE + CERTIFIED_WHEEL)
    told = _info(run, capsys)
    assert PULL_IN_COUNTS in told.splitlines()
    assert "kN" not in told
    assert main(["info", str(run), "--json"]) == 0
    pull = json.loads(capsys.readouterr().out)["channels"]["pull"]
    assert pull["unit"] == "counts"
    assert pull["unmeasured"] == PULL_IN_COUNTS
    assert pull["max"] > RAW_COUNTS


def test_info_of_a_certified_car_says_none_of_it(
    tmp_path: Path, capsys: pytest.CaptureFixture[str]
) -> None:
    told = _info(run_by_sheet(tmp_path, CERTIFIED_CELL + CERTIFIED_WHEEL + RECEIVER), capsys)
    assert " kN" in told
    assert "no certificate" not in told
    assert "can be stated" not in told


def test_an_earlier_file_that_says_kN_of_counts_is_opened_as_counts(
    tmp_path: Path, capsys: pytest.CaptureFixture[str]
) -> None:
    run = run_by_sheet(tmp_path, CELL_DEVICE + CERTIFIED_WHEEL, stated={"pull": "kN"})
    told = _info(run, capsys)
    assert (
        "pull is in counts, though the file says kN: no certificate; no force, power or work"
        " can be stated"
    ) in told.splitlines()
    assert "counts to" in told
    assert main(["verify", str(run)]) == 0


def test_pulses_are_no_distance(tmp_path: Path, capsys: pytest.CaptureFixture[str]) -> None:
    told = _info(run_by_sheet(tmp_path, CELL_DEVICE + WHEEL_DEVICE), capsys)
    assert f"the wheel gives pulses: {NO_WHEEL}" in told.splitlines()


@pytest.mark.parametrize(
    ("devices", "words"),
    [
        (
            WHEEL_DEVICE
            + '[devices.wheel.channels.drag]\nfield = "count"\nquantity = "pull"\n',
            f"drag is in pulses: {NO_WHEEL}",
        ),
        (
            WHEEL_DEVICE + "[devices.wheel.channels.distance]\n",
            f"distance is in pulses: {NO_WHEEL}",
        ),
        (
            RECEIVER
            + '[devices.clock.channels.drag]\nfield = "satellites"\nquantity = "pull"\n',
            "drag is in counts: no certificate; no force, power or work can be stated",
        ),
        (
            CELL_DEVICE.replace("pull", "temperature"),
            "temperature is in counts: no certificate; no temperature can be stated",
        ),
    ],
)
def test_whatever_a_sheet_calls_counts_they_are_counts(
    tmp_path: Path, capsys: pytest.CaptureFixture[str], devices: str, words: str
) -> None:
    told = _info(run_by_sheet(tmp_path, devices, seconds=20), capsys)
    assert words in told.splitlines()
    for unit in ("kN", "°C", " m ", "m/s"):
        assert unit not in told


def test_a_receivers_own_fields_keep_their_units(
    tmp_path: Path, capsys: pytest.CaptureFixture[str]
) -> None:
    run = run_by_sheet(tmp_path, RECEIVER, seconds=20)
    assert main(["info", str(run), "--json"]) == 0
    channels = json.loads(capsys.readouterr().out)["channels"]
    assert {name: c["unit"] for name, c in channels.items()} == {
        "latitude": "deg",
        "longitude": "deg",
        "altitude": "m",
        "gnss_speed": "m/s",
        "gnss_course": "deg",
    }
    assert not any(c["unmeasured"] for c in channels.values())


def test_export_writes_counts_and_no_power(tmp_path: Path) -> None:
    run = run_by_sheet(
        tmp_path, CELL_DEVICE + CERTIFIED_WHEEL, stated={"pull": "kN"}, seconds=20
    )
    out = tmp_path / "tables"
    assert main(["export", str(run), "--out", str(out)]) == 0
    assert not (out / "power.csv").exists()
    with (out / "pull.csv").open(encoding="utf-8") as file:
        row = next(csv.DictReader(file))
    assert set(row) == {"time_s", "pull_counts", "flags"}
    assert float(row["pull_counts"]) == pytest.approx(RAW_COUNTS, abs=30_000)


def _page(out: Path) -> str:
    """The report's words, without its pictures and with single spaces."""
    text = re.sub(
        r"<(style|svg).*?</\1>", " ", (out / "report.html").read_text("utf-8"), flags=re.S
    )
    return " ".join(html.unescape(re.sub(r"<[^>]+>", " ", text)).split())


def _figures(told: object) -> list[tuple[float, str]]:
    """Every figure with a unit in a results.json, however deep."""
    if isinstance(told, dict):
        own = [(told["value"], told["unit"])] if {"value", "unit", "U"} <= told.keys() else []
        return own + [f for held in told.values() for f in _figures(held)]
    return [f for held in told for f in _figures(held)] if isinstance(told, list) else []


OF_THE_PULL = {"kN", "kW", "kJ", "N/t", "kWh", "t", "%"}
"""Units of what only a pull in kilonewtons can give; ``t`` of a tonnage."""


@pytest.mark.slow
@pytest.mark.parametrize("stated", [{}, {"pull": "kN"}])
def test_a_report_of_counts_states_no_force_power_or_work(
    tmp_path: Path, capsys: pytest.CaptureFixture[str], stated: dict[str, str]
) -> None:
    run = run_by_sheet(tmp_path, CELL_DEVICE + CERTIFIED_WHEEL + RECEIVER, stated=stated)
    out = tmp_path / "report"
    assert main(["report", str(run), "--out", str(out), "--json"]) == 0
    told = json.loads(capsys.readouterr().out)
    assert told["overall"]["verdict"] == "cannot be told: not measured"
    figures = _figures(told)
    assert not [f for f in figures if f[1] in OF_THE_PULL], figures
    page = _page(out)
    assert "Cannot be told: pull or speed was not measured" in page
    # Up to the section on method; the contents name it before.
    before = "Method".join(page.split("Method")[:2])
    assert "no certificate; no force, power or work can be stated" in before
    assert re.search(r"work at the drawbar, draft\s+not known", page)
    assert not re.search(r"\d (kN|kW|MJ)\b", before)
    assert "234" not in before, "digits of the counts are nowhere"
    for table in (out / "tables").glob("*.csv"):
        with table.open(encoding="utf-8") as file:
            for row in csv.DictReader(file):
                # Corrections are of masses, grade and speed.
                of_pull = {
                    k: v
                    for k, v in row.items()
                    if re.search("_k[NWJ]", k) and "correction" not in k and v
                }
                assert not of_pull, (table.name, of_pull)


@pytest.mark.slow
def test_a_report_without_a_wheel_goes_by_the_receivers_speed_and_says_so(
    tmp_path: Path, capsys: pytest.CaptureFixture[str]
) -> None:
    run = run_by_sheet(tmp_path, CERTIFIED_CELL + WHEEL_DEVICE + RECEIVER)
    out = tmp_path / "report"
    assert main(["report", str(run), "--out", str(out), "--json"]) == 0
    told = json.loads(capsys.readouterr().out)
    assert f"the wheel gives pulses: {NO_WHEEL}" in told["notes"]
    assert any(note.startswith("speed is the receiver's") for note in told["notes"])
    assert told["runs"][0]["metres"] == pytest.approx(SPEED_M_S * SECONDS, rel=0.01)
    assert told["overall"]["verdict"] != "cannot be told: not measured"
    with open_run(run) as opened:
        loaded = load_run(opened)
    gnss = next(c for c in loaded.checks if c.name == "speed against GNSS")
    assert gnss.state is CheckState.NOT_CHECKED, "nothing bears itself out"
    assert gnss.outcome == "no GNSS speed"


def test_a_report_without_wheel_and_receiver_has_no_speed(tmp_path: Path) -> None:
    run = run_by_sheet(tmp_path, CERTIFIED_CELL + WHEEL_DEVICE, seconds=20)
    with open_run(run) as opened:
        loaded = load_run(opened)
    assert np.isnan(loaded.series.speed_m_s).all()
    assert np.isfinite(loaded.series.pull_kN).any()
    assert f"the wheel gives pulses: {NO_WHEEL}" in loaded.notes


def test_pulses_do_not_place_a_run(tmp_path: Path, capsys: pytest.CaptureFixture[str]) -> None:
    wheel = WHEEL_DEVICE + "[devices.wheel.channels.distance]\n"
    run = run_by_sheet(tmp_path, wheel, stated={"distance": "m"}, seconds=20)
    route = tmp_path / "line.csv"
    rows = [f"{1000 * i},milepost,{i}" for i in range(5)]
    route.write_text("chainage_m,kind,value\n" + "\n".join(rows) + "\n", "utf-8")
    assert main(["place", str(run), "--route", str(route)]) == 2
    assert "has no distance channel" in capsys.readouterr().err


def test_the_chart_roll_draws_no_counts(tmp_path: Path) -> None:
    run = run_by_sheet(
        tmp_path, CELL_DEVICE + CERTIFIED_WHEEL, stated={"pull": "kN"}, seconds=60
    )
    with open_run(run) as opened:
        loaded = load_run(opened)
    (sheet, *_) = roll_sheets(loaded, RollScale()).sheets
    drawn = sheet.decode().replace(loaded.run_id[:8], "")
    assert "in counts: no certificate" in drawn
    assert "234" not in re.sub(r'[a-z]+="[^"]*"', "", drawn), "no digits of the counts"


@pytest.mark.parametrize("stated", [{}, {"pull": "kN"}])
def test_fuel_is_burnt_and_no_work_is_stated_of_it(
    tmp_path: Path, stated: dict[str, str]
) -> None:
    marks = [
        mark(t, kind=Kind.FUEL, value=f"level {kg} kg") for t, kg in ((1.0, 900), (50.0, 700))
    ]
    devices = CELL_DEVICE + CERTIFIED_WHEEL
    run = run_by_sheet(tmp_path, devices, stated=stated, marks=marks, seconds=60)
    with open_run(run) as opened:
        loaded = load_run(opened)
    used = consumption(loaded, Kind.FUEL)
    assert used is not None
    assert used.used.value == pytest.approx(200.0)
    assert math.isnan(used.work.value)
    assert (used.per_kWh, used.per_hp_h) == (None, None)
    balance = balance_energy(loaded, np.zeros(len(loaded.series), np.bool_))
    assert math.isnan(balance.total_work.value)
    assert balance.metres == pytest.approx(60 * SPEED_M_S, rel=0.02)
    for seconds, unit in ((10.0, "kN"), (10.0, "kW")):
        assert highest_mean(loaded, seconds, unit) is None
    assert find_starts(loaded) == []
    mass = check_mass(loaded, np.zeros(len(loaded.series), np.bool_))
    assert mass is not None
    assert mass.estimate.joined is None

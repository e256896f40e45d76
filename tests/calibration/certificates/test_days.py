"""The day of issue is that of the place; a recording takes one that has begun anywhere."""

from __future__ import annotations

import time
from collections.abc import Iterator
from datetime import UTC, date, datetime
from pathlib import Path

import pytest

from calibration.certificates.certificate import dump_certificate, load_certificate
from calibration.certificates.days import before_issue, local_day
from calibration.evaluation.evaluation import evaluate
from calibration.evaluation.issue import issue_certificate
from calibration.readings.bench_settings import BenchSettings
from calibration.readings.readings_csv import parse_readings
from recorder.acquisition.preparation.plan import make_plan
from recorder.command_line.main import main
from recorder.sheets import load_car_sheet
from tests.calibration.bench_tables import iso_csv

EAST, WEST = "<+14>-14", "<-12>12"
"""Zones as POSIX writes them: where a day begins first and where last. At any hour the day of
one of them is not that of UTC."""
CAR = """
[car]
name = "Car 1"
[devices.cell]
driver = "load-cell-frames"
port = "tcp://127.0.0.1:1"
[devices.cell.channels.ch0]
quantity = "pull"
certificate = "cell.json"
"""


@pytest.fixture(params=[EAST, WEST])
def zone(request: pytest.FixtureRequest, monkeypatch: pytest.MonkeyPatch) -> Iterator[str]:
    if not hasattr(time, "tzset"):
        pytest.skip("the zone of a process cannot be set here")
    with monkeypatch.context() as place:
        place.setenv("TZ", request.param)
        time.tzset()
        yield request.param
    time.tzset()


def test_a_day_is_that_of_the_place(zone: str) -> None:
    morning, evening = (local_day(datetime(2026, 5, 4, hour, tzinfo=UTC)) for hour in (8, 20))
    fourth = date(2026, 5, 4)
    if zone == EAST:
        assert (morning, evening) == (fourth, date(2026, 5, 5))
    else:
        assert (morning, evening) == (date(2026, 5, 3), fourth)


@pytest.mark.slow
@pytest.mark.usefixtures("zone")
def test_certificates_bear_the_day_of_the_place_and_are_recorded_with(tmp_path: Path) -> None:
    settings = BenchSettings.from_document({"reference_U_pct": 0.02})
    before = datetime.now().astimezone().date()
    cell = issue_certificate(evaluate(parse_readings(iso_csv(noise=40.0)), settings))
    wheel = str(tmp_path / "wheel.json")
    way = ["wheel", "tape", "36in", "--diameter", "--pulses", "60", "--id", "W-7"]
    assert main([*way, "--out", wheel]) == 0
    after = datetime.now().astimezone().date()
    assert before <= cell.issued <= after
    assert before <= load_certificate(wheel).issued <= after
    (tmp_path / "cell.json").write_text(dump_certificate(cell), "utf-8")
    (tmp_path / "car.toml").write_text(CAR, "utf-8")
    plan = make_plan(load_car_sheet(tmp_path / "car.toml"))
    assert not [words for words in plan.warnings if "issued" in words]


def test_a_day_that_has_begun_nowhere_lies_before_the_issue() -> None:
    issued = date(2026, 5, 4)
    assert before_issue(issued, date(2026, 5, 2))
    assert not before_issue(issued, date(2026, 5, 3))

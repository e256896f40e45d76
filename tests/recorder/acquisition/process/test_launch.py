"""How long a launcher waits, and for what."""

from __future__ import annotations

from pathlib import Path

import pytest

from recorder.acquisition.preparation.settings import RecordingError, RecordingSettings
from recorder.acquisition.process.launch import START_S, start_limit_s
from recorder.acquisition.process.reports import (
    RecordingReport,
    Started,
    Stopping,
    Warned,
    ZeroBegins,
)
from recorder.sheets import SheetError, load_car_sheet
from recorder.sheets.recording import LONGEST_ZERO_S


def settings(**more: float) -> RecordingSettings:
    path = Path("x")
    # Any field by its name.
    return RecordingSettings(car_sheet=path, trip_sheet=path, out=path, **more)  # type: ignore[arg-type]


def test_a_start_may_take_as_long_as_the_zero_it_reports() -> None:
    """The car sheet allows a zero of 600 s; what the sheet says, only the recording has read."""
    assert start_limit_s([]) == START_S
    assert start_limit_s([Warned("expired")]) == START_S
    longest: list[RecordingReport] = [Warned("expired"), ZeroBegins(LONGEST_ZERO_S)]
    assert start_limit_s(longest) == START_S + 600.0
    assert start_limit_s([*longest, Started("run.h5"), Stopping("enough")]) == START_S + 600.0


@pytest.mark.parametrize("seconds", [0.0, 600.0])
def test_a_zero_the_sheet_allows_may_be_asked_for_too(tmp_path: Path, seconds: float) -> None:
    assert settings(zero_seconds=seconds, zero_after=seconds).zero_seconds == seconds
    sheet = tmp_path / "car.toml"
    sheet.write_text(CAR.format(seconds), "utf-8")
    assert load_car_sheet(sheet).recording.zero_seconds == seconds


def test_a_longer_one_is_refused_by_both(tmp_path: Path) -> None:
    with pytest.raises(RecordingError, match="zero_seconds must be from 0 to 600, got 601"):
        settings(zero_seconds=601)
    sheet = tmp_path / "car.toml"
    sheet.write_text(CAR.format(601.0), "utf-8")
    with pytest.raises(SheetError, match="zero_seconds"):
        load_car_sheet(sheet)


CAR = """
[car]
name = "Level"
[recording]
zero_seconds = {}
[devices.drawbar]
driver = "load-cell-frames"
port = "tcp://127.0.0.1:1"
"""

"""What is drawn on the chart roll can be read: marks, straight level track, curves."""

from __future__ import annotations

import re
from pathlib import Path

import numpy as np
import pytest

from recorder.analysis.campaign.loading import load_runs
from recorder.report.roll.roll import RollScale, roll_sheets
from tests.recorder.report.conftest import PLACED, Make, key, line, posts_keyed

pytestmark = pytest.mark.slow

SPEED = 6.0 + 3.0 * (np.arange(1800) // 300)


def sheet(path: Path) -> str:
    """The first sheet of a run's roll, as drawn."""
    roll = roll_sheets(load_runs([path])[0], RollScale(mm_per_min=10.0))
    return roll.sheets[0].decode()


def placed(make: Make, folder: Path, *rows: str, name: str = "run") -> str:
    """The roll of a run on a level line, with more rows of its route."""
    line(folder)
    with (folder / "line.csv").open("a", encoding="utf-8") as stream:
        stream.writelines(f"{row}\n" for row in rows)
    marks = (key("throttle", 0.5, "full"), *posts_keyed(SPEED))
    return sheet(make(name, trip=PLACED, speed=SPEED, marks=marks))


def test_no_mark_is_written_under_the_name_of_a_pen(make: Make) -> None:
    """Words stand on their foot and reach upward; what is white covers what was drawn before."""
    marks = tuple(key("throttle", 1.0 + 5.0 * i, "full") for i in range(4))
    drawn = sheet(make(marks=marks))
    words = [float(y) for y in re.findall(r"translate\([0-9.]+ ([0-9.]+)\) rotate", drawn)]
    white = [float(y) for y in re.findall(r'<rect [^>]*y="([0-9.]+)"[^>]*fill="white"', drawn)]
    assert len(words) == len(marks)
    assert all(foot < min(white) for foot in words)
    leaders = re.findall(
        r'y1="([0-9.]+)" y2="([0-9.]+)" stroke="black" stroke-width="0.12"/>', drawn
    )
    assert len(leaders) == len(marks)
    assert all(float(y2) < min(white) for _, y2 in leaders)


def test_level_track_is_a_trace_that_is_seen(make: Make, tmp_path: Path) -> None:
    """Amid its row and broader than the line of 0 it lies on; nothing else is drawn that broad."""
    drawn = placed(make, tmp_path)
    top, height = next(
        (float(y), float(h))
        for y, h in re.findall(
            r'y="([0-9.]+)" width="[0-9.]+" height="([0-9.]+)" fill="none"', drawn
        )
        if float(h) == 16.0
    )
    trace, broad = re.findall(r'<path d="M([^"]+)Z"[^>]*stroke-width="([0-9.]+)"', drawn)[-1]
    heights = {float(point.split(" ")[1]) for point in trace.split("L")}
    assert heights == {top + height / 2.0}
    lines = [
        float(w)
        for y, w in re.findall(
            r'y1="([0-9.]+)" y2="[0-9.]+" stroke="black" stroke-width="([0-9.]+)"', drawn
        )
        if float(y) == top + height / 2.0
    ]
    assert lines
    assert max(lines) < float(broad)


def test_a_curve_has_its_row_and_straight_track_has_none(make: Make, tmp_path: Path) -> None:
    assert "curve 1/R" not in placed(make, tmp_path)
    assert "curve 1/R" in placed(make, tmp_path, "2000,6000,curve,600 m", name="bend")

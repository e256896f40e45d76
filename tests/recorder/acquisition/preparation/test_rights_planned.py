"""Who may read what will be recorded, known before a port is opened."""

from __future__ import annotations

import os
from collections.abc import Callable
from datetime import date
from pathlib import Path

import pytest

from recorder.acquisition.preparation.plan import make_plan
from recorder.sheets import SheetError, load_car_sheet

ON = date(2026, 5, 4)
Sheets = Callable[..., tuple[Path, Path]]


def car_with(tmp_path: Path, make_sheets: Sheets, line: str) -> Path:
    """A car sheet with a line more in its table ``[recording]``."""
    car, _ = make_sheets(tmp_path, "tcp://127.0.0.1:1")
    text = car.read_text("utf-8")
    assert "[recording]" in text
    car.write_text(text.replace("[recording]", f"[recording]\n{line}", 1), "utf-8")
    return car


def test_a_group_that_is_not_there_is_refused(tmp_path: Path, make_sheets: Sheets) -> None:
    car = car_with(tmp_path, make_sheets, 'group = "no-such-crew"')
    with pytest.raises(SheetError) as caught:
        make_plan(load_car_sheet(car), on=ON)
    assert list(caught.value.problems) == [
        "car.toml [recording]: there is no group 'no-such-crew' on this computer; make it, or"
        " leave group out"
    ]


def test_without_a_group_nobody_else_reads(tmp_path: Path, make_sheets: Sheets) -> None:
    car = car_with(tmp_path, make_sheets, "")
    assert make_plan(load_car_sheet(car), on=ON).group is None


def test_the_groups_number_is_planned_with(tmp_path: Path, make_sheets: Sheets) -> None:
    grp = pytest.importorskip("grp")
    name = grp.getgrgid(os.getegid()).gr_name
    car = car_with(tmp_path, make_sheets, f'group = "{name}"')
    assert make_plan(load_car_sheet(car), on=ON).group == os.getegid()

"""``testcar route check``: exit codes, one line a problem, JSON."""

from __future__ import annotations

import json
from typing import TYPE_CHECKING

from recorder.command_line.main import main

if TYPE_CHECKING:
    from pathlib import Path

    import pytest

GOOD = """\
chainage_m,end_chainage_m,kind,value,direction,radius_m
0,,milepost,1,,
1609,,milepost,2,,
0,1700,grade,0.5,,
300,700,curve,,left,500
"""


def write(path: Path, text: str) -> str:
    path.write_text(text, encoding="utf-8")
    return str(path)


def test_a_good_route_is_code_nought_and_quiet(
    tmp_path: Path, capsys: pytest.CaptureFixture[str]
) -> None:
    assert main(["route", "check", write(tmp_path / "line.csv", GOOD)]) == 0
    out, err = capsys.readouterr()
    assert err == ""
    assert "1.700 km, usable" in out
    assert "+0.50 %" in out


def test_warnings_are_told_and_still_code_nought(
    tmp_path: Path, capsys: pytest.CaptureFixture[str]
) -> None:
    text = GOOD + "1690,1800,grade,0.2,,\n"
    assert main(["route", "check", write(tmp_path / "line.csv", text)]) == 0
    out, err = capsys.readouterr()
    assert err.startswith("testcar route: warning: ")
    assert "line.csv: row 6: grade overlaps row 4" in err
    assert "warnings     1" in out


def test_every_error_is_one_line_and_code_two(
    tmp_path: Path, capsys: pytest.CaptureFixture[str]
) -> None:
    text = GOOD + "500,400,tunnel,,,\n0,100,curve,,left,2\n"
    assert main(["route", "check", write(tmp_path / "line.csv", text)]) == 2
    lines = capsys.readouterr().err.strip().splitlines()
    assert len(lines) == 2
    assert all(line.startswith("testcar route: error: ") for line in lines)
    assert "row 6: tunnel ends at 400 before it begins at 500" in lines[0]


def test_a_file_that_is_not_there(tmp_path: Path, capsys: pytest.CaptureFixture[str]) -> None:
    assert main(["route", "check", str(tmp_path / "none.csv")]) == 2
    lines = capsys.readouterr().err.strip().splitlines()
    assert len(lines) == 1
    assert "none.csv: No such file" in lines[0]


def test_json_both_ways(tmp_path: Path, capsys: pytest.CaptureFixture[str]) -> None:
    assert main(["route", "check", "--json", write(tmp_path / "a.csv", GOOD)]) == 0
    good = json.loads(capsys.readouterr().out)
    assert good["usable"] is True
    assert good["counts"] == {"curve": 1, "grade": 1, "milepost": 2}
    assert good["sharpest_curve_m"] == 500.0
    assert main(["route", "check", "--json", write(tmp_path / "b.csv", "kind\n")]) == 2
    bad = json.loads(capsys.readouterr().out)
    assert bad["usable"] is False
    assert len(bad["errors"]) == 1

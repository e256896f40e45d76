"""``testcar place`` from the command line to the kept result."""

from __future__ import annotations

import json
import shutil
from typing import TYPE_CHECKING

import numpy as np
import pytest

from recorder.command_line.main import main
from recorder.run_file.hdf5.reader import open_run
from recorder.track.placing.run_source import kept_placement, positions

if TYPE_CHECKING:
    from pathlib import Path

SCALE = 1.008
DELAY_S = 0.4

TRIP = """[trip]
name = "Trial"
[route]
file = "line.csv"
direction = "{direction}"
start_chainage_m = 40
"""


def make_run(folder: Path, *, direction: str = "increasing", wrong: bool = True) -> Path:
    """A run of 9 km at a speed that changes, with posts keyed by hand, made by import."""
    rng = np.random.default_rng(2)
    route = ["chainage_m,end_chainage_m,kind,value", "0,10000,grade,0.5", "2000,2900,note,yard"]
    route += [f"{500 + 1000 * i},,milepost,{7 + i}" for i in range(10)]
    (folder / "line.csv").write_text("\n".join(route) + "\n", encoding="utf-8")
    (folder / "trip.toml").write_text(TRIP.format(direction=direction), encoding="utf-8")
    t = np.arange(0.0, 700.0, 0.5)
    s = 13.0 * t + 150.0 * np.sin(t / 60.0)
    rows = [f"{a:.1f},{b:.3f}" for a, b in zip(t, s / SCALE, strict=True)]
    table = folder / "table.csv"
    table.write_text("time_s,distance_m\n" + "\n".join(rows) + "\n", encoding="utf-8")
    marks = ["time_s,kind,value"]
    for i in range(9):
        late = DELAY_S + 0.1 * rng.standard_normal() + (8.0 if wrong and i == 4 else 0.0)
        number = 7 + i + (30 if wrong and i == 6 else 0)
        marks.append(f"{np.interp(500 + 1000 * i, s, t) + late:.3f},milepost,{number}")
    keyed = folder / "marks.csv"
    keyed.write_text("\n".join(marks) + "\n", encoding="utf-8")
    run = folder / "run.h5"
    words = ["import", str(table), "--trip", str(folder / "trip.toml"), "--marks", str(keyed)]
    assert main([*words, "--out", str(run)]) == 0
    return run


def test_a_run_is_placed_told_and_kept(
    tmp_path: Path, capsys: pytest.CaptureFixture[str]
) -> None:
    run = make_run(tmp_path)
    capsys.readouterr()
    assert main(["place", str(run), "--json"]) == 0
    answer = json.loads(capsys.readouterr().out)
    assert answer["direction"] == "increasing"
    assert answer["wheel_scale"] == pytest.approx(SCALE, abs=answer["wheel_scale_U95"])
    status = [m["status"] for m in answer["marks"]]
    assert status == ["used"] * 4 + ["outlier"] + ["used"] + ["renumbered"] + ["used"] * 2
    assert answer["marks"][4]["residual_m"] == pytest.approx(8.0 * 13.0, rel=0.3)
    assert len(answer["outliers"]) == 2
    assert answer["begin"]["chainage_m"] == pytest.approx(0.0, abs=answer["begin"]["U95_m"])
    assert main(["place", str(run)]) == 0
    told = capsys.readouterr().out
    assert "outlier" in told
    assert "7 of 9 as keyed" in told
    with open_run(run) as held:
        kept = kept_placement(held)
        assert kept is not None
        route, placement = kept
        assert route.digest == answer["route_digest"]
        t, s, u95 = positions(held, placement)
        assert held.complete
    truth = 13.0 * t + 150.0 * np.sin(t / 60.0)
    assert np.mean(np.abs(s - truth) <= u95) > 0.95
    assert np.abs(s - truth).max() < 15.0
    # The run itself is not touched: only the companion is new.
    assert main(["verify", str(run)]) == 0


def test_a_run_may_be_placed_on_a_route_elsewhere_and_again_without_it(
    tmp_path: Path, capsys: pytest.CaptureFixture[str]
) -> None:
    run = make_run(tmp_path)
    elsewhere = tmp_path / "a" / "b"
    elsewhere.mkdir(parents=True)
    route = elsewhere / "moved.csv"
    shutil.move(tmp_path / "line.csv", route)
    assert main(["place", str(run)]) == 2
    error = capsys.readouterr().err.strip().splitlines()
    assert len(error) == 1
    assert "route line.csv is not beside it" in error[0]
    assert main(["place", str(run), "--route", str(route)]) == 0
    route.unlink()
    assert main(["place", str(run)]) == 0


def test_direction_and_start_of_the_sheet_may_be_overruled(
    tmp_path: Path, capsys: pytest.CaptureFixture[str]
) -> None:
    run = make_run(tmp_path, direction="decreasing", wrong=False)
    capsys.readouterr()
    assert main(["place", str(run), "--json"]) == 0
    answer = json.loads(capsys.readouterr().out)
    assert answer["direction"] == "increasing"
    assert any("against the direction" in n for n in answer["notes"])
    words = ["--direction", "increasing", "--start-chainage-m", "0"]
    assert main(["place", str(run), "--json", *words]) == 0
    assert json.loads(capsys.readouterr().out)["notes"] == ["no GNSS fix on the route"]


@pytest.mark.parametrize(
    ("make", "expected"),
    [
        ("absent", "no.h5"),
        ("text", "not a run file"),
        ("no distance", "has no distance channel"),
        ("bad route", "row 2: grade 50"),
        ("no ties", "cannot be placed"),
    ],
)
def test_bad_input_is_one_line_and_code_two(
    tmp_path: Path, capsys: pytest.CaptureFixture[str], make: str, expected: str
) -> None:
    run = tmp_path / "no.h5"
    route = tmp_path / "r.csv"
    route.write_text("chainage_m,kind,value\n0,milepost,1\n900,milepost,2\n", encoding="utf-8")
    table = tmp_path / "t.csv"
    if make == "text":
        run.write_text("hello", encoding="utf-8")
    elif make != "absent":
        column = "pull_kN" if make == "no distance" else "distance_m"
        table.write_text(f"time_s,{column}\n0,1\n1,2\n", encoding="utf-8")
        assert main(["import", str(table), "--out", str(run)]) == 0
    if make == "bad route":
        text = "chainage_m,end_chainage_m,kind,value\n0,9,grade,50\n"
        route.write_text(text, encoding="utf-8")
    capsys.readouterr()
    assert main(["place", str(run), "--route", str(route)]) == 2
    lines = capsys.readouterr().err.strip().splitlines()
    assert len(lines) == 1
    assert expected in lines[0]
    assert lines[0].startswith("testcar place: ")

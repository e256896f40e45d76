"""A record that contradicts itself, from the table to the report."""

from __future__ import annotations

import json
from pathlib import Path

import numpy as np
import pytest

from recorder.command_line.main import main
from tests.recorder.analysis.drawn_runs import make_outing

TRIP = """[trip]
name = "Outing"
[locomotive]
mass_t = 150
rotary_allowance = 0.05
[consist]
mass_t = 1000
rotary_allowance = 0.05
[specification]
[[specification.points]]
speed_km_h = 10
pull_kN = 100
[[specification.points]]
speed_km_h = 90
pull_kN = 50
"""
REASON = "the cell was mounted the other way round"


def imported(folder: Path, sign: float, *more: str) -> Path:
    """A drawn outing as a table, imported."""
    series = make_outing(4, step_s=1.0, hours=1.0).run.series
    rows = np.column_stack(
        [series.t_s, sign * series.pull_kN, series.speed_m_s, 100 * series.trailing_grade]
    )
    table, trip, run = folder / "t.csv", folder / "trip.toml", folder / "run.h5"
    header = "time_s,pull_kN,speed_m_s,grade_pct"
    np.savetxt(table, rows, fmt="%.5f", delimiter=",", header=header, comments="")
    trip.write_text(TRIP, encoding="utf-8")
    code = main(["import", str(table), "--trip", str(trip), "--out", str(run), *more])
    assert code == 0
    return run


def test_import_tells_and_verify_lists(
    tmp_path: Path, capsys: pytest.CaptureFixture[str]
) -> None:
    run = imported(tmp_path, -1.0)
    told = [s for s in capsys.readouterr().err.splitlines() if "doubted" in s]
    assert len(told) == 1
    assert told[0].startswith("testcar import: doubted (pull-sign): ")
    assert main(["verify", str(run)]) == 0
    assert main(["verify", "--deep", str(run)]) == 1
    out = capsys.readouterr().out
    found = out.split("Contradicted\n")[1].splitlines()
    assert found[0].startswith(
        "  plausibility, pull against grade and acceleration: doubted (pull-sign): "
    )
    assert "values made again, pull: its values came as they are, without counts" in out
    assert main(["verify", "--deep", "--json", str(run)]) == 1
    held = json.loads(capsys.readouterr().out)
    assert [d["kind"] for d in held["doubts"]] == ["pull-sign"]
    assert len(held["checks"]) > 5


def test_an_honest_table_is_not_doubted(
    tmp_path: Path, capsys: pytest.CaptureFixture[str]
) -> None:
    run = imported(tmp_path, 1.0)
    assert "doubted" not in capsys.readouterr().err
    assert main(["verify", "--deep", str(run)]) == 0


def test_an_answer_at_import_is_kept(
    tmp_path: Path, capsys: pytest.CaptureFixture[str]
) -> None:
    run = imported(tmp_path, -1.0, "--answer", f"pull-sign={REASON}")
    assert f"(answered: {REASON})" in capsys.readouterr().err
    assert main(["verify", "--deep", str(run)]) == 0


@pytest.mark.slow
def test_no_verdict_until_the_crew_answers_and_the_reason_stays(
    tmp_path: Path, capsys: pytest.CaptureFixture[str]
) -> None:
    run = imported(tmp_path, -1.0)

    def report(*more: str) -> dict[str, object]:
        assert main(["report", str(run), "--out", str(tmp_path / "r"), *more]) == 0
        read: dict[str, object] = json.loads((tmp_path / "r/results.json").read_text("utf-8"))
        return read

    doubted = report()
    assert doubted["overall"]["verdict"] == "cannot be told: the record is doubted"  # type: ignore[index]  # parsed JSON
    told = {b["verdict"] for b in doubted["bands"]}  # type: ignore[attr-defined]  # parsed JSON
    assert told.isdisjoint({"meets", "does not meet", "cannot be told with this uncertainty"})
    assert [(d["run"], d["kind"], d["answer"]) for d in doubted["doubts"]] == [  # type: ignore[attr-defined]  # parsed JSON
        ("run", "pull-sign", "")
    ]
    for given in (("--answer", f"pull-sign={REASON}"), ()):
        settled = report(*given)
        assert "doubted" not in settled["overall"]["verdict"]  # type: ignore[index]  # parsed JSON
        assert settled["doubts"][0]["answer"] == REASON  # type: ignore[index]  # parsed JSON
        assert REASON in (tmp_path / "r/report.html").read_text("utf-8")
    capsys.readouterr()


@pytest.mark.parametrize("text", ["mass=", "mass= ", "weather=wet", "mass", "=why"])
def test_an_answer_that_is_none_is_refused_in_one_line(
    tmp_path: Path, capsys: pytest.CaptureFixture[str], text: str
) -> None:
    run = tmp_path / "run.h5"
    assert main(["report", str(run), "--out", str(tmp_path / "r"), "--answer", text]) == 2
    told = capsys.readouterr().err.splitlines()
    assert len(told) == 1
    assert "KIND=REASON" in told[0]


def test_sheets_that_contradict_themselves_are_told_before_recording(
    tmp_path: Path, capsys: pytest.CaptureFixture[str]
) -> None:
    trip = tmp_path / "trip.toml"
    trip.write_text(TRIP.replace("mass_t = 150", "mass_t = 20"), encoding="utf-8")
    assert main(["record", "--check", str(trip)]) == 0
    told = capsys.readouterr().err
    assert told.startswith("testcar record: doubted (adhesion): ")
    assert main(["record", "--check", "--json", str(trip)]) == 0
    assert json.loads(capsys.readouterr().out)["doubts"][0]["kind"] == "adhesion"
    trip.write_text(TRIP, encoding="utf-8")
    assert main(["record", "--check", str(trip)]) == 0
    assert capsys.readouterr().err == ""

"""Runs on a route: worn wheels, sections between posts, the roll's mileposts, edits, names."""

from __future__ import annotations

import csv
import json
import re
from dataclasses import replace
from datetime import date
from pathlib import Path
from typing import Any

import numpy as np
import pyarrow.dataset as ds
import pypdf
import pytest

from recorder.analysis.campaign.answer import AnswerSettings, answer
from recorder.analysis.campaign.crew_edits import EDITS, read_edits
from recorder.analysis.campaign.loading import distinct_names, load_runs
from recorder.analysis.plausibility.doubt import CheckState
from recorder.command_line.main import main
from recorder.exchange.description import CertificateInRun
from recorder.report.data.tables import grid_sections
from recorder.report.opening.first_page import first_page
from recorder.report.pages.shown_units import CUSTOMARY, METRIC
from recorder.report.roll.roll import RollScale, roll_sheets
from recorder.report.section_parts.naming import naming_of
from recorder.run.parts.gap import Cause, Gap
from recorder.run_file.hdf5.reader import open_run
from tests.recorder.report.conftest import (
    FIRST_POST,
    PLACED,
    POST_M,
    Make,
    key,
    line,
    posts_keyed,
)
from tests.recorder.report.trial.test_report import pdf_text, report

SPEED = 6.0 + 3.0 * (np.arange(1800) // 300)


def rows(path: Path) -> list[dict[str, str]]:
    with path.open(encoding="utf-8", newline="") as stream:
        return list(csv.DictReader(stream))


def placed(make: Make, folder: Path, name: str = "run", *, wheel: float = 1.0) -> Path:
    """A run on the line whose wheel shows ``wheel`` of each true metre."""
    line(folder)
    marks = (key("throttle", 0.5, "full"), *posts_keyed(SPEED, wheel=wheel))
    return make(name, trip=PLACED, speed=SPEED, marks=marks)


@pytest.mark.slow
@pytest.mark.usefixtures("undrawn")
def test_a_worn_wheel_is_corrected_by_the_line(make: Make, tmp_path: Path) -> None:
    """The wheel shows 3 % too little: told, corrected, and left alone when so chosen."""
    path = placed(make, tmp_path, wheel=0.97)
    told = report(tmp_path / "out", path)
    assert any("from its certificate" in n or "the wheel is" in n for n in told["notes"])  # type: ignore[attr-defined]  # JSON
    true_m = float(np.sum(SPEED)) / 0.97
    run = told["runs"][0]  # type: ignore[index]  # JSON
    assert run["grade_source"] == "route"
    assert run["metres"] == pytest.approx(true_m, rel=2e-3)
    left = report(tmp_path / "left", path, "--without", "wheel")
    assert left["runs"][0]["metres"] == pytest.approx(0.97 * true_m, rel=2e-3)  # type: ignore[index]  # JSON
    assert left["settings"]["switches"]["wheel"] is False  # type: ignore[index]  # JSON
    words = pdf_text(tmp_path / "out" / "report.pdf")
    assert "placed on the route line.csv" in words


@pytest.mark.slow
def test_without_a_post_or_a_fix_the_wheel_is_as_sure_as_it_was(
    make: Make, tmp_path: Path
) -> None:
    """Placed by where it began alone: nothing showed its scale."""
    line(tmp_path)
    loaded = load_runs([make(trip=PLACED), make("free")])
    assert loaded[0].route is not None
    assert loaded[0].instruments.wheel_rel_u == loaded[1].instruments.wheel_rel_u
    assert loaded[0].instruments.wheel_cause.kind is loaded[1].instruments.wheel_cause.kind
    (told,) = (c for c in loaded[0].checks if c.name.startswith("wheel against"))
    assert told.state is CheckState.NOT_CHECKED


@pytest.mark.slow
@pytest.mark.usefixtures("undrawn")
def test_sections_are_the_routes_own(make: Make, tmp_path: Path) -> None:
    """A post keyed with a wrong number does not move a section."""
    line(tmp_path)
    marks = list(posts_keyed(SPEED))
    marks[4] = replace(marks[4], value="77")
    path = make("run", trip=PLACED, speed=SPEED, marks=tuple(marks))
    report(tmp_path / "out", path, "--grid", "milepost")
    table = rows(tmp_path / "out" / "tables" / "run_table.csv")
    names = [r["section"] for r in table]
    assert names[:3] == [f"{FIRST_POST + k} to {FIRST_POST + k + 1}" for k in (1, 2, 3)]
    assert "77" not in " ".join(names)
    metres = [float(r["distance_m"]) for r in table]
    assert metres == pytest.approx(np.full(len(metres), POST_M), abs=25.0)
    loaded = load_runs([path])
    report(tmp_path / "stations", path, "--grid", "station")
    stations = rows(tmp_path / "stations" / "tables" / "run_table.csv")
    assert [r["section"] for r in stations] == ["Ash to Birch", "Birch to Elm"]
    assert float(stations[0]["distance_m"]) == pytest.approx(6000.0, abs=25.0)
    assert loaded[0].route is not None


@pytest.mark.slow
def test_mileposts_lie_on_the_roll_where_they_were_passed(make: Make, tmp_path: Path) -> None:
    """At 50 mm = 1 km posts a kilometre apart stand 50 mm apart on the paper."""
    loaded = load_runs([placed(make, tmp_path)])
    roll = roll_sheets(loaded[0], RollScale(mm_per_min=None, mm_per_km=50.0), long=True)
    assert len(roll.sheets) == 1
    found = [
        float(x) for x in re.findall(r'class="post" x1="([0-9.]+)"', roll.sheets[0].decode())
    ]
    assert len(found) == len(posts_keyed(SPEED))
    assert np.diff(found) == pytest.approx(np.full(len(found) - 1, 50.0), abs=0.8)
    text = roll.sheets[0].decode()
    assert ">Birch<" in text
    assert "grade, %" in text
    assert "lbf" in roll_sheets(loaded[0], RollScale(), units=CUSTOMARY).sheets[0].decode()


@pytest.mark.slow
def test_holes_stay_open_on_the_roll(make: Make) -> None:
    pull = np.full(1800, 100.0)
    pull[600:900] = np.nan
    loaded = load_runs([make(pull=pull)])
    roll = roll_sheets(loaded[0], RollScale(mm_per_min=10.0))
    text = roll.sheets[0].decode()
    assert "no data" in text
    curves = [p for p in re.findall(r'<path d="M([^"]+)Z"', text) if "L" in p]
    # Pull and power are two pieces each, speed is one.
    assert len(curves) >= 5
    first = [float(p.split(" ")[0]) for p in curves[0].split("L")]
    assert max(first) < 18.0 + 10.0 * 10.1


@pytest.mark.slow
def test_runs_are_compared_between_posts_of_one_line(
    make: Make, tmp_path: Path, capsys: pytest.CaptureFixture[str]
) -> None:
    first, second = placed(make, tmp_path, "before"), placed(make, tmp_path, "after")
    elsewhere = tmp_path / "elsewhere"
    elsewhere.mkdir()
    other = placed(make, tmp_path, "elsewhere/other")
    line(elsewhere, last_m=40_000.0)
    capsys.readouterr()
    assert main(["compare", str(first), str(second), str(other), "--json"]) == 0
    told = json.loads(capsys.readouterr().out)
    runs = {d["run"] for s in told["sections"] for d in s["differences"]}
    assert runs == {"after"}
    assert len(told["sections"]) >= 10
    assert any("one and the same route" in n for n in told["notes"])
    assert not any(d["significant"] for s in told["sections"] for d in s["differences"])


@pytest.mark.slow
@pytest.mark.usefixtures("undrawn")
def test_edits_are_kept_beside_the_run(make: Make, tmp_path: Path) -> None:
    path = make()
    plain_run = report(tmp_path / "a", path)
    table = tmp_path / "edits.csv"
    table.write_text(
        "action,start_s,end_s,reason\nstrike,0,290,wet rail\nadd,610,640,seen steady\n"
    )
    edited = report(tmp_path / "b", path, "--edits", table)
    assert edited["stretches"] != plain_run["stretches"]
    again = report(tmp_path / "c", path)
    assert again["stretches"] == edited["stretches"]
    assert again["settings"] == edited["settings"]
    words = pdf_text(tmp_path / "c" / "report.pdf")
    assert "wet rail" in words
    assert "seen steady" in words
    with open_run(path) as run:
        kept = run.companion.history(EDITS)
        assert len(kept) == 1
        run.companion.set_result(EDITS, [{"action": "burn"}], by="x", version="y")
    assert main(["report", str(path), "--out", str(tmp_path / "d")]) == 2
    cleared = report(tmp_path / "e", path, "--edits", table)
    assert cleared["stretches"] == edited["stretches"]
    assert report(tmp_path / "f", path, "--no-edits")["stretches"] == plain_run["stretches"]


@pytest.mark.parametrize(
    "text",
    [
        "",
        "action,start_s,end_s\nstrike,0,9\n",
        "action,start_s,end_s,reason\nstrike,0,x,wet\n",
        "action,start_s,end_s,reason\nstrike,9,0,wet\n",
        "action,start_s,end_s,reason\nstrike,nan,9,wet\n",
        "action,start_s,end_s,reason\nburn,0,9,wet\n",
        "action,start_s,end_s,reason\nstrike,0,9,\n",
        "action,start_s,end_s,reason\nstrike\n",
    ],
)
def test_bad_edits_are_refused_by_row(tmp_path: Path, text: str) -> None:
    path = tmp_path / "edits.csv"
    path.write_text(text)
    if text:
        with pytest.raises(ValueError, match=r"row 2: .*wanted"):
            read_edits(path)
    else:
        assert read_edits(path) == ()
    path.write_bytes(b"action,start_s,end_s,reason\n\xff\xfe\x00,0,1,2\n")
    with pytest.raises(ValueError, match="row 2 is not UTF-8 text"):
        read_edits(path)


@pytest.mark.slow
@pytest.mark.usefixtures("undrawn")
def test_runs_of_one_name_stay_apart(
    make: Make, tmp_path: Path, capsys: pytest.CaptureFixture[str]
) -> None:
    first, second = make("mon/run"), make("tue/run", factor=1.02)
    told = report(tmp_path / "out", first, second)
    assert [r["name"] for r in told["runs"]] == ["mon-run", "tue-run"]  # type: ignore[attr-defined]  # JSON
    table = ds.dataset(tmp_path / "out" / "tables" / "run_table", partitioning="hive")
    held = table.to_table(columns=["run", "pull_kN"]).to_pydict()
    assert set(held["run"]) == {"mon-run", "tue-run"}
    assert len(held["run"]) == 2 * 1799
    report(tmp_path / "out", second)
    table = ds.dataset(tmp_path / "out" / "tables" / "run_table", partitioning="hive")
    assert set(table.to_table(columns=["run"]).to_pydict()["run"]) == {"run"}
    capsys.readouterr()
    assert main(["report", str(first), str(first), "--out", str(tmp_path / "x")]) == 2
    assert "same run" in capsys.readouterr().err
    same = [tmp_path / "a" / "r.h5", tmp_path / "a" / "r.h5"]
    assert len(set(distinct_names(same))) == 2


@pytest.mark.slow
def test_customary_units_on_the_page_only(make: Make, tmp_path: Path) -> None:
    """Over bands of one width: left to itself each edition has round ones of its own."""
    path = make()
    metric = report(tmp_path / "a", path, "--band-mph", "5")
    customary = report(tmp_path / "b", path, "--units", "customary")
    assert metric == customary
    words = " ".join(pdf_text(tmp_path / "b" / "report.pdf").split())
    assert "pull, lbf" in words
    assert "speed, mph" in words


def _measured(value: float, unit: str) -> Any:
    from recorder.analysis.uncertainty.causes import CauseKind, UncertaintyCause
    from recorder.analysis.uncertainty.measured import Measured

    return Measured(value, unit, {UncertaintyCause(CauseKind.AMOUNT, "a"): 1.0})


def test_customary_factors() -> None:
    """1 lbf = 4.4482216152605 N, 1 hp = 550 ft·lbf/s, 1 lb a short ton = 4.903325 N/t: exact by
    the definitions of the pound, the foot and standard gravity."""
    assert CUSTOMARY.of(_measured(4.4482216152605, "kN")).value == pytest.approx(1000.0)
    assert CUSTOMARY.of(_measured(0.7456998715822702, "kW")).value == pytest.approx(1.0)
    assert CUSTOMARY.of(_measured(4.903325, "N/t")).value == pytest.approx(1.0)
    assert CUSTOMARY.of(_measured(0.44704, "m/s")).value == pytest.approx(1.0)
    assert CUSTOMARY.of(_measured(1.0, "kg/kWh")).value == pytest.approx(
        2.2046226218 * 0.7456998716
    )
    assert CUSTOMARY.of(_measured(1.0, "s")).unit == "s"


@pytest.mark.slow
def test_doubts_stand_on_the_first_page(make: Make) -> None:
    """Expired certificate, gap, cut-off file: the reader need not turn the page."""
    (run,) = load_runs([make()])
    expired = CertificateInRun(
        certificate_id="F-1",
        kind="force",
        issued=date(2020, 1, 1),
        expires=date(2021, 1, 1),
        expired=True,
        digest="",
    )
    description = replace(
        run.provenance.description, complete=False, certificates={"c": expired}
    )
    doubted = replace(
        run,
        gaps=(Gap(device="cell", t_start_s=1.0, t_end_s=3.5, cause=Cause.LINK_LOST),),
        provenance=replace(run.provenance, description=description),
    )
    worked = answer([doubted], AnswerSettings())
    blocks = first_page(worked, naming_of(worked, METRIC), [])
    words = " ".join(getattr(b, "text", "") for b in blocks)
    assert "not sealed" in words
    assert "F-1 had expired" in words
    assert "1 gap, 2.5 s" in words
    assert "The uncertainty of the mean margin comes mostly from" in words


@pytest.mark.slow
def test_the_same_run_gives_the_same_bytes(make: Make, tmp_path: Path) -> None:
    path = make(seconds=900)
    for name in ("a", "b"):
        report(tmp_path / name, path)
    for file in ("report.pdf", "report.html", "chart_roll.pdf", "results.json"):
        assert (tmp_path / "a" / file).read_bytes() == (tmp_path / "b" / file).read_bytes(), (
            file
        )
    page = pypdf.PdfReader(tmp_path / "a" / "report.pdf").pages[0].extract_text()
    assert "What limits confidence" in page
    assert "Caution" in page


def test_grids_of_every_kind(make: Make) -> None:
    loaded = load_runs(
        [make(seconds=600, marks=(key("section", 100.0), key("section", 200.0)))]
    )
    run = answer(loaded, AnswerSettings()).runs[0].loaded
    assert len(grid_sections(run, "60 s")) == 10
    assert len(grid_sections(run, "1km")) == len(grid_sections(run, "1000 m"))
    assert [s.name for s in grid_sections(run, "section")] == ["section to section"]
    assert grid_sections(run, "milepost") == []
    for bad in ("7 leagues", "0s", "0m", "x"):
        with pytest.raises(ValueError, match="grid"):
            grid_sections(run, bad)

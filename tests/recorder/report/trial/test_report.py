"""Reports of good runs, poor runs and hardly any run: what can be said is, the rest is named."""

from __future__ import annotations

import csv
import json
import math
import re
from io import BytesIO
from pathlib import Path

import numpy as np
import pyarrow.parquet as pq
import pypdf
import pytest

from recorder.command_line.main import main
from recorder.report.pages.document import plain, pm
from recorder.report.trial.summary import write_summary
from tests.recorder.report.conftest import TRIP, Make

BUFF = np.full(600, -40.0)


def report(out: Path, *words: object) -> dict[str, object]:
    assert main(["report", *map(str, words), "--out", str(out)]) == 0
    told: dict[str, object] = json.loads((out / "results.json").read_text(encoding="utf-8"))
    return told


def verdict(told: dict[str, object]) -> str:
    whole = told["overall"]
    assert isinstance(whole, dict)
    return str(whole["verdict"])


def pdf_text(path: Path) -> str:
    return "".join(page.extract_text() for page in pypdf.PdfReader(path).pages)


@pytest.mark.slow
def test_a_good_run_meets_and_everything_is_written(make: Make, tmp_path: Path) -> None:
    out = tmp_path / "out"
    told = report(out, make())
    assert verdict(told) == "meets"
    assert told["unmade"] == []
    figures = told["figures"]
    assert isinstance(figures, list)
    for figure in figures:
        assert figure["unit"]
        assert figure["expanded_uncertainty"] is not None
    words = pdf_text(out / "report.pdf")
    assert "Meets its specification" in words
    assert "Caution" in words
    page = (out / "report.html").read_text(encoding="utf-8")
    assert "Meets its specification" in page
    assert not re.search(r'(src|href)="(?!#|data:)', page)
    assert page.count("<svg") >= 4
    with (out / "tables" / "bands.csv").open(encoding="utf-8", newline="") as stream:
        rows = list(csv.DictReader(stream))
    assert rows
    assert float(rows[0]["pull_U_kN"]) > 0.0
    table = pq.read_table(out / "tables" / "bands.parquet")
    assert table.schema.field("pull_kN").metadata[b"unit"] == b"kN"
    assert (out / "tables" / "run_table" / "run=run" / "part.parquet").exists()
    again = report(tmp_path / "again", tmp_path / "run.h5")
    assert again == told


@pytest.mark.slow
def test_a_poor_run_does_not_meet(make: Make, tmp_path: Path) -> None:
    assert verdict(report(tmp_path / "out", make(factor=0.95))) == "does not meet"


@pytest.mark.slow
@pytest.mark.parametrize(
    ("name", "options"),
    [
        ("three seconds", {"seconds": 3}),
        ("standing", {"seconds": 600, "speed": np.zeros(600), "pull": np.zeros(600)}),
        ("buff", {"seconds": 600, "speed": np.full(600, 10.0), "pull": BUFF}),
        ("no trip", {"trip": ""}),
        ("no grade", {"grade": False}),
        ("no pull", {"drop": ("pull",)}),
        ("no speed", {"drop": ("speed",)}),
        ("no mass", {"trip": '[trip]\nname = "x"\n'}),
        ("dead half-way", {"pull": np.where(np.arange(1800) < 900, 100.0, np.nan)}),
        ("one sample", {"seconds": 1}),
        (
            "pull and wheel never together",
            {
                "pull": np.where(np.arange(1800) < 900, 100.0, np.nan),
                "speed": np.where(np.arange(1800) < 900, np.nan, 10.0),
            },
        ),
        ("nothing but numbers that are none", {"pull": np.full(600, np.nan), "seconds": 600}),
    ],
)
def test_runs_that_cannot_say_all(
    make: Make, tmp_path: Path, name: str, options: dict[str, object]
) -> None:
    out = tmp_path / "out"
    told = report(out, make(**options))
    assert told["unmade"] == []
    notes = told["notes"]
    assert isinstance(notes, list)
    assert notes, name
    assert verdict(told) != "meets"
    for file in ("report.pdf", "report.html", "chart_roll.pdf"):
        assert (out / file).stat().st_size > 1000
    write_summary(tmp_path / "run.h5", tmp_path / "summary.pdf")
    assert len(pypdf.PdfReader(tmp_path / "summary.pdf").pages) == 1


@pytest.mark.slow
def test_a_wheel_dead_half_way_answers_for_what_it_saw(make: Make, tmp_path: Path) -> None:
    told = report(tmp_path / "out", make(speed=np.where(np.arange(1800) < 900, 10.0, np.nan)))
    assert verdict(told) == "meets"
    assert any("not tested: 10-36 km/h and 36-90 km/h" in r for r in told["overall"]["reasons"])  # type: ignore[index]  # JSON
    assert told["runs"][0]["seconds_missing"] == pytest.approx(899.0, abs=2.0)  # type: ignore[index]  # JSON
    assert "Meets its specification at the speeds tested" in pdf_text(
        tmp_path / "out" / "report.pdf"
    )


@pytest.mark.slow
def test_the_roll_is_at_a_true_scale(make: Make, tmp_path: Path) -> None:
    """Ticks of whole minutes lie so many millimetres apart on the page; 72 points an inch."""
    from recorder.analysis.campaign.loading import load_runs
    from recorder.report.roll.roll import RollScale, roll_sheets

    loaded = load_runs([make()])
    roll = roll_sheets(loaded[0], RollScale(mm_per_min=37.5))
    text = roll.sheets[0].decode()
    ticks = [
        float(part.split('x1="')[1].split('"')[0]) for part in text.split('class="tick"')[1:]
    ]
    assert np.diff(ticks) == pytest.approx(np.full(len(ticks) - 1, 37.5), abs=1e-3)
    assert f'viewBox="0 0 {roll.width_mm:.4f}' in text
    report(tmp_path / "out", tmp_path / "run.h5", "--roll-mm-per-min", "37.5")
    page = pypdf.PdfReader(tmp_path / "out" / "chart_roll.pdf").pages[0]
    assert float(page.mediabox.width) == pytest.approx(roll.width_mm * 72 / 25.4, abs=0.1)
    total_mm = 30 * 37.5
    assert len(roll.sheets) == math.ceil(total_mm / (420 - 26))


@pytest.mark.slow
def test_a_campaign_and_a_comparison(
    make: Make, tmp_path: Path, capsys: pytest.CaptureFixture[str]
) -> None:
    first, second = make("before", factor=1.0), make("after", factor=1.06)
    told = report(tmp_path / "out", first, second)
    runs = told["runs"]
    assert isinstance(runs, list)
    assert [r["name"] for r in runs] == ["before", "after"]
    capsys.readouterr()
    words = ["compare", str(first), str(second), "--json", "--out", str(tmp_path / "c")]
    assert main(words) == 0
    compared = json.loads(capsys.readouterr().out)
    shares = [d["per_cent"]["value"] for b in compared["bands"] for d in b["differences"]]
    assert np.mean(shares) == pytest.approx(6.0, abs=0.5)
    assert all(d["significant"] for b in compared["bands"] for d in b["differences"])
    content = (tmp_path / "c" / "comparison.pdf").read_bytes()
    assert pypdf.PdfReader(BytesIO(content)).pages
    same = ["compare", str(first), str(first), "--json"]
    assert main(same) == 0
    compared = json.loads(capsys.readouterr().out)
    assert not any(d["significant"] for b in compared["bands"] for d in b["differences"])


def test_bad_use_is_one_line(
    make: Make, tmp_path: Path, capsys: pytest.CaptureFixture[str]
) -> None:
    run = make(seconds=60)
    edits = tmp_path / "edits.csv"
    edits.write_text("action,start_s,end_s,reason\nstrike,0,50,\n")
    for words in (
        ["report", str(tmp_path / "none.h5")],
        ["report", str(run), "--grid", "7 leagues"],
        ["report", str(run), "--band-km-h", "0"],
        ["report", str(run), "--band-mph", "-5"],
        ["report", str(run), "--edits", str(edits)],
        ["report", str(run), "--roll-mm-per-km", "99999"],
        ["report", str(run), "--route", str(tmp_path / "none.csv")],
    ):
        assert main([*words, "--out", str(tmp_path / "o")]) == 2, words
        told = capsys.readouterr().err
        assert told.count("\n") == 1, told
        assert "internal" not in told
    assert main(["report", str(run), "--out", str(edits)]) == 2
    assert capsys.readouterr().err.count("\n") == 1
    assert main(["compare", str(run)]) == 2
    assert TRIP


def test_numbers_as_people_read_them() -> None:
    from recorder.analysis.uncertainty.causes import CauseKind, UncertaintyCause
    from recorder.analysis.uncertainty.measured import Measured

    cause = UncertaintyCause(CauseKind.AMOUNT, "a")
    assert pm(Measured(123.456, "kN", {cause: 0.6})) == "123.5 ± 1.2"
    assert pm(Measured(-1234.0, "kN", {cause: 60.0}), unit=True) == "−1\u2009234 ± 118 kN"
    assert pm(None) == "—"
    assert plain(math.nan) == "—"
    assert plain(0.0) == "0"
    assert plain(12345.6, 4) == "12\u2009346"

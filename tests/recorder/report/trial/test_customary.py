"""In the customary edition all is customary, over a whole run; programs read SI as before."""

from __future__ import annotations

import json
import re
from pathlib import Path

import numpy as np
import pypdf
import pytest

from recorder.analysis.campaign.answer import AnswerSettings, answer_files
from recorder.analysis.campaign.comparison import compare_files
from recorder.command_line.main import main
from recorder.report.closing.cautions import cautions_of
from recorder.report.comparison.comparison_pages import comparison_pdf, in_words
from recorder.report.opening.first_page import doubt_blocks
from recorder.report.pages.document import Text
from recorder.report.pages.shown_units import CUSTOMARY, METRIC
from recorder.report.section_parts.naming import Naming, naming_of
from tests.recorder.report.conftest import (
    PLACED,
    Make,
    full_throttle,
    key,
    line,
    plateaus,
    posts_keyed,
)

SI = re.compile(
    r"km/h|\bkN\b|\bkJ\b|\bMJ\b|m/s|°C|N/t|\bkW\b|kWh|\bkPa\b|\bkm\b|\d\s?t\b|\d\s?m\b|\d\s?K\b"
)
FREED = (
    ("kilometre post", ""),  # a word of other railways
    ("t, short ton, long ton metric ton, ton 1000 kg", ""),  # what the words mean
)


def placed_run(make: Make, folder: Path) -> Path:
    """On a route, with weather, fuel and throttle keyed in customary units."""
    line(folder)
    marks = (
        *full_throttle(1800),
        *posts_keyed(plateaus(np.arange(1800.0))),
        key("weather", 5.0, "dry; wind 30 mph from 90; 52 F"),
        key("fuel", 10.0, "2000 lb"),
        key("fuel", 1700.0, "900 lb"),
    )
    return make(trip=PLACED, marks=marks)


def words_of(path: Path) -> str:
    return " ".join(page.extract_text() for page in pypdf.PdfReader(path).pages)


@pytest.mark.slow
def test_a_whole_report_says_no_si_unit(
    make: Make, tmp_path: Path, capsys: pytest.CaptureFixture[str]
) -> None:
    run = placed_run(make, tmp_path)
    for units in ("metric", "customary"):
        # Of one width, that the figures can be the same: each edition has round bands of its own.
        words = ["report", str(run), "--out", str(tmp_path / units), "--units", units,
                 "--band-km-h", "10"]  # fmt: skip
        assert main(words) == 0
    said = words_of(tmp_path / "customary" / "report.pdf")
    for freed, instead in FREED:
        said = re.sub(r"\s+", " ", said).replace(freed, instead)
    assert not SI.findall(said), [
        said[m.start() - 60 : m.end() + 20] for m in SI.finditer(said)
    ]
    assert "mph" in said
    assert "short tons" in said
    printed = capsys.readouterr().out.split("verdict: ")[-1]
    assert not SI.findall(printed)
    results = [
        json.loads((tmp_path / units / "results.json").read_text(encoding="utf-8"))
        for units in ("metric", "customary")
    ]
    assert results[0] == results[1]


@pytest.mark.slow
def test_a_comparison_says_no_si_unit_and_the_same_differences(
    make: Make, tmp_path: Path
) -> None:
    line(tmp_path)
    v = plateaus(np.arange(900.0))
    keyed = (*full_throttle(900), *posts_keyed(v))
    runs = [
        make(name, seconds=900, trip=PLACED, marks=keyed, speed=v, factor=factor)
        for name, factor in (("before", 1.0), ("after", 1.1))
    ]
    compared = compare_files(runs, AnswerSettings(band_m_s=5 * 1609.344 / 3600))
    (tmp_path / "c.pdf").write_bytes(comparison_pdf(compared, CUSTOMARY))
    metric, customary = in_words(compared, METRIC), in_words(compared, CUSTOMARY)
    for said in (customary, words_of(tmp_path / "c.pdf")):
        assert not SI.findall(said), [
            said[m.start() - 60 : m.end() + 20] for m in SI.finditer(said)
        ]
        assert "mph" in said
    assert "15-20 mph" in customary
    assert "24.1-32.2 km/h" in metric
    kN, lbf = (
        [float(re.sub(r"[^\d.]", "", f)) for f in re.findall(r"pull ([^±]+) ±", words)]
        for words in (metric, customary)
    )
    assert len(kN) > 4
    assert lbf == pytest.approx([224.809 * f for f in kN], rel=0.05)


@pytest.mark.slow
def test_a_comparison_is_told_in_the_units_asked_for(
    make: Make, tmp_path: Path, capsys: pytest.CaptureFixture[str]
) -> None:
    runs = [str(make(name, seconds=400)) for name in ("before", "after")]
    printed = {}
    for units in ("metric", "customary"):
        out = ["--out", str(tmp_path / units), "--units", units]
        assert main(["compare", *runs, "--band-mph", "5", *out]) == 0
        printed[units] = capsys.readouterr().out
    assert "km/h" in printed["metric"]
    assert "mph" in printed["customary"]
    assert not SI.findall(printed["customary"])
    files = [(tmp_path / units / "comparison.json").read_bytes() for units in printed]
    assert files[0] == files[1]


@pytest.mark.slow
def test_doubts_of_a_wrong_unit_are_said_in_the_edition(make: Make) -> None:
    """A pull four times too large is doubted by adhesion, in pounds and short tons."""
    answer = answer_files([make(factor=4.0)], AnswerSettings())
    naming = naming_of(answer, CUSTOMARY)
    doubted = [b.text for b in doubt_blocks(answer, naming) if isinstance(b, Text)]
    assert any("lbf" in words and "short tons" in words for words in doubted)
    assert not [words for words in doubted if SI.search(words)]
    assert not [words for words in cautions_of(answer, naming) if SI.search(words)]


def test_runs_are_called_by_letters_and_notes_follow() -> None:
    naming = Naming({"monday": "A", "tuesday": "B"}, CUSTOMARY)
    assert naming.told("tuesday: one zero was taken") == "Run B: one zero was taken"
    assert naming.told("the run of tuesday") == "the run of tuesday"
    assert naming.owned("train of monday") == "train of run A"
    assert naming.owned("monday") == "run A"
    assert naming.letter("wednesday") == "wednesday"

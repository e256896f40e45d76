"""No side table kills the answer: what cannot be made is said in its place."""

from __future__ import annotations

import json
from pathlib import Path

import numpy as np
import pypdf
import pytest

from recorder.analysis.campaign.unmade import Unmade, attempt
from recorder.command_line.main import main
from recorder.exchange.table_import import ImportedTable, import_table
from recorder.report.trial import sections, writing
from tests.recorder.report.conftest import TRIP, Make

SECTIONS = (
    "object_section", "instruments_section", "calibration_section", "method_section",
    "conditions_section", "performance_section", "resistance_section", "rating_section",
    "energy_section", "fuel_section", "run_section", "uncertainty_section", "deviations_section",
    "conclusion_section", "nomenclature_section", "assumptions_section", "appendices_section",
)  # fmt: skip


def written(out: Path, *words: object) -> dict[str, object]:
    assert main(["report", *map(str, words), "--out", str(out)]) == 0
    assert (out / "report.pdf").stat().st_size > 1000
    assert (out / "report.html").stat().st_size > 1000
    told: dict[str, object] = json.loads((out / "results.json").read_text(encoding="utf-8"))
    return told


def broken(*_: object, **__: object) -> None:
    msg = "a square root of less than nothing"
    raise ArithmeticError(msg)


def test_a_part_that_fails_is_kept_with_its_kind_and_words() -> None:
    unmade: list[Unmade] = []
    assert attempt("the chart", broken, None, unmade) is None
    assert unmade == [
        Unmade("the chart", "ArithmeticError: a square root of less than nothing")
    ]
    assert "the rest of the answer stands" in unmade[0].in_words


def test_a_full_disk_is_no_part_that_failed() -> None:
    def full() -> None:
        raise OSError(28, "No space left on device")

    unmade: list[Unmade] = []
    with pytest.raises(OSError, match="No space left"):
        attempt("the tables", full, None, unmade)
    assert unmade == []


@pytest.mark.slow
@pytest.mark.parametrize("name", SECTIONS)
def test_a_section_that_fails_says_so_in_its_place(
    make: Make, tmp_path: Path, monkeypatch: pytest.MonkeyPatch, name: str
) -> None:
    monkeypatch.setattr(sections, name, broken)
    told = written(tmp_path / "out", make())
    assert told["overall"]["verdict"] == "meets"  # type: ignore[index]  # parsed JSON
    words = "".join(
        p.extract_text() for p in pypdf.PdfReader(tmp_path / "out/report.pdf").pages
    )
    assert "Not made" in words
    assert told["unmade"]


@pytest.mark.slow
@pytest.mark.parametrize("name", ["write_tables", "chart_roll"])
def test_tables_or_roll_that_fail_leave_the_report(
    make: Make, tmp_path: Path, monkeypatch: pytest.MonkeyPatch, name: str
) -> None:
    monkeypatch.setattr(writing, name, broken)
    told = written(tmp_path / "out", make())
    assert any("could not be made" in str(note) for note in told["notes"])  # type: ignore[attr-defined]  # parsed JSON


def old_roll(path: Path, pull_kN: float) -> Path:
    """Read off every five seconds, for half an hour."""
    t = np.arange(0.0, 1800.0, 5.0)
    speed = 12.0 + 4.0 * np.sin(t / 300.0)
    columns = {
        "pull": pull_kN + 2.0 * np.sin(t / 7.0),
        "speed": speed,
        "grade": np.zeros(len(t)),
    }
    table = ImportedTable(time_s=t, columns=columns, warnings=())
    import_table(table, path, software="test", trip_sheet=TRIP)
    return path


@pytest.mark.slow
def test_a_grid_finer_than_the_roll_has_the_rows_of_the_roll(tmp_path: Path) -> None:
    roll = old_roll(tmp_path / "roll.h5", 60.0)
    written(tmp_path / "out", roll, "--grid", "1s")
    rows = (tmp_path / "out/tables/run_table.csv").read_text(encoding="utf-8").splitlines()
    assert 300 < len(rows) < 400


@pytest.mark.slow
def test_a_resistance_below_nothing_does_not_end_the_report(tmp_path: Path) -> None:
    """A train that is pushed by the wind: the pull is buff throughout."""
    told = written(tmp_path / "out", old_roll(tmp_path / "wind.h5", -30.0))
    assert told["overall"]


@pytest.mark.slow
def test_a_grid_that_is_none_is_refused(
    tmp_path: Path, capsys: pytest.CaptureFixture[str]
) -> None:
    roll = old_roll(tmp_path / "roll.h5", 60.0)
    assert main(["report", str(roll), "--grid", "every day", "--out", str(tmp_path / "o")]) == 2
    assert "everyday" in capsys.readouterr().err

"""Facts on the command line and in a bench sheet: refused in one line where they cannot be."""

from __future__ import annotations

from pathlib import Path

import pytest

from recorder.command_line.main import main
from tests.calibration.bench_tables import iso_csv


@pytest.fixture
def table(tmp_path: Path) -> Path:
    """Of a sound cell but for row 7, which is 10 % up."""
    lines = [line.split(",") for line in iso_csv(noise=40.0).splitlines()]
    lines[6][4] = f"{float(lines[6][4]) * 1.1:.0f}"
    path = tmp_path / "readings.csv"
    path.write_text("\n".join(",".join(cells) for cells in lines) + "\n", "utf-8")
    return path


@pytest.mark.parametrize(
    ("words", "allowed"),
    [
        (["--issued", "9999-12-31"], "a day of the years 1950 to 2100"),
        (["--capacity-kN", "1e308"], "at most 1e5 kN"),
        (["--resolution", "1e9"], "at most 1 % of it"),
        (["--reference-U-pct", "0"], "1e-5 to 100 %"),
        *(
            (["--accept-rows", rows, "--accept-reason", "so"], "ranges with commas between")
            for rows in ("all", "9-3", "1-", "-1", "1-99999999", "1,,2", "")
        ),
    ],
)
def test_an_option_that_cannot_be_is_one_line_with_what_is_allowed(
    words: list[str], allowed: str, table: Path, capsys: pytest.CaptureFixture[str]
) -> None:
    option, value = words[:2]
    rest = words[2:]
    assert main(["bench", "fit", str(table), f"{option}={value}", *rest]) == 2
    error = capsys.readouterr().err
    assert error.startswith("testcar bench: ")
    assert error.count("\n") == 1
    assert allowed in error


@pytest.mark.parametrize(
    ("sheet", "words"),
    [
        ("cell = " + "[" * 3000, "not TOML"),
        ("capacity_kN = " + "9" * 400, "a whole number has more than 40 digits"),
        ('cell = "a"\ncell = "b"', "not TOML"),
        ("\xff", "not UTF-8"),
    ],
)
@pytest.mark.parametrize("verb", ["fit", "run"])
def test_a_sheet_that_cannot_be_is_one_short_line(
    sheet: str,
    words: str,
    verb: str,
    table: Path,
    tmp_path: Path,
    capsys: pytest.CaptureFixture[str],
) -> None:
    path = tmp_path / "bench.toml"
    path.write_bytes(sheet.encode("latin-1"))
    place = str(table) if verb == "fit" else str(tmp_path / "new.bench")
    assert main(["bench", verb, place, "--sheet", str(path)]) == 2
    error = capsys.readouterr().err
    assert "bench.toml" in error
    assert words in error
    assert error.count("\n") == 1
    assert len(error) < 600


def test_ranges_of_rows_are_accepted_and_the_reason_cannot_steer_the_terminal(
    table: Path, capsys: pytest.CaptureFixture[str]
) -> None:
    reason = "seen\x1b[2J\nby two"
    words = ["--accept-rows", "2-6, 7-90", "--accept-reason", reason]
    assert main(["bench", "fit", str(table), *words]) == 0
    told = capsys.readouterr().out
    assert "accepted in spite of doubt (seen\ufffd[2J\ufffdby two)" in told
    assert "\x1b" not in told

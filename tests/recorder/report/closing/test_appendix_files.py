"""Sheets and certificates stand beside the report as they stand in the runs, each once."""

from __future__ import annotations

import hashlib
from dataclasses import replace
from pathlib import Path

import pytest

from recorder.analysis.campaign.answer import AnswerSettings, answer_files
from recorder.analysis.campaign.loading import load_runs
from recorder.report.closing.appendix_files import (
    AppendixFile,
    appendix_files,
    write_appendix,
)
from recorder.report.pages.shown_units import METRIC
from recorder.report.section_parts.naming import Naming, naming_of
from tests.recorder.report.conftest import TRIP, Make


@pytest.mark.slow
def test_a_sheet_that_runs_share_stands_once_another_apart(make: Make, tmp_path: Path) -> None:
    other = TRIP.replace("Full regulator trial", "Another day")
    runs = [make("monday"), make("tuesday"), make("wednesday", trip=other)]
    answer = answer_files(runs, AnswerSettings())
    loaded = [run.loaded for run in answer.runs]
    files = appendix_files(loaded, naming_of(answer, METRIC))
    sheets = [(f.name, f.what) for f in files if f.name.startswith("trip")]
    assert sheets == [
        ("trip.toml", "trip sheet of runs A, B"),
        ("trip-C.toml", "trip sheet of run C"),
    ]
    out = tmp_path / "out"
    out.mkdir()
    write_appendix(files, out)
    kept = (tmp_path / "out" / "appendix" / "trip-C.toml").read_text(encoding="utf-8")
    assert kept == loaded[2].provenance.header.trip_sheet


def test_digests_are_those_of_the_files_and_an_earlier_report_leaves_nothing(
    tmp_path: Path,
) -> None:
    old = AppendixFile(name="old.cert.json", what="certificate", text="{}\n")
    new = AppendixFile(name="car.toml", what="car sheet", text="[car]\r\nname = 'D 2'\n")
    folder = tmp_path / "appendix"
    write_appendix([old, new], tmp_path)
    write_appendix([new], tmp_path)
    assert sorted(p.name for p in folder.iterdir()) == ["car.toml", "sha256.txt"]
    digest, name = (folder / "sha256.txt").read_text(encoding="utf-8").split()
    assert name == "car.toml"
    assert digest == hashlib.sha256((folder / name).read_bytes()).hexdigest()
    write_appendix([], tmp_path)
    assert list(folder.iterdir()) == []


def test_certificates_of_any_number_stand_each_in_a_file_of_its_own_in_the_folder(
    make: Make, tmp_path: Path
) -> None:
    """Numbers that differ in signs no file name takes, in capitals, or after 300 letters."""
    (run,) = load_runs([make(seconds=60)])
    odd = (
        "../F 1",
        "..:F?1",
        "..*F/1",
        "W-1",
        "w-1",
        "\N{GREEK SMALL LETTER MU}" * 300,
        "/etc/x",
    )
    numbers = (*odd, odd[5] + "2")
    header = replace(
        run.provenance.header, certificates={n: f'{{"number": "{n}"}}' for n in numbers}
    )
    loaded = replace(run, provenance=replace(run.provenance, header=header, certificates={}))
    write_appendix(appendix_files([loaded], Naming({loaded.name: "A"}, METRIC)), tmp_path)
    kept = [p for p in (tmp_path / "appendix").iterdir() if p.name.endswith(".cert.json")]
    assert {p.read_text(encoding="utf-8") for p in kept} == set(header.certificates.values())
    assert len({p.name.casefold() for p in kept}) == len(numbers)
    assert not [p for p in tmp_path.rglob("*.cert.json") if p.parent.name != "appendix"]

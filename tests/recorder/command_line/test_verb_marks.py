"""``testcar marks``: edits go to the companion, the file stays, and all readers see one run."""

from __future__ import annotations

import gzip
import json
from pathlib import Path
from typing import Any

import pytest

from recorder.command_line.main import main
from recorder.marks.handling import BrakeMark
from recorder.run_file.companion.companion import companion_path
from recorder.run_file.hdf5.reader import open_run
from recorder.track.placing.run_source import PLACEMENT
from tests.recorder.made_runs import MadeRun

OLD_FILE = Path(__file__).parents[1] / "run_file" / "hdf5" / "data" / "layout_1.h5.gz"


def asked(capsys: pytest.CaptureFixture[str], *words: str) -> Any:
    capsys.readouterr()
    assert main(["marks", *words, "--json"]) == 0
    return json.loads(capsys.readouterr().out)


def refused(capsys: pytest.CaptureFixture[str], *words: str) -> tuple[int, str]:
    capsys.readouterr()
    code = main(["marks", *words])
    out, error = capsys.readouterr()
    assert out == ""
    assert error.startswith("testcar marks: ")
    assert error.count("\n") == 1
    return code, error


def test_a_run_s_marks_are_listed(copied: Path, capsys: pytest.CaptureFixture[str]) -> None:
    with open_run(copied) as run:
        held = run.marks()
    listed = asked(capsys, str(copied))
    assert listed["run"] == str(copied)
    assert [m["mark_id"] for m in listed["marks"]] == [m.mark_id for m in held]
    assert {m["kept_in"] for m in listed["marks"]} == {"run file"}
    assert asked(capsys, str(copied), "list") == listed
    assert main(["marks", str(copied)]) == 0
    lines = capsys.readouterr().out.splitlines()
    assert lines[0].split() == ["mark", "run", "time,", "s", "kind", "value", "note", "by"]
    assert len(lines) == 1 + len(held)
    assert not companion_path(copied).exists()


def test_every_edit_is_a_revision_beside_the_untouched_file(
    copied: Path, capsys: pytest.CaptureFixture[str]
) -> None:
    sealed = copied.read_bytes()
    run = str(copied)
    by = ("--by", "A. Crew")
    made = asked(capsys, run, "add", "brake", "0:02.5", "0", "--note", "from the chart", *by)
    mark = made["mark"]
    assert (mark["t_s"], mark["value"], mark["by"]) == (2.5, "release", "A. Crew")
    found = mark["mark_id"][:10]
    asked(capsys, run, "correct", found, "--value", "70", *by)
    asked(capsys, run, "move", found, "3.25", *by)
    asked(capsys, run, "withdraw", found, *by)
    assert mark["mark_id"] not in {m["mark_id"] for m in asked(capsys, run)["marks"]}
    asked(capsys, run, "restore", found, *by)
    history = [
        (m["revision"], m["t_s"], m["value"], m["withdrawn"], m["kept_in"])
        for m in asked(capsys, run, "list", "--history")["marks"]
        if m["mark_id"] == mark["mark_id"]
    ]
    assert history == [
        (0, 2.5, "release", False, "companion"),
        (1, 2.5, "70 kPa", False, "companion"),
        (2, 3.25, "70 kPa", False, "companion"),
        (3, 3.25, "70 kPa", True, "companion"),
        (4, 3.25, "70 kPa", False, "companion"),
    ]
    assert copied.read_bytes() == sealed
    with open_run(copied) as opened:
        (seen,) = [m for m in opened.marks() if m.mark_id == mark["mark_id"]]
    assert (seen.t_s, seen.value, seen.note) == (3.25, "70 kPa", "from the chart")
    assert seen.software.startswith("testcar ")
    assert main(["verify", run]) == 0
    assert main(["marks", run, "--history"]) == 0
    assert "withdrawn after the run" in capsys.readouterr().out


def test_what_the_run_holds_is_corrected_too(
    copied: Path, capsys: pytest.CaptureFixture[str]
) -> None:
    with open_run(copied) as run:
        post = next(m for m in run.marks() if m.kind == "milepost")
    words = ["marks", str(copied), "correct", post.mark_id, "--value", "77"]
    assert main(words) == 0
    assert "milepost 77" in capsys.readouterr().out
    listed = asked(capsys, str(copied))["marks"]
    (mark,) = [m for m in listed if m["mark_id"] == post.mark_id]
    assert (mark["value"], mark["revision"]) == ("77", post.revision + 1)
    assert mark["kept_in"] == "companion"
    code, why = refused(capsys, *words[1:])
    assert code == 1
    assert "so already" in why


@pytest.mark.parametrize(
    ("words", "why"),
    [
        (["add", "brak", "1"], "did you mean 'brake'"),
        (["add", "brake", "1", "maybe"], "a reduction, for example 70 kPa"),
        (["add", "brake", "soon"], "m:ss or h:mm:ss"),
        (["add", "brake", "1:75"], "below 60"),
        (["add", "brake", "1:75:00"], "below 60"),
        (["add", "brake", "2:00:00"], "outside the run"),
        (["move", "ffffffffffff", "1"], "no mark begins with"),
        (["correct", "ffffffffffff"], "no mark begins with"),
    ],
)
def test_what_cannot_be_done_is_one_line(
    copied: Path, capsys: pytest.CaptureFixture[str], words: list[str], why: str
) -> None:
    code, error = refused(capsys, str(copied), *words)
    assert code == 2
    assert why in error
    assert not companion_path(copied).exists()


def test_a_correction_of_nothing_says_what_may_be_given(
    copied: Path, capsys: pytest.CaptureFixture[str]
) -> None:
    with open_run(copied) as run:
        mark_id = run.marks()[0].mark_id
    assert "--value, --note, --kind" in refused(capsys, str(copied), "correct", mark_id)[1]


def test_a_run_that_was_not_sealed_is_listed_but_not_edited(
    made: MadeRun, tmp_path: Path, capsys: pytest.CaptureFixture[str]
) -> None:
    run = tmp_path / "run.h5"
    made.filed(run)
    assert asked(capsys, str(run))["marks"]
    code, error = refused(capsys, str(run), "add", "remark", "1")
    assert code == 2
    assert "testcar recover" in error


def test_a_moved_milepost_says_that_the_place_was_found_without_it(
    copied: Path, capsys: pytest.CaptureFixture[str]
) -> None:
    with open_run(copied) as run:
        run.companion.set_result(PLACEMENT, {}, by="", version="")
    assert main(["marks", str(copied), "add", "remark", "1", "rain"]) == 0
    assert "testcar place" not in capsys.readouterr().err
    assert main(["marks", str(copied), "add", "milepost", "1", "41"]) == 0
    assert "testcar place places it again" in capsys.readouterr().err


def test_a_value_that_does_not_read_is_listed_as_text_and_named(
    copied: Path, capsys: pytest.CaptureFixture[str]
) -> None:
    with open_run(copied) as run:
        mark = run.marks()[0]
        run.companion.add_revision(mark.revised(kind="brake", value="a little"))
    assert main(["marks", str(copied)]) == 0
    out, error = capsys.readouterr()
    assert "a little" in out
    assert "does not read and is kept as text: brake: got 'a little'" in error
    (listed,) = [m for m in asked(capsys, str(copied))["marks"] if m["mark_id"] == mark.mark_id]
    assert listed["value"] == "a little"
    assert "allowed" in listed["problem"]


def test_a_file_of_the_first_layout_shows_its_brake_of_nothing_as_kept(
    tmp_path: Path, capsys: pytest.CaptureFixture[str]
) -> None:
    run = tmp_path / "run.h5"
    run.write_bytes(gzip.decompress(OLD_FILE.read_bytes()))
    listed = asked(capsys, str(run))["marks"]
    assert "0 kPa" in [m["value"] for m in listed if m["kind"] == "brake"]
    with open_run(run) as opened:
        (old,) = [m for m in opened.marks() if m.value == "0 kPa"]
    assert isinstance(old.meaning, BrakeMark)
    assert old.meaning.released

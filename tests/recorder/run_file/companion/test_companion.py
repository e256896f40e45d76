"""What is added after the seal: kept, stamped, never overwritten, and merged when read."""

from __future__ import annotations

import os
import sqlite3
from pathlib import Path

import pytest
from hypothesis import given, settings
from hypothesis import strategies as st

from recorder.run.parts.errors import CompanionError
from recorder.run_file.companion.companion import Companion, companion_path
from recorder.run_file.hdf5.reader import open_run
from tests.recorder.made_runs import STARTED_UTC_NS, mark

DIGEST = "sha256:" + "0" * 64


@pytest.fixture
def notes(tmp_path: Path) -> Companion:
    return Companion(tmp_path / "run.h5.notes", "run-1", DIGEST)


def test_reading_makes_no_file(notes: Companion) -> None:
    assert notes.revisions() == []
    assert notes.results() == {}
    assert notes.result("x") is None
    assert not notes.path.exists()


def test_results_have_a_history_with_when_by_whom_and_version(notes: Companion) -> None:
    notes.set_result("placing", {"scale": 1.01}, by="A. Crew", version="testcar 0.1")
    notes.set_result("placing", {"scale": 1.02}, by="B. Crew", version="testcar 0.2")
    notes.set_result("other", [1, None, "ä"], by="", version="")
    first, second = notes.history("placing")
    assert (first.data, first.by, first.version) == ({"scale": 1.01}, "A. Crew", "testcar 0.1")
    assert second.utc_ns >= first.utc_ns > STARTED_UTC_NS // 2
    assert notes.result("placing") == second
    assert set(notes.results()) == {"placing", "other"}
    assert notes.results()["other"].data == [1, None, "ä"]
    again = Companion(notes.path, "run-1", DIGEST)
    assert again.results() == notes.results()


def test_a_revision_is_taken_once(notes: Companion) -> None:
    first = mark(1.0)
    notes.add_revision(first.revised(value="7"))
    with pytest.raises(CompanionError, match="nothing is overwritten"):
        notes.add_revision(first.revised(value="8"))
    assert [m.value for m in notes.revisions()] == ["7"]


def test_the_run_and_its_companion_read_as_one(copied: Path) -> None:
    with open_run(copied) as run:
        before = run.marks()
        run.companion.add_revision(before[0].revised(value="43", by="office"))
        run.companion.add_revision(mark(7.0, kind="weather", value="rain"))
    with open_run(copied) as run:
        after = run.marks()
        assert [m.value for m in after] == ["43", "", "rain"]
        assert after[0].by == "office"
        assert len(run.revisions()) == 7
    assert companion_path(copied).name == "run.h5.notes"
    assert not list(copied.parent.glob("*-journal")) + list(copied.parent.glob("*-wal"))


def test_of_another_run(notes: Companion) -> None:
    notes.set_result("x", 1, by="", version="")
    with pytest.raises(
        CompanionError, match=r"belongs to run 'run-1', not to 'run-2'.*own run"
    ):
        Companion(notes.path, "run-2", DIGEST)


def test_a_newer_version_is_told(notes: Companion) -> None:
    notes.set_result("x", 1, by="", version="")
    connection = sqlite3.connect(notes.path)
    connection.execute("UPDATE meta SET value = '8' WHERE key = 'version'")
    connection.commit()
    connection.close()
    with pytest.raises(CompanionError, match="version '8'"):
        Companion(notes.path, "run-1", DIGEST)


def test_what_is_not_plain_is_refused(notes: Companion) -> None:
    with pytest.raises(TypeError):
        notes.set_result("x", object(), by="", version="")
    assert not notes.path.exists()


def test_a_folder_that_cannot_be_written(tmp_path: Path) -> None:
    notes = Companion(tmp_path / "no" / "such" / "run.h5.notes", "run-1", DIGEST)
    with pytest.raises(OSError, match="cannot be written"):
        notes.set_result("x", 1, by="", version="")


@settings(max_examples=60, deadline=None)
@given(data=st.data())
def test_a_hostile_companion_is_one_line(
    tmp_path_factory: pytest.TempPathFactory, data: st.DataObject
) -> None:
    path = tmp_path_factory.mktemp("notes") / "run.h5.notes"
    notes = Companion(path, "run-1", DIGEST)
    notes.set_result("x", {"a": 1}, by="me", version="1")
    kept = mark(1.0)
    notes.add_revision(kept)
    raw = bytearray(path.read_bytes())
    for _ in range(data.draw(st.integers(1, 10))):
        raw[data.draw(st.integers(0, len(raw) - 1))] = data.draw(st.integers(0, 255))
    path.write_bytes(raw)
    told = ""
    try:
        again = Companion(path, "run-1", DIGEST)
        assert again.results()["x"].data == {"a": 1}
        assert again.revisions() == [kept]
    except CompanionError as error:
        told = str(error)
    assert told == "" or str(path) in told, told


def test_damage_that_sqlite_cannot_put_into_words(notes: Companion) -> None:
    """The library decodes its own message, which quotes the damaged bytes."""
    notes.set_result("x", 1, by="me", version="1")
    raw = notes.path.read_bytes()
    assert b"CREATE TABLE meta" in raw
    notes.path.write_bytes(raw.replace(b"CREATE TABLE meta", b"CREATE TAB\x80E meta"))
    with pytest.raises(CompanionError, match=r"run\.h5\.notes.*damaged"):
        Companion(notes.path, "run-1", DIGEST)


@pytest.mark.parametrize("content", [b"", b"abc", b"SQLite format 3\x00", b"\x00" * 5000])
def test_garbage_is_no_companion(tmp_path: Path, content: bytes) -> None:
    path = tmp_path / "run.h5.notes"
    path.write_bytes(content)
    with pytest.raises(CompanionError, match=r"run\.h5\.notes"):
        Companion(path, "run-1", DIGEST)


def test_notes_are_read_by_those_who_may_read_the_run(tmp_path: Path) -> None:
    run = tmp_path / "run.h5"
    for rights, wanted in ((0o600, 0o600), (0o640, 0o640), (0o644, 0o640)):
        run.write_bytes(b"")
        run.chmod(rights)
        before = os.umask(0)
        try:
            Companion(tmp_path / "run.h5.notes", "r", "d").set_result(
                "route", {}, by="crew", version="testcar test"
            )
        finally:
            os.umask(before)
        held = (tmp_path / "run.h5.notes").stat()
        assert held.st_mode & 0o777 == wanted
        (tmp_path / "run.h5.notes").unlink()


def test_a_link_or_a_pipe_is_no_companion(tmp_path: Path) -> None:
    notes = tmp_path / "run.h5.notes"
    notes.symlink_to(tmp_path / "elsewhere")
    with pytest.raises(CompanionError, match="a symbolic link is there"):
        Companion(notes, "r", "d")
    notes.unlink()
    os.mkfifo(notes)
    with pytest.raises(CompanionError, match="a named pipe is there"):
        Companion(notes, "r", "d")

"""Notes whose writing was cut off: they open, and hold every entry that had been kept."""

from __future__ import annotations

import os
import shutil
import sqlite3
import subprocess
import sys
from pathlib import Path

import pytest

from recorder.run.parts.errors import CompanionError
from recorder.run_file.companion.companion import Companion
from recorder.run_file.companion.cut_off import journal_of, log_of
from recorder.run_file.companion.entries import Binding
from recorder.run_file.companion.salvage import mend, salvage
from tests.calibration.files.hostile_journal import journal_naming
from tests.recorder.made_runs import mark

RUN, DIGEST = "run-1", "sha256:" + "1" * 64
ROOT = Path(__file__).parents[4]
CUT = """
import os, sys
from recorder.run_file.companion import notes_file, stored
def opened(place, mode):
    sql = stored.connection_to(place, mode)
    if mode == "rw":
        # So little memory that pages are written before the commit.
        sql.execute("PRAGMA cache_size=1")
    return sql
notes_file.connection_to = opened
def ended(*words, **named):
    os._exit(9)
stored.meta_of = ended
from recorder.run_file.companion.companion import Companion
names = {f"result {i}": "x" * 3000 for i in range(40)}
Companion(sys.argv[1], sys.argv[2], sys.argv[3]).set_results(names, by="me", version="1")
"""


@pytest.fixture
def notes(tmp_path: Path) -> Path:
    """Two entries that were kept."""
    return two_entries(tmp_path / "run.h5.notes")


def two_entries(path: Path) -> Path:
    companion = Companion(path, RUN, DIGEST)
    companion.set_result("one", {"scale": 1.01}, by="A. Crew", version="1")
    companion.add_revision(mark(1.0))
    return path


@pytest.fixture(scope="module")
def as_cut(tmp_path_factory: pytest.TempPathFactory) -> Path:
    """A third one was cut off: pages are overwritten, what they held is in the journal beside."""
    notes = two_entries(tmp_path_factory.mktemp("cut") / "run.h5.notes")
    whole = notes.read_bytes()
    child = subprocess.run(
        [sys.executable, "-c", CUT, str(notes), RUN, DIGEST],
        check=False, cwd=ROOT, env={**os.environ}, capture_output=True, text=True,
    )  # fmt: skip
    assert child.returncode == 9, child.stderr
    assert journal_of(notes).stat().st_size > 0
    assert notes.read_bytes() != whole
    return notes


@pytest.fixture
def cut(as_cut: Path, tmp_path: Path) -> Path:
    """That, to be worked on."""
    notes = tmp_path / as_cut.name
    shutil.copyfile(journal_of(as_cut), journal_of(notes))
    return Path(shutil.copyfile(as_cut, notes))


def kept(path: Path) -> tuple[object, float]:
    """What the two entries say."""
    held = Companion(path, RUN, DIGEST)
    found = held.result("one")
    assert found is not None
    (revision,) = held.revisions()
    return found.data, revision.t_s


KEPT = ({"scale": 1.01}, 1.0)


def test_a_cut_off_change_is_taken_back(cut: Path) -> None:
    assert kept(cut) == KEPT
    assert not journal_of(cut).exists()
    assert kept(cut) == KEPT
    Companion(cut, RUN, DIGEST).set_result("two", 2, by="", version="")
    assert kept(cut) == KEPT


READS = """
import os, sys
from recorder.run_file.companion.companion import Companion
os.setuid(65534)
print(Companion(sys.argv[1], sys.argv[2], sys.argv[3]).result("one").data)
"""


@pytest.mark.skipif(
    sys.platform == "win32" or os.geteuid() != 0, reason="needs another account to read as"
)
def test_where_nothing_may_be_written_it_is_read_through_a_copy(cut: Path) -> None:
    before = cut.read_bytes(), journal_of(cut).read_bytes()
    for folder in (cut.parent, *cut.parents):
        if folder.stat().st_uid == os.geteuid() and folder != Path("/"):
            folder.chmod(folder.stat().st_mode | 0o055)
    child = subprocess.run(
        [sys.executable, "-c", READS, str(cut), RUN, DIGEST],
        check=False, cwd=ROOT, env={**os.environ}, capture_output=True, text=True,
    )  # fmt: skip
    assert child.stdout == "{'scale': 1.01}\n", child.stderr
    assert (cut.read_bytes(), journal_of(cut).read_bytes()) == before


def test_a_journal_of_no_length_is_nothing(notes: Path) -> None:
    journal_of(notes).touch()
    assert kept(notes) == KEPT


@pytest.mark.parametrize("content", [b"\x00" * 512, b"\xa5" * 512, b"\xd9\xd5\x05\xf9" * 200])
def test_a_journal_that_is_none_harms_nothing(notes: Path, content: bytes) -> None:
    journal_of(notes).write_bytes(content)
    assert kept(notes) == KEPT
    Companion(notes, RUN, DIGEST).set_result("two", 2, by="", version="")
    assert kept(notes) == KEPT


@pytest.mark.parametrize("part", [0.1, 0.5, 0.9])
def test_a_torn_journal_is_refused_by_name_or_harmless(cut: Path, part: float) -> None:
    journal = journal_of(cut)
    whole = journal.read_bytes()
    at = int(len(whole) * part) // 512 * 512
    journal.write_bytes(whole[:at] + b"\x00" * 512 + whole[at + 512 :])
    before = cut.read_bytes(), journal.read_bytes()
    why = ""
    try:
        assert kept(cut) == KEPT
    except CompanionError as error:
        why = str(error)
    if why:
        assert str(cut) in why
        assert f"testcar notes {cut.with_name('run.h5')}" in why
        # What may be wanted to have it back is as it was.
        assert (cut.read_bytes(), journal.read_bytes()) == before


def test_a_journal_of_an_earlier_state_does_not_destroy_the_notes(
    cut: Path, tmp_path: Path
) -> None:
    """Sound notes were copied over those that had been cut off; their journal stayed."""
    sound = tmp_path / "elsewhere" / "run.h5.notes"
    sound.parent.mkdir()
    companion = Companion(sound, RUN, DIGEST)
    for i in range(30):
        companion.set_result(f"result {i}", "y" * 4000, by="", version="")
    shutil.copyfile(sound, cut)
    with pytest.raises(CompanionError, match=r"run\.h5\.notes"):
        Companion(cut, RUN, DIGEST)
    assert cut.read_bytes() == sound.read_bytes()
    journal_of(cut).unlink()
    assert len(Companion(cut, RUN, DIGEST).results()) == 30


def test_notes_whose_very_making_was_cut_off_hold_nothing(tmp_path: Path) -> None:
    """As version 1 left them: it made them in place."""
    path = tmp_path / "run.h5.notes"
    path.touch()
    journal_of(path).write_bytes(b"\xd9\xd5\x05\xf9\x20\xa1\x63\xd7" + b"\x00" * 504)
    companion = Companion(path, RUN, DIGEST)
    assert companion.results() == {}
    companion.set_result("one", 1, by="", version="")
    assert list(Companion(path, RUN, DIGEST).results()) == ["one"]


def test_half_made_notes_of_version_1_hold_nothing(tmp_path: Path) -> None:
    path = tmp_path / "run.h5.notes"
    half = (
        "import os, sqlite3, sys\n"
        "c = sqlite3.connect(sys.argv[1], isolation_level=None)\n"
        "c.execute('PRAGMA cache_size=1')\n"
        "c.execute('BEGIN IMMEDIATE')\n"
        "c.execute('CREATE TABLE meta (key TEXT PRIMARY KEY, value TEXT NOT NULL)')\n"
        "for i in range(200):\n"
        "    c.execute('INSERT INTO meta VALUES (?, ?)', (str(i), 'x' * 900))\n"
        "os._exit(9)\n"
    )
    assert subprocess.run([sys.executable, "-c", half, str(path)], check=False).returncode == 9
    assert path.stat().st_size > 0
    assert journal_of(path).exists()
    companion = Companion(path, RUN, DIGEST)
    assert companion.results() == {}
    companion.set_result("one", 1, by="", version="")
    assert list(Companion(path, RUN, DIGEST).results()) == ["one"]


def test_emptied_notes_are_refused_with_what_to_do(notes: Path) -> None:
    """They may have held what moves every figure: nothing tells."""
    notes.write_bytes(b"")
    with pytest.raises(CompanionError, match=r"empty \(0 bytes\): put back a copy"):
        Companion(notes, RUN, DIGEST)


def test_a_piece_of_notes_that_are_gone_is_not_taken_into_new_ones(cut: Path) -> None:
    cut.unlink()
    companion = Companion(cut, RUN, DIGEST)
    companion.set_result("new", 1, by="", version="")
    assert list(Companion(cut, RUN, DIGEST).results()) == ["new"]


@pytest.fixture
def logged(notes: Path) -> Path:
    """Another program has put the notes into another mode and was killed: entries as they were,
    written again, lie in the log alone."""
    words = (
        "import os, sqlite3, sys; s = sqlite3.connect(sys.argv[1], isolation_level=None);"
        "s.execute('PRAGMA journal_mode=WAL').fetchall();"
        "s.executescript('BEGIN; UPDATE entries SET json = json || 1;"
        " UPDATE entries SET json = substr(json, 1, length(json) - 1); COMMIT');"
        "os.kill(os.getpid(), 9)"
    )
    child = subprocess.run([sys.executable, "-c", words, str(notes)], check=False)
    assert child.returncode == -9
    assert log_of(notes).stat().st_size > 4096
    return notes


@pytest.mark.parametrize("index", [True, False])
def test_a_log_left_by_another_program_is_read_and_taken_in(logged: Path, index: bool) -> None:
    if not index:
        logged.with_name(logged.name + "-shm").unlink()
    assert kept(logged) == KEPT
    Companion(logged, RUN, DIGEST).set_result("two", 2, by="", version="")
    assert [path.name for path in logged.parent.iterdir()] == [logged.name]
    assert kept(logged) == KEPT


def test_notes_with_a_log_are_mended_for_good(logged: Path) -> None:
    """The log is kept with the file that was refused: beside the new one it would be read."""
    logged.write_bytes(logged.read_bytes().replace(b"testcar-notes", b"testcar-lotes"))
    binding = Binding(RUN, DIGEST)
    with pytest.raises(CompanionError):
        Companion(logged, RUN, DIGEST)
    found = salvage(logged, binding)
    assert found.wrong
    aside = mend(logged, binding, by="", version="")
    assert kept(logged) == KEPT
    assert not log_of(logged).exists()
    assert log_of(aside).exists()
    Companion(logged, RUN, DIGEST).set_result("two", 2, by="", version="")
    assert kept(logged) == KEPT


def test_a_log_of_notes_that_are_gone_is_not_taken_into_new_ones(logged: Path) -> None:
    logged.unlink()
    Companion(logged, RUN, DIGEST).set_result("new", 1, by="", version="")
    assert list(Companion(logged, RUN, DIGEST).results()) == ["new"]


def test_another_program_that_writes_is_told_as_such(
    notes: Path, monkeypatch: pytest.MonkeyPatch
) -> None:
    monkeypatch.setattr("recorder.run_file.companion.stored.BUSY_S", 0.01)
    other = sqlite3.connect(notes, isolation_level=None)
    other.execute("BEGIN IMMEDIATE")
    with pytest.raises(OSError, match="another program is writing to it"):
        Companion(notes, RUN, DIGEST).set_result("two", 2, by="", version="")
    assert kept(notes) == KEPT
    other.close()


def test_a_journal_that_names_another_file_removes_nothing(notes: Path, tmp_path: Path) -> None:
    other = tmp_path / "another day.h5"
    other.write_bytes(b"kept")
    journal_naming(other, notes)
    for look in (
        lambda: Companion(notes, RUN, DIGEST),
        lambda: salvage(notes, Binding(RUN, DIGEST)),
        lambda: mend(notes, Binding(RUN, DIGEST), by="A. Crew", version="1"),
    ):
        with pytest.raises(CompanionError, match="names another file"):
            look()
    assert other.read_bytes() == b"kept"


@pytest.mark.skipif(os.name != "posix", reason="pipes as POSIX has them")
def test_a_pipe_in_place_of_the_journal_holds_nobody_up(notes: Path) -> None:
    held = Companion(notes, RUN, DIGEST)
    os.mkfifo(journal_of(notes))
    for look in (held.revisions, lambda: held.add_revision(mark(2.0))):
        with pytest.raises(CompanionError, match="is no plain file: have it taken away"):
            look()

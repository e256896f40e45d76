"""Damaged notes: found, named, refused; what is sound of them can be had."""

from __future__ import annotations

import gzip
import json
import random
import re
import shutil
import sqlite3
from collections.abc import Callable
from dataclasses import replace
from pathlib import Path

import pytest

from recorder.command_line.main import main
from recorder.run.parts.errors import CompanionError
from recorder.run_file.companion.companion import Companion, companion_path
from recorder.run_file.companion.entries import Binding, Entry, chained
from recorder.run_file.companion.mending import MENDED, mended_entry, mended_words
from recorder.run_file.companion.salvage import mend, salvage
from recorder.run_file.companion.stored import COLUMNS, database_of
from recorder.run_file.hdf5.reader import open_run
from recorder.run_file.seal.verify import verify_run
from tests.campaigns.companion_damage import harmed, harms
from tests.recorder.made_runs import mark

DATA = Path(__file__).parent / "data"
LAYOUT_1 = Path(__file__).parents[1] / "hdf5" / "data" / "layout_1.h5.gz"
BINDING = Binding("run-1", "sha256:" + "1" * 64)
Capture = pytest.CaptureFixture[str]


def made(path: Path, binding: Binding = BINDING) -> Path:
    """Four entries, one of several pages."""
    companion = Companion(path, binding.run_id, binding.digest)
    companion.set_result("one", {"scale": 1.01}, by="A. Crew", version="1")
    companion.add_revision(mark(1.0))
    companion.set_result("two", "x" * 9000, by="B. Crew", version="1")
    companion.set_result("one", {"scale": 1.02}, by="A. Crew", version="1")
    return path


@pytest.fixture
def notes(tmp_path: Path) -> Path:
    return made(tmp_path / "run.h5.notes")


def edited(path: Path, *statements: str) -> None:
    with sqlite3.connect(path) as sql:
        for statement in statements:
            sql.execute(statement)
    sql.close()


@pytest.mark.parametrize(
    ("statement", "why"),
    [
        ("UPDATE entries SET json = replace(json, '1.01', '1.12') WHERE id = 1", "entry 1 fails"),
        ("UPDATE entries SET by = 'C. Crew' WHERE id = 2", "entry 2 fails its check"),
        ("UPDATE entries SET utc_ns = utc_ns + 1 WHERE id = 4", "entry 4 fails its check"),
        ("UPDATE entries SET revision = 1 WHERE id = 2", "entry 2 fails its check"),
        ("DELETE FROM entries WHERE id = 2", "entry 2 is missing"),
        ("DELETE FROM entries WHERE id = 4", "4 entries were kept, 3 are there"),
        ("DELETE FROM entries WHERE id < 3", "entry 1 to 2 is missing"),
        ("UPDATE meta SET value = '3' WHERE key = 'carried'", "last check does not hold"),
        ("DELETE FROM meta WHERE key = 'head'", "last check does not hold"),
        ("INSERT INTO entries SELECT 5, kind, name, revision, json, utc_ns, by, version, sha256,"
         " before FROM entries WHERE id = 4", "entry 5 fails its check"),
    ],
)  # fmt: skip
def test_an_entry_changed_removed_or_added_is_found(
    notes: Path, statement: str, why: str
) -> None:
    edited(notes, statement)
    with pytest.raises(CompanionError, match=why) as refused:
        Companion(notes, BINDING.run_id, BINDING.digest)
    told = str(refused.value)
    assert told.startswith(str(notes))
    assert told.endswith(f"testcar notes {notes.with_name('run.h5')}")
    assert "\n" not in told


def test_entries_in_another_order_are_found(notes: Path) -> None:
    edited(
        notes,
        "UPDATE entries SET id = 9 WHERE id = 1",
        "UPDATE entries SET id = 1 WHERE id = 4",
        "UPDATE entries SET id = 4 WHERE id = 9",
    )
    with pytest.raises(CompanionError, match="fails its check"):
        Companion(notes, BINDING.run_id, BINDING.digest)


def test_whole_notes_of_another_moment_cannot_be_mixed(notes: Path, tmp_path: Path) -> None:
    """An entry with its own check right, but of another history."""
    other = made(tmp_path / "other.notes")
    (row,) = sqlite3.connect(other).execute("SELECT * FROM entries WHERE id = 3")
    with sqlite3.connect(notes) as sql:
        sql.execute("DELETE FROM entries WHERE id = 3")
        sql.execute(f"INSERT INTO entries VALUES ({','.join('?' * len(row))})", row)
    sql.close()
    with pytest.raises(CompanionError, match="entry 3 does not follow"):
        Companion(notes, BINDING.run_id, BINDING.digest)


def test_seeded_damage_is_refused_by_name_or_harmless(notes: Path) -> None:
    whole = notes.read_bytes()
    before = Companion(notes, BINDING.run_id, BINDING.digest)
    kept = before.results(), before.revisions(), before.history("one")
    refused = 0
    for harm in harms(random.Random(13), len(whole), 150):
        notes.write_bytes(harmed(whole, harm))
        why = ""
        try:
            found = Companion(notes, BINDING.run_id, BINDING.digest)
            assert (found.results(), found.revisions(), found.history("one")) == kept, harm
        except CompanionError as error:
            why = str(error)
        assert not why or why.startswith(str(notes)), harm
        refused += bool(why)
    assert refused > 50


def of_each(notes: Path, number: int) -> list[int]:
    """Numbers of the entries that are sound once one is harmed."""
    edited(notes, f"UPDATE entries SET json = json || ' ' WHERE id = {number}")
    return [entry.number for entry in salvage(notes, BINDING).entries]


@pytest.mark.parametrize("number", [1, 2, 3, 4])
def test_what_is_sound_can_be_had(notes: Path, number: int) -> None:
    assert of_each(notes, number) == [n for n in (1, 2, 3, 4) if n != number]


def test_a_damaged_check_is_borne_out_by_the_entry_after_it(notes: Path) -> None:
    edited(notes, "UPDATE entries SET sha256 = 'x' WHERE id = 2")
    found = salvage(notes, BINDING)
    assert [entry.number for entry in found.entries] == [1, 2, 3, 4]
    assert found.wrong


def test_with_a_damaged_first_page_the_entries_are_had_all_the_same(notes: Path) -> None:
    whole = notes.read_bytes()
    harm = whole.replace(b"CREATE TABLE entries", b"CREATE TABLE fntries")
    notes.write_bytes(b"\x00" * 100 + harm[100:])
    with pytest.raises(CompanionError):
        Companion(notes, BINDING.run_id, BINDING.digest)
    assert [entry.number for entry in salvage(notes, BINDING).entries] == [1, 2, 3, 4]


def test_mended_notes_hold_what_is_sound_and_say_so(notes: Path) -> None:
    edited(notes, "UPDATE entries SET json = '{}' WHERE id = 4")
    refused = notes.read_bytes()
    aside = mend(notes, BINDING, by="A. Crew", version="2")
    assert aside.name == "run.h5.notes.damaged-1"
    assert aside.read_bytes() == refused
    found = Companion(notes, BINDING.run_id, BINDING.digest)
    one, told = found.result("one"), found.result(MENDED)
    assert one is not None
    assert one.data == {"scale": 1.01}
    assert [m.t_s for m in found.revisions()] == [1.0]
    assert told is not None
    assert (told.by, told.version) == ("A. Crew", "2")
    assert told.data == {"file": aside.name, "kept": 3, "wrong": ["entry 4 fails its check"]}
    with pytest.raises(CompanionError, match="nothing is wrong with it"):
        mend(notes, BINDING, by="A. Crew", version="2")


def test_notes_of_the_same_run_recovered_again_are_taken_over(notes: Path) -> None:
    again = Binding(BINDING.run_id, "sha256:" + "2" * 64)
    with pytest.raises(CompanionError, match=r"another file of this run.*recovered again"):
        Companion(notes, again.run_id, again.digest)
    mend(notes, again, by="", version="")
    found = Companion(notes, again.run_id, again.digest)
    assert len(found.history("one")) == 2
    told = found.result(MENDED)
    assert told is not None
    assert "another file of this run" in told.data["wrong"][0]


def test_nothing_of_another_run_is_taken_over(notes: Path) -> None:
    with pytest.raises(CompanionError, match="belongs to run 'run-1'"):
        salvage(notes, replace(BINDING, run_id="run-2"))


def test_a_run_that_is_not_sealed_is_not_added_to(tmp_path: Path) -> None:
    companion = Companion(tmp_path / "run.h5.notes", "run-1", None)
    with pytest.raises(CompanionError, match="not sealed yet"):
        companion.set_result("x", 1, by="", version="")
    assert not companion.path.exists()


@pytest.fixture
def earlier(tmp_path: Path) -> Path:
    """A run with notes as version 1 wrote them."""
    run = tmp_path / "run.h5"
    run.write_bytes(gzip.decompress(LAYOUT_1.read_bytes()))
    held = gzip.decompress((DATA / "version_1.h5.notes.gz").read_bytes())
    companion_path(run).write_bytes(held)
    return run


def test_notes_of_version_1_open_and_are_not_protected(earlier: Path, capsys: Capture) -> None:
    with open_run(earlier) as run:
        assert run.marks()[0].value == "43"
        assert [r.data for r in run.companion.history("answers")] == [{"a": "b ä"}, {"a": "c"}]
    assert verify_run(earlier) == []
    assert main(["verify", str(earlier)]) == 0
    assert "3 entries not protected" in capsys.readouterr().out


def test_notes_of_version_1_are_carried_over_when_added_to(
    earlier: Path, capsys: Capture
) -> None:
    with open_run(earlier) as run:
        run.companion.set_result("answers", {"a": "d"}, by="", version="2")
    with open_run(earlier) as run:
        assert run.marks()[0].value == "43"
        history = run.companion.history("answers")
        assert [r.data["a"] for r in history] == ["b ä", "c", "d"]
        assert [r.by for r in history] == ["A. Crew", "B. Crew", ""]
    assert main(["verify", str(earlier)]) == 0
    told = capsys.readouterr().out
    assert "4 entries added after the seal, each as it was kept" in told
    assert "the first 3 had no checks at first" in told
    notes = companion_path(earlier)
    notes.write_bytes(notes.read_bytes().replace(b'"by":', b'"bz":'))
    assert main(["verify", str(earlier)]) == 1


def shifted(path: Path) -> None:
    """The notes of a run with one letter other than it was kept."""
    notes = companion_path(path)
    held = notes.read_bytes()
    assert held.count(b'"value": "43"') == 1
    notes.write_bytes(held.replace(b'"value": "43"', b'"value": "53"'))


VERBS: list[Callable[[str], list[str]]] = [
    lambda run: ["info", run],
    lambda run: ["verify", run],
    lambda run: ["marks", run],
    lambda run: ["zeros", run],
    lambda run: ["export", run, "--out", f"{run}.tables"],
    lambda run: ["report", run, "--out", f"{run}.report"],
]


@pytest.mark.parametrize("words", VERBS)
def test_every_reader_refuses_damaged_notes_by_name(
    copied: Path, capsys: Capture, words: Callable[[str], list[str]]
) -> None:
    with open_run(copied) as run:
        first = run.marks()[0]
        run.companion.add_revision(first.revised(value="43", by="office"))
    shifted(copied)
    assert main(words(str(copied))) in (1, 2)
    (line,) = capsys.readouterr().err.splitlines()
    assert f"{companion_path(copied)}: damaged (entry 1 fails its check)" in line
    assert f"testcar notes {copied}" in line


def test_the_verb_shows_what_is_sound_and_mends(copied: Path, capsys: Capture) -> None:
    assert main(["notes", str(copied)]) == 0
    assert "nothing was added" in capsys.readouterr().out
    assert main(["notes", str(copied), "--mend"]) == 1
    assert "there are no notes" in capsys.readouterr().err
    with open_run(copied) as run:
        first = run.marks()[0]
        run.companion.add_revision(first.revised(value="43", by="office"))
        run.companion.set_result("answers", {}, by="office", version="1")
    assert main(["notes", str(copied)]) == 0
    what = rf"revision {first.revision + 1} of mark {first.mark_id}, by office"
    assert re.search(rf"^entry 1: 20\S+Z: {what}$", capsys.readouterr().out, re.MULTILINE)
    assert main(["notes", str(copied), "--mend"]) == 1
    assert "nothing is wrong with it" in capsys.readouterr().err
    shifted(copied)
    assert main(["notes", str(copied), "--json"]) == 1
    answer = json.loads(capsys.readouterr().out)
    assert answer["wrong"] == ["entry 1 fails its check"]
    assert [row["what"] for row in answer["entries"]] == ["answers"]
    assert main(["notes", str(copied)]) == 1
    assert f"testcar notes {copied} --mend" in capsys.readouterr().out
    assert main(["notes", str(copied), "--mend", "--by", "A. Crew"]) == 0
    assert "1 sound entry" in capsys.readouterr().out
    with open_run(copied) as run:
        assert set(run.companion.results()) == {"answers", MENDED}
        assert run.marks()[0].value == first.value
    assert main(["notes", str(copied)]) == 0
    told = capsys.readouterr().out
    assert "mended; wrong with the notes before: entry 1 fails its check, by A. Crew" in told


def test_what_a_mending_lost_is_told_wherever_the_run_is(copied: Path, capsys: Capture) -> None:
    with open_run(copied) as run:
        first = run.marks()[0]
        run.companion.add_revision(first.revised(value="43", by="office"))
        run.companion.set_result("answers", {}, by="office", version="1")
    shifted(copied)
    assert main(["notes", str(copied), "--mend", "--by", "A. Crew"]) == 0
    capsys.readouterr()
    # In this made run --deep finds other things, too.
    what = re.compile(
        r"mended at 20\S+Z by A\. Crew: 1 entry taken over; wrong with the notes before: entry 1"
        rf" fails its check; those notes: {re.escape(companion_path(copied).name)}\.damaged-1"
    )
    for words in (["info"], ["verify"], ["verify", "--deep"]):
        assert main([*words, str(copied)]) == (1 if "--deep" in words else 0)
        assert what.search(capsys.readouterr().out), words
    for verb in ("info", "verify"):
        assert main([verb, "--json", str(copied)]) == 0
        (line,) = json.loads(capsys.readouterr().out)["notes_mended"]
        assert what.search(line)


def test_notes_that_were_never_mended_say_nothing_of_it(copied: Path, capsys: Capture) -> None:
    with open_run(copied) as run:
        run.companion.set_result("answers", {}, by="office", version="1")
        assert run.companion.mendings() == []
    for verb in ("info", "verify"):
        assert main([verb, str(copied)]) == 0
        assert "mended" not in capsys.readouterr().out


@pytest.mark.parametrize(
    "text", ["[]", "{", '{"wrong": 3, "kept": "x", "file": 1}', "1" * 5000]
)
def test_a_mending_whose_words_are_not_ours_is_told_as_not_known(text: str) -> None:
    entry = Entry(kind="result", name=MENDED, text=text, utc_ns="", by=7, version="")
    (line,) = mended_words([entry])
    assert "wrong with the notes before: not known" in line


def test_of_much_that_was_wrong_the_number_is_told() -> None:
    wrong = [f"entry {i} fails its check" for i in range(1500)]
    for n, more in ((20, wrong[19]), (21, "and 1 more"), (1500, "and 1,480 more")):
        (line,) = mended_words([mended_entry(wrong[:n], 3, "n.damaged-1", by="", version="1")])
        assert line.count("fails its check") == 20
        assert line.endswith(f"{more}; those notes: n.damaged-1")


def test_notes_of_another_run_beside_this_one(copied: Path, capsys: Capture) -> None:
    made(companion_path(copied))
    assert main(["info", str(copied)]) == 2
    assert "belongs to run 'run-1', not to" in capsys.readouterr().err
    assert main(["notes", str(copied), "--mend"]) == 1
    assert "nothing of it is taken over" in capsys.readouterr().err


def test_checks_are_of_the_run_and_its_digest(tmp_path: Path, notes: Path) -> None:
    """Whoever writes another run's name over it still has no entry of that run."""
    stolen = Path(shutil.copyfile(notes, tmp_path / "b.h5.notes"))
    edited(stolen, "UPDATE meta SET value = 'run-2' WHERE key = 'run_id'")
    with pytest.raises(CompanionError, match="fails its check"):
        Companion(stolen, "run-2", BINDING.digest)
    rebound = salvage(notes, BINDING).entries
    other = Binding("run-2", BINDING.digest)
    assert [e.check for e in chained(rebound, other)] != [e.check for e in rebound]
    assert database_of(rebound, BINDING, carried=0).startswith(b"SQLite format 3")


@pytest.mark.parametrize(
    ("table", "columns"), [("meta", "x, 'a'"), ("entries", "x, 1, 1, 1, 1, 1, 1, 1, 1, 1")]
)
def test_a_view_that_loops_is_damage_and_gives_nothing(
    notes: Path, table: str, columns: str
) -> None:
    names = "key, value" if table == "meta" else COLUMNS
    without_end = "WITH RECURSIVE c(x) AS (SELECT 1 UNION ALL SELECT x + 1 FROM c)"
    view = f"CREATE VIEW {table}({names}) AS {without_end} SELECT {columns} FROM c"
    edited(notes, f"DROP TABLE {table}", view)
    with pytest.raises(CompanionError, match=f"view '{table}' is no plain table"):
        Companion(notes, BINDING.run_id, BINDING.digest)
    assert salvage(notes, BINDING).wrong


def test_a_bit_in_the_words_that_describe_a_table_is_found(notes: Path) -> None:
    """What SQLite keeps as text decides what a column is: a row's number can become nothing."""
    data, kept = notes.read_bytes(), salvage(notes, BINDING).entries
    begins, ends = data.index(b"CREATE TABLE entries"), data.index(b"sha256 TEXT NOT NULL)")
    rng = random.Random(13)
    for place in range(begins, ends):
        page = bytearray(data)
        page[place] ^= 1 << rng.randrange(8)
        notes.write_bytes(page)
        with pytest.raises(CompanionError, match="damaged"):
            Companion(notes, BINDING.run_id, BINDING.digest)
        assert salvage(notes, BINDING).wrong

    notes.write_bytes(data.replace(b"PRIMARY KEY", b"PBIMARY KEY"))
    assert len(kept) == 4
    assert salvage(notes, BINDING).entries == kept


def test_a_version_of_thousands_of_figures_is_refused_by_name(notes: Path) -> None:
    edited(notes, f"UPDATE meta SET value = '{'9' * 5000}' WHERE key = 'version'")
    with pytest.raises(CompanionError, match=r"companion version .9+; this program reads up"):
        Companion(notes, BINDING.run_id, BINDING.digest)

"""The history of marks over run file and companion."""

from __future__ import annotations

import json
import time
from dataclasses import replace
from pathlib import Path

import h5py
import pytest

from recorder.marks.mark import Mark
from recorder.run_file.companion.companion import Companion, companion_path
from recorder.run_file.companion.entries import Binding, chained
from recorder.run_file.companion.salvage import salvage
from recorder.run_file.companion.stored import database_of
from recorder.run_file.hdf5.reader import open_run
from recorder.run_file.proof.kept.marks import prove_marks
from recorder.run_file.proof.parts.held import open_held
from recorder.run_file.proof.parts.proof import Proof, State
from tests.recorder.run_file.proof.honest_run import harmed, honest_run, retext, sealed_as


def proofs_of(path: Path) -> list[Proof]:
    with open_held(path) as held:
        return list(prove_marks(held, lambda _part: None))


def add(path: Path, mark: Mark) -> None:
    with open_run(path) as run:
        run.companion.add_revision(mark)


def first_mark(path: Path) -> Mark:
    with open_run(path) as run:
        return run.marks()[0]


def now(mark: Mark, **changes: object) -> Mark:
    held = {"entered_utc_ns": time.time_ns(), "by": "office", "software": "testcar test"}
    return mark.revised(**{**held, **changes})


def test_a_revision_added_afterwards_belongs_to_the_history(mine: Path) -> None:
    add(mine, now(first_mark(mine), t_s=1.7))
    (proof,) = proofs_of(mine)
    assert proof.state is State.PROVED
    assert "(1 added after the seal)" in proof.words
    assert "moved to another instant: 1, by office" in proof.words


def test_a_revision_that_skips_one_is_told(mine: Path) -> None:
    mark = first_mark(mine)
    add(mine, now(now(mark)))
    (proof,) = proofs_of(mine)
    assert proof.state is State.CONTRADICTED
    assert f"mark {mark.mark_id[:8]} has revisions 0, 1, 3" in proof.words


def test_a_revision_of_no_mark_is_told(mine: Path) -> None:
    add(mine, now(Mark(mark_id="f" * 32, kind="milepost", t_s=1.0, value="1")))
    (proof,) = proofs_of(mine)
    assert proof.state is State.CONTRADICTED
    assert "begins with revision 1: what was keyed is missing" in proof.words


def test_an_entry_changed_by_hand_is_told(mine: Path) -> None:
    """Even where all checks were made anew, as anybody can."""
    add(mine, now(first_mark(mine)))
    with open_run(mine) as run:
        binding = Binding(run.header.run_id, str(run.digest))
    notes = companion_path(mine)
    forged = [replace(e, by="somebody else") for e in salvage(notes, binding).entries]
    notes.write_bytes(database_of(chained(forged, binding), binding, carried=0))
    (proof,) = proofs_of(mine)
    assert proof.state is State.CONTRADICTED
    assert "by somebody else" in proof.words


def test_nobody_and_a_wrong_clock_are_not_proved(mine: Path) -> None:
    add(mine, now(first_mark(mine), by="", entered_utc_ns=10**18))
    proved, *rest = proofs_of(mine)
    assert proved.state is State.PROVED
    assert [p.state for p in rest] == [State.NOT_PROVED, State.NOT_PROVED]
    assert "before the run began" in rest[0].words
    assert "without a name of who made it" in rest[1].words


def test_entries_without_checks_are_not_proved(mine: Path) -> None:
    with open_run(mine) as run:
        binding = Binding(run.header.run_id, str(run.digest))
    add(mine, now(first_mark(mine)))
    notes = companion_path(mine)
    held = salvage(notes, binding).entries
    notes.write_bytes(database_of(held, binding, carried=1))
    proved, left = proofs_of(mine)
    assert proved.state is State.PROVED
    assert left.state is State.NOT_PROVED
    assert "1 entry added after the seal by an earlier version" in left.words


def test_a_companion_that_does_not_read_is_not_proved(mine: Path) -> None:
    Companion(companion_path(mine), "another run", "sha256:1").set_result(
        "x", 1, by="me", version="1"
    )
    (proof,) = proofs_of(mine)
    assert proof.state is State.NOT_PROVED


def in_the_text(path: Path, **changes: object) -> Path:
    """The first revision of the sealed text changed, with digests made anew."""

    def harm(file: h5py.File) -> None:
        marks = json.loads(file["marks/json"][0])
        marks[0].update(changes)
        retext(file, "marks/json", json.dumps(marks))

    return harmed(path, harm)


@pytest.mark.parametrize(
    "changes",
    [
        {"value": "43"}, {"note": "never keyed"}, {"by": "somebody else"}, {"kind": "station"},
        {"t_s": 1.5}, {"withdrawn": True}, {"entered_utc_ns": 10**18}, {"value": "7" * 70},
    ],
)  # fmt: skip
def test_whatever_of_a_mark_is_changed_in_the_sealed_text_alone_is_told(
    mine: Path, changes: dict[str, object]
) -> None:
    first, *_ = proofs_of(in_the_text(mine, **changes))
    assert first.state is State.CONTRADICTED
    assert "was written otherwise during the recording" in first.words
    (name,) = changes
    assert f"{name} " in first.words


def test_a_mark_put_into_the_sealed_text_of_a_run_without_rows_is_told(mine: Path) -> None:
    def harm(file: h5py.File) -> None:
        file["marks/table"].resize((0,))

    first, *_ = proofs_of(harmed(mine, harm))
    assert first.state is State.CONTRADICTED
    assert "was not written during the recording" in first.words


def keyed(path: Path, *, note: str, by: str = "me") -> Path:
    """A run whose first mark was keyed with these words."""
    run = honest_run()
    first = replace(run.marks[0], note=note, by=by)
    second = first.revised(entered_utc_ns=first.entered_utc_ns + 10**9)
    return sealed_as(replace(run, marks=[first, second]), path)


LONG = "a red signal at the end of the loop, and the road set for the yard; " * 4


@pytest.mark.slow
def test_words_cut_short_in_the_rows_are_compared_as_far_as_they_go(tmp_path: Path) -> None:
    path = keyed(tmp_path / "run.h5", note=LONG)
    proved, beyond, *_ = proofs_of(path)
    assert proved.state is State.PROVED
    assert beyond.state is State.NOT_PROVED
    assert "2 revisions with words that are longer" in beyond.words
    first, *_ = proofs_of(in_the_text(path, note=LONG.replace("red", "bad")))
    assert first.state is State.CONTRADICTED
    assert "note 'a red signal" in first.words


@pytest.mark.slow
def test_words_that_were_not_cut_cannot_have_grown(tmp_path: Path) -> None:
    path = keyed(tmp_path / "run.h5", note="n" * 128)
    assert proofs_of(path)[0].state is State.PROVED
    first, *_ = proofs_of(in_the_text(path, note="n" * 129))
    assert first.state is State.CONTRADICTED


def test_words_in_other_letters_that_are_cut_inside_one_are_the_same(tmp_path: Path) -> None:
    assert proofs_of(keyed(tmp_path / "run.h5", note="é" * 99))[0].state is State.PROVED
    odd = keyed(tmp_path / "odd.h5", note="x" + "é" * 99, by="\x00")
    assert proofs_of(odd)[0].state is State.PROVED

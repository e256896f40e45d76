"""The history of marks over run file and companion."""

from __future__ import annotations

import sqlite3
import time
from pathlib import Path

from recorder.marks.mark import Mark
from recorder.run_file.companion.companion import Companion, companion_path
from recorder.run_file.hdf5.reader import open_run
from recorder.run_file.proof.kept.marks import prove_marks
from recorder.run_file.proof.parts.held import open_held
from recorder.run_file.proof.parts.proof import Proof, State


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
    add(mine, now(first_mark(mine)))
    with sqlite3.connect(companion_path(mine)) as notes:
        notes.execute("UPDATE revisions SET by = 'somebody else'")
    notes.close()
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


def test_a_companion_that_does_not_read_is_not_proved(mine: Path) -> None:
    with Companion(companion_path(mine), "another run") as companion:
        companion.set_result("x", 1, by="me", version="1")
    (proof,) = proofs_of(mine)
    assert proof.state is State.NOT_PROVED

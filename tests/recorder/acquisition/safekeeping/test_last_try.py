"""A commit that was told as failed may be on the disk: keeper and journal together find it."""

from __future__ import annotations

import sqlite3
from pathlib import Path

from recorder.acquisition.safekeeping.intake import Outbox
from recorder.acquisition.safekeeping.keeper import Keeper
from recorder.keeping.journal import Journal
from recorder.keeping.journal_reader import JournalReader
from recorder.run.parts.event import Event
from tests.recorder.faulty_journal import Faults
from tests.recorder.made_runs import all_rows, header, load_cell


def test_events_that_are_there_after_the_very_last_try_are_not_told_as_lost(
    tmp_path: Path,
) -> None:
    faults, outbox = Faults(), Outbox()
    journal = Journal.create(
        tmp_path / "run.journal",
        header(load_cell()),
        ballast_bytes=4096,
        connect=faults.connect,
    )
    keeper = Keeper(journal, {}, outbox, failed=lambda _error: None)
    outbox.put(Event(kind="stop", t_s=1.0, data={}))
    faults.fail(sqlite3.SQLITE_BUSY, times=2)
    faults.fail(sqlite3.SQLITE_BUSY, done=True)
    words = keeper.stop(1.0, patience_s=0.0)
    journal.close()
    assert faults.met == 3
    with JournalReader(journal.path) as reader:
        assert [event.kind for rows in all_rows(reader) for event in rows.events] == ["stop"]
    assert words == ""

"""What is sound of a companion that is refused: shown, and on request made into a new one.

Nothing is thrown away: the file that was refused is kept beside the new one, and the new one
holds an entry that says what it was made of.
"""

from __future__ import annotations

import shutil
import sqlite3
import tempfile
from contextlib import closing, suppress
from dataclasses import dataclass, replace
from pathlib import Path
from typing import Final

from calibration.files.durable import sync_folder, write_new, write_whole
from calibration.files.plain_database import beside, bounded_rows, check_beside, check_plain
from recorder.machine.private_files import PRIVATE, share_as
from recorder.machine.sqlite_errors import SQLITE_READ_ERRORS
from recorder.run.parts.errors import CompanionError
from recorder.run_file.companion.cut_off import journal_of, log_of, taken_back
from recorder.run_file.companion.entries import (
    Binding,
    Entry,
    MetaKey,
    chained,
    damage_of,
    entry_of,
    sound_ones,
)
from recorder.run_file.companion.mending import mended_entry
from recorder.run_file.companion.stored import (
    COLUMNS,
    PAGE_BYTES,
    changed_tables,
    connection_to,
    database_of,
    read_meta,
    version_1_entries,
)

__all__ = ["Salvage", "mend", "salvage"]

MOST_ENTRIES: Final = 100_000
"""Tried one by one: a damaged count must not be believed for ever."""
PAGES_AT: Final = 28
"""Where a SQLite file says how many pages it has."""


@dataclass(frozen=True, slots=True, kw_only=True)
class Salvage:
    """What can be had of a companion."""

    entries: tuple[Entry, ...] = ()
    """Sound ones, or those of version 1, which has no checks."""
    wrong: tuple[str, ...] = ()
    """Why the file is refused, a line each; empty where it is not."""
    carried: int = 0


def salvage(path: Path, binding: Binding) -> Salvage:
    """What is sound of a companion, whatever state it is in.

    Raises
    ------
    CompanionError
        It belongs to another run, or something lies beside it that must not be opened.
    OSError
        It cannot be read.
    """
    try:
        check_beside(path)
    except sqlite3.OperationalError as error:
        msg = f"{path}: {error}"
        raise CompanionError(msg) from error
    found = []
    if journal_of(path).exists():
        with suppress(sqlite3.Error, FileNotFoundError), taken_back(path) as copy:
            found.append(_of_file(copy, path, binding))
    as_it_lies = _of_file(path, path, binding)
    found.append(as_it_lies)
    if as_it_lies.wrong and log_of(path).exists():
        alone = _of_file(path, path, binding, with_log=False)
        found.append(replace(alone, wrong=alone.wrong or as_it_lies.wrong))
    # With a cut-off change taken back, if that is as good.
    return max(found, key=lambda one: (not one.wrong, len(one.entries)))


def mend(path: Path, binding: Binding, *, by: str, version: str) -> Path:
    """Make a companion anew of what is sound; returns where the refused one is kept.

    Raises
    ------
    CompanionError
        Nothing is wrong with it, or it belongs to another run.
    OSError
        The place cannot be written.
    """
    found = salvage(path, binding)
    if not found.wrong:
        msg = f"{path}: nothing is wrong with it, and nothing was changed"
        raise CompanionError(msg)
    aside = next(
        place
        for n in range(1, MOST_ENTRIES)
        if not (place := path.with_name(f"{path.name}.damaged-{n}")).exists()
    )
    write_new(aside, path.read_bytes(), mode=PRIVATE)
    for piece, kept in zip(beside(path), beside(aside), strict=True):
        if piece.exists():
            write_new(kept, piece.read_bytes(), mode=PRIVATE)
            # Left beside the new file it would be taken into it.
            piece.unlink()
    sync_folder(path.parent)
    note = mended_entry(found.wrong, len(found.entries), aside.name, by=by, version=version)
    entries = chained([*found.entries, note], binding)
    write_whole(path, database_of(entries, binding, carried=found.carried), mode=PRIVATE)
    share_as(path, path.with_suffix(""))
    return aside


def _of_file(file: Path, path: Path, binding: Binding, *, with_log: bool = True) -> Salvage:
    """One file as it lies, read in a copy: nothing is taken back, and nothing is changed."""
    with tempfile.TemporaryDirectory(prefix="testcar-notes-") as folder:
        alone = Path(folder) / "alone"
        shutil.copyfile(file, alone)
        if with_log and log_of(file).exists():
            shutil.copyfile(log_of(file), log_of(alone))
        try:
            return _of_database(alone, path, binding)
        except SQLITE_READ_ERRORS as error:
            first = f"its first page does not read ({' '.join(str(error).split())})"
        _give_first_page(alone)
        try:
            found = _of_database(alone, path, binding)
        except SQLITE_READ_ERRORS:
            return Salvage(wrong=(first, "nothing in it reads"))
    return replace(found, wrong=(first, *found.wrong))


def _give_first_page(alone: Path) -> None:
    """Of every companion of this version the first page is the same, but for its counters."""
    data = alone.read_bytes()
    page = bytearray(database_of([], Binding("", ""), carried=0)[:PAGE_BYTES])
    page[PAGES_AT : PAGES_AT + 4] = max(len(data) // PAGE_BYTES, 1).to_bytes(4, "big")
    alone.write_bytes(bytes(page) + data[PAGE_BYTES:])


def _of_database(alone: Path, path: Path, binding: Binding) -> Salvage:
    with closing(connection_to(alone, "rw")) as sql:
        check_plain(sql)
        torn: list[str] = []
        meta: dict[str, str] = {}
        try:
            meta = read_meta(sql)
        except SQLITE_READ_ERRORS:
            torn = ["what it says of itself does not read"]
        run_id = meta.get(MetaKey.RUN, "")
        if meta.get(MetaKey.VERSION) == "1":
            if run_id != binding.run_id:
                raise _another(path, run_id)
            return _of_version_1(sql)
        if not torn and (changed := changed_tables(sql)):
            torn = [changed]
        entries, unread = _rows(sql, meta)
        if torn and not entries:
            # Neither reads: then it is the first page, where both are named.
            sql.execute("SELECT rowid FROM entries").fetchall()
    theirs = Binding(binding.run_id, meta.get(MetaKey.DIGEST, ""))
    made_for = max((theirs, binding), key=lambda one: len(sound_ones(entries, one)))
    sound = sound_ones(entries, made_for)
    if run_id not in ("", binding.run_id) and not sound:
        raise _another(path, run_id)
    wrong = [*torn, *(unread or damage_of(entries, meta, made_for))]
    if made_for.digest != binding.digest:
        wrong.append(f"it was added to another file of this run ({made_for.digest[:19]}…)")
    first = _number(meta, MetaKey.CARRIED) or 0
    carried = sum(entry.number <= first for entry in sound)
    return Salvage(entries=tuple(sound), wrong=tuple(wrong), carried=carried)


def _another(path: Path, run_id: str) -> CompanionError:
    msg = f"{path}: belongs to run {run_id!r}, not to this one: nothing of it is taken over"
    return CompanionError(msg)


def _number(meta: dict[str, str], key: MetaKey) -> int | None:
    held = meta.get(key, "")
    return int(held) if held.isascii() and held.isdecimal() and len(held) < 10 else None


def _rows(sql: sqlite3.Connection, meta: dict[str, str]) -> tuple[list[Entry], list[str]]:
    """Every entry that reads, and what does not."""
    query = f"SELECT {COLUMNS} FROM entries"
    try:
        rows = bounded_rows(sql, f"{query} ORDER BY rowid")
    except SQLITE_READ_ERRORS:
        return _one_by_one(sql, query, _number(meta, MetaKey.ENTRIES))
    return [entry_of(row) for row in rows], []


def _one_by_one(
    sql: sqlite3.Connection, query: str, stated: int | None
) -> tuple[list[Entry], list[str]]:
    entries, unread = [], []
    most = MOST_ENTRIES if stated is None else min(stated, MOST_ENTRIES)
    for number in range(1, most + 1):
        try:
            rows = sql.execute(f"{query} WHERE rowid = ?", (number,)).fetchall()
        except SQLITE_READ_ERRORS:
            unread.append(f"entry {number} does not read")
            continue
        found = [entry for entry in map(entry_of, rows) if entry.number == number]
        entries += found[:1]
        if stated is None and not found:
            break
    return entries, unread


def _of_version_1(sql: sqlite3.Connection) -> Salvage:
    try:
        entries = version_1_entries(sql)
    except SQLITE_READ_ERRORS as error:
        return Salvage(wrong=(f"of version 1, and does not read ({error})",))
    return Salvage(entries=tuple(entries), carried=len(entries))

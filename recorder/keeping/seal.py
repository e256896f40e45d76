"""The clean end of a run: seal the file, check it against the journal, remove the journal.

And the other end: recovery of a run from a journal that was left behind, by the same code.
"""

from __future__ import annotations

from contextlib import contextmanager, suppress
from functools import partial
from pathlib import Path
from typing import TYPE_CHECKING, TypeVar

import numpy as np

from calibration.files.durable import rename_new, sync_folder
from recorder.keeping.errors import JournalError, SealBugError, SealError
from recorder.keeping.journal_reader import JournalReader
from recorder.keeping.journal_rows import Cursor
from recorder.keeping.left_behind import LeftBehind
from recorder.keeping.owner import (
    JournalState,
    journal_path_for,
    journal_state,
    sealing_alone,
)
from recorder.keeping.transfer import JournalRows, Transfer, rows_by_device
from recorder.machine.private_files import is_ours, share_as
from recorder.run.parts.block import HEAD_DTYPE, joined
from recorder.run.parts.errors import RunFileError
from recorder.run.parts.progress import untold
from recorder.run_file.hdf5.live_writer import LiveWriter
from recorder.run_file.hdf5.reader import open_run
from recorder.run_file.seal.at_place import AtPlace, at_place, filed_at
from recorder.run_file.seal.room import room_told
from recorder.run_file.seal.seal_file import mark_complete, seal_file

if TYPE_CHECKING:
    from collections.abc import Callable, Iterator

    from recorder.keeping.journal_rows import Damage, StoredBlocks
    from recorder.run.parts.progress import Progress
    from recorder.run_file.hdf5.reader import RunFile
    from recorder.run_file.seal.signature import Signer

_Reader = TypeVar("_Reader", bound="JournalRows")

__all__ = ["bugs_named", "check_against_journal", "recover", "remove_journal", "seal"]


@contextmanager
def bugs_named(journal: Path) -> Iterator[None]:
    """Around filing and sealing: a mistake of ours is named as one, and what became of the run.

    Raises
    ------
    SealBugError
        For anything that is not an error of the files, the disk or their contents.
    """
    try:
        yield
    except (SealError, SealBugError, JournalError, RunFileError, OSError):
        raise
    except Exception as bug:
        what = " ".join(str(bug).split())
        msg = f"{type(bug).__name__}: {what}; nothing is lost, the journal {journal} is kept"
        raise SealBugError(msg) from bug


def seal(
    journal_path: Path | str,
    run_path: Path | str,
    *,
    remove: bool = True,
    progress: Progress | None = None,
    signer: Signer | None = None,
) -> None:
    """Seal a run file that holds all of its journal, check it, and remove the journal.

    The writer of the journal must have closed it, and the filer must have stopped.

    Raises
    ------
    SealError
        The file does not agree with the journal, which is kept.
    JournalError, RunFileError, OSError
        As reading and writing them; the journal is kept.
    SealBugError
        A mistake of ours; the journal is kept.
    """
    progress = progress or untold
    journal, run = Path(journal_path), Path(run_path)
    _refuse_living(journal)
    with sealing_alone(journal):
        with bugs_named(journal), JournalReader(journal) as reader:
            _seal(reader, run, progress, _refuse_torn, signer=signer)
        sync_folder(run.parent)
        if remove:
            remove_journal(journal)
    progress(1.0, "sealed")


def _refuse_torn(reader: JournalReader, transfer: Transfer) -> None:
    """What a walk through the pages may still find is not given up by sealing without it."""
    lost = [damage for damage in transfer.damage if damage.row]
    if lost or not reader.holds_all(transfer.cursor):
        why = (
            f"{lost[0].table} row {lost[0].row} {lost[0].why}" if lost else "its end is missing"
        )
        msg = f"{reader.path}: the journal is damaged ({why}); recovery reads what can be read"
        raise SealError(msg)


def _seal(
    reader: _Reader,
    run: Path,
    progress: Progress,
    look_at: Callable[[_Reader, Transfer], None] | None = None,
    *,
    signer: Signer | None = None,
) -> list[Damage]:
    progress(0.0, "reading the journal")
    transfer = Transfer(reader)
    marks, events = transfer.collect()
    if look_at is not None:
        look_at(reader, transfer)
    seal_file(
        run, marks=marks, events=events, progress=lambda p, w: progress(0.05 + 0.75 * p, w)
    )
    progress(0.8, "checking against the journal")
    check_against_journal(reader, run, progress=lambda p, w: progress(0.8 + 0.2 * p, w))
    mark_complete(run, signer)
    return transfer.damage


def recover(
    journal_path: Path | str,
    run_path: Path | str,
    *,
    progress: Progress | None = None,
    moved_aside: Callable[[Path], object] | None = None,
    signer: Signer | None = None,
) -> list[Damage]:
    """Make a sealed run file from a journal that was left behind. The journal is kept.

    An unfinished, torn or unreadable file of this very run at ``run_path`` is moved aside, never
    written over; ``moved_aside`` is told where it is then. What it holds and the journal does not
    is a loss of the journal.

    Returns
    -------
    list[Damage]
        Rows of the journal that could not be believed; they are gaps and events in the file.

    Raises
    ------
    FileExistsError
        This run is at ``run_path``, sealed and sound, or something else is.
    BlockingIOError
        Another process is making a run file of the journal.
    JournalError
        Not a journal, or a living process is recording to it.
    RunFileError, SealError, SealBugError, OSError
        As :func:`seal`; a full disk says so, and how much is needed.
    """
    progress = progress or untold
    journal, run = Path(journal_path), Path(run_path)
    _refuse_living(journal)
    work = run.with_name(run.name + ".recovering")
    with sealing_alone(journal), LeftBehind(journal) as reader:
        unfinished = _may_stand(run, journal, reader.header.run_id)
        if unfinished and (filed := filed_at(run, reader.header.run_id)) is not None:
            reader.hold_against(filed)
        try:
            with room_told(run, journal, reader.header), bugs_named(journal):
                work.unlink(missing_ok=True)  # of a recovery that was cut off
                _refile(reader, work, progress)
                told = partial(_later, progress)
                damage = _seal(reader, work, told, signer=signer)
        except BaseException:
            with suppress(OSError):  # what went wrong before is told
                work.unlink(missing_ok=True)
            raise
        if unfinished:
            aside = _stand_aside(run)
            if moved_aside is not None:
                moved_aside(aside)
        rename_new(work, run)
    progress(1.0, "sealed")
    return damage


def _later(progress: Progress, part: float, what: str) -> None:
    progress(0.3 + 0.7 * part, what)


def _refile(reader: JournalRows, work: Path, progress: Progress) -> None:
    transfer = Transfer(reader)
    total = reader.last_batch() or 1
    with LiveWriter(work, reader.header) as writer:
        share_as(work, reader.path)
        while transfer.step(writer):
            progress(0.3 * min(transfer.cursor.batches / total, 1.0), "filing")


def check_against_journal(
    reader: JournalRows, run_path: Path | str, *, progress: Progress | None = None
) -> None:
    """Compare every record, mark and index in the run file with the journal, row by row.

    Raises
    ------
    SealError
        The first difference, in words.
    """
    progress = progress or untold
    with open_run(run_path) as run:
        total = reader.last_batch() or 1
        at = dict.fromkeys(run.devices, 0)
        block_at = dict.fromkeys(run.devices, 0)
        marks = []
        cursor = Cursor()
        while rows := reader.read_new(cursor):
            for device, batches in rows_by_device(rows.batches).items():
                _check_batches(run, batches, at[device], block_at[device])
                at[device] += sum(len(batch.records) for batch in batches)
                block_at[device] += sum(len(batch.heads) for batch in batches)
            marks.extend(rows.marks)
            progress(min(cursor.batches / total, 1.0), "checking against the journal")
        for name, n in at.items():
            if run.devices[name].n != n:
                msg = f"{run_path}: {name} has {run.devices[name].n} records, the journal {n}"
                raise SealError(msg)
        filed = run.revisions()[: len(marks)]
        if filed != marks:
            msg = f"{run_path}: its marks are not those of the journal"
            raise SealError(msg)


def _check_batches(
    run: RunFile, batches: list[StoredBlocks], start: int, first_block: int
) -> None:
    """Compare some batches of one device; the file is read once for all of them."""
    device = run.devices[batches[0].device]
    records = joined([batch.records for batch in batches])
    found = device.records(start, start + len(records))
    heads = joined([batch.heads for batch in batches])
    rows = device.blocks(first_block, first_block + len(heads))
    first = start + np.cumsum(heads["n"], dtype=np.uint64) - heads["n"]
    wrong = ""
    if found.tobytes() != records.tobytes():
        wrong = "records"
    elif not np.array_equal(rows["first_record"], first) or any(
        rows[name].tobytes() != heads[name].tobytes() for name in HEAD_DTYPE.names or ()
    ):
        wrong = "receipt times"
    if wrong:
        msg = (
            f"{run.path}: {wrong} of {device.name} between record {start} and"
            f" {start + len(records)} are not those of the journal (rows {batches[0].row} to"
            f" {batches[-1].row})"
        )
        raise SealError(msg)


def remove_journal(journal_path: Path | str) -> None:
    """Remove a journal and what belongs to it."""
    path = Path(journal_path)
    for ending in ("-wal", "-shm", ".ballast", ".lock", ""):
        part = path.with_name(path.name + ending)
        if is_ours(part):
            part.unlink(missing_ok=True)


def _refuse_living(journal: Path) -> None:
    if journal_state(journal) is JournalState.RECORDING:
        msg = f"{journal}: a living process is recording to it; stop the recording first"
        raise JournalError(msg)


def _may_stand(run: Path, journal: Path, run_id: str) -> bool:
    """Whether there is an unfinished file of this run, to be moved aside.

    Raises
    ------
    FileExistsError
        What is there stays.
    """
    own_name = journal.resolve() == journal_path_for(run).resolve()
    found = at_place(run, run_id, its_own_name=own_name)
    if found is AtPlace.SEALED:
        msg = (
            f"is this very run, sealed and sound: it is recovered already; the journal {journal}"
            f" can be removed (testcar verify {run} checks the run)"
        )
    elif found is AtPlace.ANOTHER:
        msg = (
            "is there already, is no file of the run in this journal, and is never overwritten;"
            " choose another --out"
        )
    else:
        return found is AtPlace.UNFINISHED
    raise FileExistsError(17, msg, str(run))


def _stand_aside(run: Path) -> Path:
    """Give an unfinished file another name, keeping it."""
    for i in range(1, 1000):
        aside = run.with_name(f"{run.name}.unfinished-{i}")
        with suppress(FileExistsError):  # of another recovery: the next number
            rename_new(run, aside)
            return aside
    msg = "there are 999 unfinished files of this run beside it; remove some of them"
    raise FileExistsError(17, msg, str(run))

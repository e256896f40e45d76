"""``testcar notes RUN``: what was added after the seal, and what is sound of it."""

from __future__ import annotations

import argparse
from pathlib import Path
from typing import TYPE_CHECKING, Any

from calibration.quantities.printable import printable
from recorder.command_line.support.errors import AnswerIsNoError, UsageError
from recorder.command_line.support.json_answer import print_json
from recorder.command_line.support.person import person
from recorder.machine.version import software
from recorder.run.parts.errors import CompanionError
from recorder.run_file.companion.companion import companion_path
from recorder.run_file.companion.entries import Binding, EntryKind
from recorder.run_file.companion.mending import MENDED, added_at, wrong_before
from recorder.run_file.companion.salvage import mend, salvage
from recorder.run_file.hdf5.open import open_for_reading
from recorder.run_file.hdf5.stored_header import read_header, sealed_digest
from recorder.run_file.seal.digest_check import refuse_damaged

if TYPE_CHECKING:
    from recorder.run_file.companion.entries import Entry
    from recorder.run_file.companion.salvage import Salvage

__all__ = ["add_parser", "run"]


def add_parser(subparsers: Any) -> None:  # noqa: ANN401 - argparse's own type is private
    """Add the verb."""
    parser = subparsers.add_parser(
        "notes",
        description="List what was added to a run after it was sealed (RUN.h5.notes beside it), "
        "and say whether each entry is as it was kept. Every other verb refuses notes of which "
        "one entry is damaged; this one shows which are sound.\n\n"
        "With --mend, the sound entries are made into new notes of this run file. The old ones "
        "are kept beside them, under a name of their own.",
        epilog="Examples:\n  testcar notes run.h5\n  testcar notes run.h5 --mend --by 'A. Crew'\n\n"
        "Exit code 0: every entry is as it was kept, or it is mended. 1: they are damaged, or "
        "there was nothing to mend. 2: it is no sealed run file.",
    )
    parser.add_argument("run_file", metavar="RUN", help="The run file.")
    parser.add_argument(
        "--mend", action="store_true", help="Make new notes of the entries that are sound."
    )
    parser.add_argument("--by", metavar="NAME", help="Who mends them; by default you.")
    parser.add_argument("--json", action="store_true", help="Print the answer as JSON.")
    parser.set_defaults(run=run)


def run(args: argparse.Namespace) -> int:
    """List, or mend.

    Raises
    ------
    AnswerIsNoError
        The notes are another run's, or there is nothing to mend.
    UsageError
        The run is not sealed.
    ValueError, OSError
        The run cannot be read.
    """
    path = Path(args.run_file)
    refuse_damaged(args.run_file)
    notes, binding = companion_path(path), _binding(path)
    if not notes.exists():
        if args.mend:
            msg = f"{notes}: there are no notes; nothing was changed"
            raise AnswerIsNoError(msg)
        return _told(args, notes, None)
    try:
        found = salvage(notes, binding)
        if not args.mend:
            return _told(args, notes, found)
        aside = mend(notes, binding, by=person(args.by), version=software())
    except CompanionError as error:
        raise AnswerIsNoError(str(error)) from error
    if args.json:
        print_json({"file": str(notes), "kept": len(found.entries), "old": str(aside)})
    else:
        print(f"{notes}: made anew of {_many(len(found.entries))}; the old notes: {aside}")
    return 0


def _binding(path: Path) -> Binding:
    with open_for_reading(path) as store:
        header, digest = read_header(store), sealed_digest(store)
    if digest is None:
        msg = f"{path}: was not sealed, and only a sealed run is added to: testcar recover"
        raise UsageError(msg)
    return Binding(header.run_id, digest)


def _told(args: argparse.Namespace, notes: Path, found: Salvage | None) -> int:
    entries, wrong = (found.entries, found.wrong) if found else ((), ())
    if args.json:
        rows = [
            {"at": added_at(e), "by": e.by, "version": e.version, "what": _what(e)}
            for e in entries
        ]
        print_json({"file": str(notes), "sound": not wrong, "wrong": wrong, "entries": rows})
        return 1 if wrong else 0
    for line in wrong:
        print(printable(f"{notes}: {line}"))
    if not entries and not wrong:
        print(f"{notes}: nothing was added to the run after it was sealed")
    for entry in entries:
        by = entry.by or "nobody named"
        print(printable(f"entry {entry.number}: {added_at(entry)}: {_what(entry)}, by {by}"))
    if wrong:
        run_file = args.run_file
        print(
            f"{notes}: {_many(len(entries))} can be had: put back a copy of the notes, or make new"
            f" ones of those: testcar notes {run_file} --mend"
        )
    elif found and found.carried:
        print(f"{notes}: the first {found.carried} kept by an earlier version, without checks")
    return 1 if wrong else 0


def _many(n: int) -> str:
    return "1 sound entry" if n == 1 else f"{n:,} sound entries"


def _what(entry: Entry) -> str:
    if entry.kind == EntryKind.REVISION:
        return f"revision {entry.revision} of mark {entry.name}"
    return f"{MENDED}; {wrong_before(entry)}" if entry.name == MENDED else str(entry.name)

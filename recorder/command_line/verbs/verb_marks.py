"""``testcar marks RUN``: the marks of a run after it was sealed: read, add, correct, withdraw."""

from __future__ import annotations

import argparse
import re
import sys
from typing import TYPE_CHECKING, Any, Final

from calibration.quantities.printable import one_line
from recorder.command_line.support.errors import AnswerIsNoError, UsageError
from recorder.command_line.support.json_answer import add_json, print_json
from recorder.command_line.support.person import person
from recorder.command_line.support.sealed_only import refuse_unsealed
from recorder.machine.version import software
from recorder.marks.edits import MarkEdits, UnchangedError, short_ids
from recorder.marks.kinds import Kind
from recorder.marks.mark import Mark, by_mark, current, unread
from recorder.marks.values import UnreadMark
from recorder.run.time.utc import utc_text
from recorder.run_file.hdf5.reader import open_run
from recorder.run_file.seal.digest_check import refuse_damaged
from recorder.track.placing.run_source import PLACEMENT

if TYPE_CHECKING:
    from recorder.run_file.hdf5.reader import RunFile

__all__ = ["add_parser", "run"]

_CLOCK: Final = re.compile(r"(-?)(?:(?:(\d{1,3}):)?(\d{1,2}):)?(\d{1,7}(?:\.\d{1,6})?)\Z")


def add_parser(subparsers: Any) -> None:  # noqa: ANN401 - argparse's own type is private
    """Add the verb."""
    parser = subparsers.add_parser(
        "marks",
        description="List the marks of a run after it was sealed, or change them. The sealed "
        "file is never touched: a change is kept in RUN.h5.notes beside it, and is shown "
        "together with the run everywhere.",
        epilog="Examples:\n  testcar marks run.h5\n"
        "  testcar marks run.h5 add brake 12:34.5 release --note 'seen on the chart'\n"
        "  testcar marks run.h5 correct 3f9a17c2 --value 41 --by 'A. Crew'\n"
        "  testcar marks run.h5 list --history\n\n"
        f"Kinds: {', '.join(Kind)}.\n"
        "Exit code 0: it is done. 1: there is nothing to change. 2: wrong use.",
    )
    parser.add_argument("run_file", metavar="RUN", help="The run file.")
    _common(parser, history=True)
    parser.set_defaults(run=run, history=False, json=False)
    actions = parser.add_subparsers(dest="action", metavar="ACTION", title="Actions")
    words = "List the marks; this is done by default."
    listed = "Example:\n  testcar marks run.h5 list --history"
    _common(
        actions.add_parser("list", help=words, description=words, epilog=listed), history=True
    )
    add = _edit(actions, "add", "Add a mark that was not keyed.", "milepost 12:34.5 41")
    add.add_argument("kind", metavar="KIND", help=f"The kind of mark: {', '.join(Kind)}.")
    _instant(add)
    add.add_argument(
        "value", metavar="VALUE", nargs="?", default="",
        help="The value, as it is keyed in the car. Without it, the mark has none.",
    )  # fmt: skip
    add.add_argument("--note", default="", help="Free words. Without it, the mark has no note.")
    _correct(_edit(actions, "correct", "Correct kind, value or note.", "3f9a17c2 --value 41"))
    move = _edit(actions, "move", "Move a mark to another instant.", "3f9a17c2 12:31.0")
    _mark(move)
    _instant(move)
    words = "Withdraw a mark; it stays in the history."
    _mark(_edit(actions, "withdraw", words, "3f9a17c2 --by 'A. Crew'"))
    _mark(_edit(actions, "restore", "Bring a withdrawn mark back.", "3f9a17c2"))


def _correct(parser: argparse.ArgumentParser) -> None:
    _mark(parser)
    parser.add_argument(
        "--value",
        help="The right value, as it is keyed in the car; '' for none. By default it stays.",
    )
    parser.add_argument("--note", help="The right note; '' for none. By default it stays.")
    parser.add_argument("--kind", help="The right kind of mark. By default it stays.")


def _common(parser: argparse.ArgumentParser, *, history: bool) -> None:
    add_json(parser)
    if history:
        parser.add_argument(
            "--history", action="store_true", default=argparse.SUPPRESS,
            help="Show every revision: when it was made, by whom and by which version.",
        )  # fmt: skip


def _edit(actions: Any, name: str, words: str, example: str) -> argparse.ArgumentParser:  # noqa: ANN401 - argparse
    parser: argparse.ArgumentParser = actions.add_parser(
        name, help=words, description=words,
        epilog=f"Example:\n  testcar marks run.h5 {name} {example}",
    )  # fmt: skip
    _common(parser, history=False)
    parser.add_argument("--by", metavar="NAME", help="Who makes the change; by default you.")
    return parser


def _mark(parser: argparse.ArgumentParser) -> None:
    parser.add_argument(
        "mark", metavar="MARK", help="The mark's id as listed, or the beginning of it."
    )


def _instant(parser: argparse.ArgumentParser) -> None:
    parser.add_argument(
        "instant", metavar="TIME",
        help="The time in the run: seconds, minutes:seconds or hours:minutes:seconds.",
    )  # fmt: skip


def run(args: argparse.Namespace) -> int:
    """List, or keep one revision in the companion.

    Raises
    ------
    AnswerIsNoError
        The mark is as wanted already.
    ValueError, OSError
        The run cannot be read or edited, or the change cannot stand.
    """
    refuse_damaged(args.run_file)
    with open_run(args.run_file) as held:
        if args.action in (None, "list"):
            _list(held, args)
            return 0
        refuse_unsealed(held, live="change its marks in the window")
        try:
            mark = _revision(held, args)
        except UnchangedError as error:
            raise AnswerIsNoError(str(error)) from error
        held.companion.add_revision(mark)
        _report(held, mark, args)
    return 0


def _revision(held: RunFile, args: argparse.Namespace) -> Mark:
    by = person(args.by)
    edits = MarkEdits(held.revisions(), duration_s=held.duration_s, by=by, software=software())
    if args.action == "add":
        return edits.add(args.kind, _run_time_s(args.instant), args.value, args.note)
    mark = edits.find(args.mark)
    if args.action == "move":
        return edits.move(mark, _run_time_s(args.instant))
    if args.action == "withdraw":
        return edits.withdraw(mark)
    if args.action == "restore":
        return edits.restore(mark)
    if args.kind is None and args.value is None and args.note is None:
        msg = "correct: nothing given; allowed: --value, --note, --kind"
        raise UsageError(msg)
    return edits.correct(mark, kind=args.kind, value=args.value, note=args.note)


def _run_time_s(text: str) -> float:
    """Run time of ``754.5``, ``12:34.5`` or ``0:12:34.5``."""
    found = _CLOCK.match(text)
    if found is None:
        msg = f"TIME: got {text[:40]!r}; allowed: seconds, m:ss or h:mm:ss, for example 12:34.5"
        raise UsageError(msg)
    sign, hours, minutes, seconds = found.groups()
    if minutes is not None and (float(seconds) >= 60.0 or (hours and int(minutes) >= 60)):
        msg = f"TIME: got {text[:40]!r}; allowed: minutes and seconds below 60 after a colon"
        raise UsageError(msg)
    whole = 3600.0 * int(hours or 0) + 60.0 * int(minutes or 0) + float(seconds)
    return -whole if sign else whole


# ---------------------------------------------------------------------- what is printed


def _list(held: RunFile, args: argparse.Namespace) -> None:
    revisions = held.revisions()
    later = {(m.mark_id, m.revision) for m in held.companion.revisions()}
    shown = by_mark(revisions) if args.history else current(revisions)
    for line in unread(current(revisions)):
        print(f"testcar marks: {held.path}: {line}", file=sys.stderr)
    if args.json:
        marks = [_facts(m, after=(m.mark_id, m.revision) in later) for m in shown]
        print_json({"run": str(held.path), "marks": marks})
        return
    ids = short_ids(revisions)
    heads = ["mark", "run time, s", "kind", "value", "note", "by"]
    rows = [heads + ["entered, UTC", "state"] * args.history]
    for m in shown:
        row = [ids[m.mark_id], f"{m.t_s:.2f}", str(m.kind), m.value, m.note, m.by]
        after = (m.mark_id, m.revision) in later
        rows.append(row + [_entered(m) or "", _state(m, after=after)] * args.history)
    _print_table(rows)


def _state(mark: Mark, *, after: bool) -> str:
    where = "after the run" if after else "during the run"
    words = "withdrawn" if mark.withdrawn else "keyed" if mark.revision == 0 else "changed"
    return f"{words} {where}, {mark.software}".rstrip(", ")


def _print_table(rows: list[list[str]]) -> None:
    rows = [[one_line(cell) for cell in row] for row in rows]
    widths = [max(len(row[i]) for row in rows) for i in range(len(rows[0]))]
    for row in rows:
        cells = (text.ljust(width) for text, width in zip(row, widths, strict=True))
        print("  ".join(cells).rstrip())


def _report(held: RunFile, mark: Mark, args: argparse.Namespace) -> None:
    if mark.kind is Kind.MILEPOST and held.companion.result(PLACEMENT) is not None:
        words = (
            "the run was placed with the mileposts as they were; testcar place places it again"
        )
        print(f"testcar marks: {held.path}: {words}", file=sys.stderr)
    if args.json:
        print_json({"run": str(held.path), "mark": _facts(mark, after=True)})
        return
    what = f"{mark.kind} {mark.value}".rstrip()
    words = "withdrawn" if mark.withdrawn else f"revision {mark.revision}"
    print(f"{held.companion.path}: mark {mark.mark_id} {what} at {mark.t_s:.2f} s: {words}")


def _facts(mark: Mark, *, after: bool) -> dict[str, Any]:
    value = mark.meaning
    return {
        **mark.to_dict(),
        "entered_utc": _entered(mark),
        "kept_in": "companion" if after else "run file",
        "problem": value.why if isinstance(value, UnreadMark) else None,
    }


def _entered(mark: Mark) -> str | None:
    return utc_text(mark.entered_utc_ns) if mark.entered_utc_ns else None

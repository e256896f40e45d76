"""``testcar zeros RUN``: the zeros of a run after it was sealed: read, withdraw, restore."""

from __future__ import annotations

import argparse
import time
from typing import TYPE_CHECKING, Any, Final

from calibration.quantities.printable import one_line
from recorder.command_line.support.errors import AnswerIsNoError, UsageError
from recorder.command_line.support.json_answer import add_json, print_json
from recorder.command_line.support.person import person
from recorder.command_line.support.sealed_only import refuse_unsealed
from recorder.exchange.zeros_told import zero_facts, zero_words, zeros_in_run
from recorder.machine.version import software
from recorder.run.checks.zero_revision import (
    RevisionMade,
    ZeroEdit,
    chosen_zeros,
    revised_zero,
)
from recorder.run_file.hdf5.reader import open_run
from recorder.run_file.seal.digest_check import refuse_damaged

if TYPE_CHECKING:
    from recorder.run.checks.zero_line import Zero
    from recorder.run_file.hdf5.reader import RunFile

__all__ = ["add_parser", "run"]

_WORDS: Final = {
    ZeroEdit.WITHDRAW: "Withdraw a zero: every figure is worked without it.",
    ZeroEdit.RESTORE: "Bring a withdrawn zero back.",
    ZeroEdit.ACCEPT: "Accept a zero that was refused; its uncertainty covers the doubt.",
}

_LATER: Final = "if it was cut off, make it whole with testcar recover"


def add_parser(subparsers: Any) -> None:  # noqa: ANN401 - argparse's own type is private
    """Add the verb."""
    parser = subparsers.add_parser(
        "zeros",
        description="List the zeros of a run after it was sealed, or revise one. The sealed file "
        "is never touched: the revision is kept in RUN.h5.notes beside it, and the pull is worked "
        "from its counts again.",
        epilog="Examples:\n  testcar zeros run.h5\n"
        "  testcar zeros run.h5 withdraw 2 --reason 'the coupler was tight'\n"
        "  testcar zeros run.h5 restore 2 --reason 'it was zero 3' --by 'A. Crew'\n\n"
        "Exit code 0: it is done. 1: it cannot be done to that zero. 2: wrong use.",
    )
    parser.add_argument("run_file", metavar="RUN", help="The run file.")
    add_json(parser)
    parser.set_defaults(run=run, json=False)
    actions = parser.add_subparsers(dest="action", metavar="ACTION", title="Actions")
    words = "List the zeros with their numbers; this is done by default."
    listed = "Example:\n  testcar zeros run.h5 list --json"
    add_json(actions.add_parser("list", help=words, description=words, epilog=listed))
    for edit, words in _WORDS.items():
        example = f"Example:\n  testcar zeros run.h5 {edit} 2 --reason 'read in the log book'"
        action = actions.add_parser(edit.value, help=words, description=words, epilog=example)
        add_json(action)
        action.add_argument("number", metavar="N", type=int, help="Its number, as listed.")
        action.add_argument(
            "--reason", metavar="WORDS", required=True, help="Why; it is kept with the zero."
        )
        action.add_argument("--by", metavar="NAME", help="Who says so; by default you.")


def run(args: argparse.Namespace) -> int:
    """List, or keep one revision in the companion.

    Raises
    ------
    AnswerIsNoError
        This cannot be done to that zero.
    UsageError
        No reason is given.
    ValueError, OSError
        The run cannot be read or edited.
    """
    refuse_damaged(args.run_file)
    with open_run(args.run_file) as held:
        if args.action in (None, "list"):
            _list(held, args)
            return 0
        refuse_unsealed(held, live="revise its zeros with testcar check zero")
        zero = _revision(held, args)
        held.companion.add_zero_revision(zero)
    with open_run(args.run_file) as held:
        _report(held, zero, args)
    return 0


def _revision(held: RunFile, args: argparse.Namespace) -> Zero:
    if not args.reason.strip():
        msg = "--reason: no reason is given; say why, it is kept with the zero"
        raise UsageError(msg)
    made = RevisionMade(
        reason=args.reason,
        by=person(args.by),
        utc_ns=time.time_ns(),
        software=software(),
    )
    edit = ZeroEdit(args.action)
    try:
        (zero,) = chosen_zeros(held.zero_revisions(), edit, number=args.number)
        return revised_zero(zero, edit, made)
    except ValueError as error:
        raise AnswerIsNoError(str(error)) from error


def _list(held: RunFile, args: argparse.Namespace) -> None:
    zeros = zeros_in_run(held)
    if args.json:
        facts = [zero_facts(zero) for zero in zeros]
        print_json({"run": str(held.path), "sealed": held.complete, "zeros": facts})
        return
    if not held.complete:
        print(f"{held.path}: is not sealed: its zeros are told in full once it is; {_LATER}")
        return
    for zero in zeros:
        print(one_line(zero_words(zero)))
    if not zeros:
        print(f"{held.path}: no zero was taken: the certificates' own zeros stand")


def _report(held: RunFile, zero: Zero, args: argparse.Namespace) -> None:
    key = (zero.channel, zero.t_s, zero.revision)
    told = next(
        z for z in zeros_in_run(held) if (z.zero.channel, z.zero.t_s, z.zero.revision) == key
    )
    if args.json:
        print_json({"run": str(held.path), "zero": zero_facts(told)})
        return
    print(f"{held.companion.path}: {one_line(zero_words(told))}")

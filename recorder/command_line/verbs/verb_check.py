"""``testcar check zero`` and ``testcar check shunt``: field checks of a running recording."""

from __future__ import annotations

import argparse
import sys
from typing import Any, Final

from recorder.acquisition.control.client import CHECK_S, LiveSession, attach
from recorder.command_line.support.errors import UsageError
from recorder.command_line.support.json_answer import print_json
from recorder.command_line.support.person import person
from recorder.run.checks.shunt_check import ShuntCheck, ShuntStep
from recorder.run.checks.zero_line import Zero
from recorder.run.checks.zero_revision import ZeroEdit, chosen_zeros

__all__ = ["add_parser", "run"]

_EDITS: Final = {
    ZeroEdit.WITHDRAW: "Take none, but withdraw the last one: no figure is worked from it.",
    ZeroEdit.RESTORE: "Take none, but bring back the last one that was withdrawn.",
    ZeroEdit.ACCEPT: "Take none, but accept the last one that was refused.",
}


def add_parser(subparsers: Any) -> None:  # noqa: ANN401 - argparse's own type is private
    """Add the verb."""
    parser = subparsers.add_parser(
        "check",
        description="Take the zero while a run is recorded, or check a load cell by its shunt. "
        "Train at rest, coupler slack; local rules first. What is found is kept with the run.",
        epilog="Examples:\n  testcar check zero\n"
        "  testcar check zero --force 'cell mounted anew, coupler seen slack'\n"
        "  testcar check zero --withdraw 'the coupler was tight'\n"
        "  testcar check shunt --session run.h5 --json\n"
        "  testcar check shunt --step open\n  testcar check shunt --step shunted\n\n"
        "The zeros of a sealed run are revised with testcar zeros.\n\n"
        "Exit code 0: it is within its limits, none is stated, or it was forced. 1: it was "
        "refused, or is out of its limits. 2: wrong use, or nothing is being recorded.",
    )
    checks = parser.add_subparsers(dest="check", metavar="CHECK", required=True, title="Checks")
    words = "Take the zero of every force channel."
    zero = checks.add_parser(
        "zero", usage="%(prog)s [options]", help=words,
        description=words + " Train at rest, coupler slack.",
        epilog="Examples:\n  testcar check zero\n"
        "  testcar check zero --withdraw 'the coupler was tight'",
    )  # fmt: skip
    _add_options(zero, "The channel whose zero is taken; by default all force channels.")
    _add_zero_options(zero)
    zero.set_defaults(run=run, take=_zero)
    words = "Read a load cell without its shunt resistor, then with it."
    shunt = checks.add_parser(
        "shunt", help=words, description=words + " Train at rest, coupler slack.",
        epilog="Example:\n  testcar check shunt --channel drawbar_pull",
    )  # fmt: skip
    _add_options(
        shunt, "The channel; by default the one whose certificate states a shunt value."
    )
    shunt.add_argument(
        "--step", choices=list(ShuntStep), type=str,
        help="Take one reading only. By default both are taken, and you are asked for the shunt "
        "between them.",
    )  # fmt: skip
    shunt.set_defaults(run=run, take=_shunt)


def _add_zero_options(zero: argparse.ArgumentParser) -> None:
    what = zero.add_mutually_exclusive_group()
    what.add_argument(
        "--force", metavar="REASON",
        help="Take one, and accept it even if wheel, receiver, scatter or offset speak against "
        "it. The reason is kept, and its uncertainty covers the doubt. Without it, such a zero "
        "is refused.",
    )  # fmt: skip
    for edit, words in _EDITS.items():
        text = f"{words} Without it, none is."
        what.add_argument(f"--{edit}", metavar="REASON", help=text)
    zero.add_argument(
        "--number", type=int, metavar="N",
        help="Which zero to withdraw, restore or accept, as testcar zeros lists them; by default "
        "the newest.",
    )  # fmt: skip
    zero.add_argument("--by", metavar="NAME", help="Who says so; by default you.")


def _add_options(parser: argparse.ArgumentParser, channel: str) -> None:
    parser.add_argument(
        "--session", metavar="FILE",
        help="The run file being recorded. By default the only recording that runs.",
    )  # fmt: skip
    parser.add_argument("--channel", default="", metavar="NAME", help=channel)
    parser.add_argument(
        "--seconds", type=float, default=CHECK_S, metavar="S",
        help=f"How long a reading takes, in seconds; by default {CHECK_S:g}.",
    )  # fmt: skip
    parser.add_argument("--json", action="store_true", help="Print the answer as JSON.")


def run(args: argparse.Namespace) -> int:
    """Check; 0 well, 1 not.

    Raises
    ------
    SessionError, RequestRefusedError
        No recording to attach to, or it takes no check now.
    UsageError
        Nobody is there to put the shunt on.
    """
    with attach(args.session) as session:
        code: int = args.take(session, args)
    return code


def _zero(session: LiveSession, args: argparse.Namespace) -> int:
    by = person(args.by)
    for edit in _EDITS:
        reason = getattr(args, edit)
        if reason is not None:
            _print_zeros(_revised(session, args, edit, by), as_json=args.json, well=True)
            return 0
    if args.number is not None:
        msg = "--number names a zero to revise; give --withdraw, --restore or --accept with it"
        raise UsageError(msg)
    if args.force is not None and not args.force.strip():
        msg = "--force: no reason is given; say why, it is kept with the zero"
        raise UsageError(msg)
    force = args.force or ""
    zeros = session.take_zero(args.seconds, channel=args.channel, force=force, by=by)
    well = all(not zero.reason or zero.forced for zero in zeros)
    _print_zeros(zeros, as_json=args.json, well=well)
    return 0 if well else 1


def _revised(
    session: LiveSession, args: argparse.Namespace, edit: ZeroEdit, by: str
) -> list[Zero]:
    reason = getattr(args, edit)
    found = chosen_zeros(session.zeros(), edit, number=args.number, channel=args.channel)
    return [session.revise_zero(zero, edit, reason, by=by) for zero in found]


def _print_zeros(zeros: list[Zero], *, as_json: bool, well: bool) -> None:
    if as_json:
        found = [{"t_s": zero.t_s, **zero.to_event().data} for zero in zeros]
        print_json({"passed": well, "zeros": found})
        return
    for zero in zeros:
        print(zero.text)


def _shunt(session: LiveSession, args: argparse.Namespace) -> int:
    if args.step is not None:
        check = session.shunt_check(ShuntStep(args.step), args.seconds, channel=args.channel)
    else:
        opened = session.shunt_check(ShuntStep.OPEN, args.seconds, channel=args.channel)
        print(opened.text, file=sys.stderr)
        _wait_for_shunt()
        check = session.shunt_check(ShuntStep.SHUNTED, args.seconds, channel=opened.channel)
        print("take the shunt off", file=sys.stderr)
    _print_shunt(check, as_json=args.json)
    return 1 if check.passed is False else 0


def _wait_for_shunt() -> None:
    print("put the shunt on, then press Enter", file=sys.stderr)
    if not sys.stdin.readline():
        msg = "nobody is there to put the shunt on; take --step open and --step shunted apart"
        raise UsageError(msg)


def _print_shunt(check: ShuntCheck, *, as_json: bool) -> None:
    if as_json:
        print_json({"t_s": check.t_s, **check.to_event().data})
    else:
        print(check.text)

"""The ``testcar`` command: finds the verb, runs it, turns errors into a line and an exit code.

Exit codes: 0 done, 1 the answer is no (a check failed), 2 wrong use or bad input.
"""

from __future__ import annotations

import argparse
import importlib
import os
import sys
import traceback
from typing import Final

from recorder.command_line.support.errors import USER_ERRORS, AnswerIsNoError
from recorder.machine.version import software

__all__ = ["build_parser", "main", "run"]

VERBS: Final = {
    "demo": "run a simulated train from the ports to the summary",
    "feed": "start a simulated train on ports",
    "record": "record a run",
    "check": "take the zero, or check the shunt, of a running recording",
    "window": "open the crew's window on a running recording",
    "replay": "send a recorded run again, on ports",
    "bench": "calibrate a force cell: guided session, fit, certificate, verification",
    "wheel": "certify a measuring wheel: tape, rolled-out length or measured mile",
    "clock": "certify what a run shows of a device's clock",
    "route": "check a route table",
    "place": "place a run on its route",
    "ports": "list serial ports",
    "info": "tell what a run file holds",
    "marks": "list, add, correct, move or withdraw marks after the run",
    "zeros": "list, withdraw, restore or accept zeros after the run",
    "verify": "check a run file against its digests",
    "recover": "make a run file from a journal that was left behind",
    "export": "write the channels and marks of a run as tables",
    "import": "make a run file of a table recorded elsewhere or read off paper",
    "report": "did it make its specified pull: the report on one run or many",
    "compare": "differences between runs, with uncertainty",
}
"""Verb → what it does. Each is a module ``verbs.verb_NAME`` with ``add_parser`` and ``run``."""


def build_parser(verb: str | None = None) -> argparse.ArgumentParser:
    """Build the parser. Only the named verb's module is imported: a verb brings what it needs
    at its top, and ``testcar --help`` is not to wait for all of them."""
    parser = argparse.ArgumentParser(
        prog="testcar",
        description="Record, review and answer for a railway dynamometer test car.",
        formatter_class=argparse.RawDescriptionHelpFormatter,
        epilog="Example:\n  testcar demo --out demo\n\n"
        "testcar VERB --help tells more, with an example.\n"
        "The tool is never a safety system: local rules and licensed practice first.",
    )
    parser.add_argument("--version", action=_Version, nargs=0, help="which code this is")
    parser.add_argument("--debug", action="store_true", help="show a traceback on an error")
    subparsers = parser.add_subparsers(dest="verb", metavar="VERB", required=True)
    for name, what in VERBS.items():
        if name == verb:
            module = importlib.import_module(f"recorder.command_line.verbs.verb_{name}")
            module.add_parser(subparsers)
        else:
            subparsers.add_parser(name, help=what)
    return parser


class _Version(argparse.Action):
    """Prints name and version; asked of git only then, not at every start."""

    def __call__(self, parser: argparse.ArgumentParser, *_: object) -> None:
        print(software())
        parser.exit()


def main(argv: list[str] | None = None) -> int:
    """Run one command line and return its exit code."""
    words = sys.argv[1:] if argv is None else argv
    verb = next((word for word in words if not word.startswith("-")), None)
    parser = build_parser(verb if verb in VERBS else None)
    args = parser.parse_args(words)
    try:
        code: int = args.run(args)
    except AnswerIsNoError as no:
        print(f"testcar {args.verb}: {no}", file=sys.stderr)
        return 1
    except KeyboardInterrupt:
        print(f"testcar {args.verb}: interrupted", file=sys.stderr)
        return 2
    except BrokenPipeError:
        # Who reads our output has enough (``| head``): nothing is wrong, and nothing more is said.
        os.dup2(os.open(os.devnull, os.O_WRONLY), sys.stdout.fileno())
        return 0
    except USER_ERRORS as error:
        if args.debug:
            traceback.print_exc()
        else:
            print(f"testcar {args.verb}: {_one_line(error)}", file=sys.stderr)
        return 2
    except Exception as bug:  # noqa: BLE001 - the last line of defence before the person
        if args.debug:
            traceback.print_exc()
        else:
            print(
                f"testcar {args.verb}: internal error: {type(bug).__name__}: {_one_line(bug)}"
                " (run again with --debug and report it)",
                file=sys.stderr,
            )
        return 2
    return code


def _one_line(error: BaseException) -> str:
    # A command that works waits for no more than it needs.
    from calibration.readings.stated_facts import printable

    if isinstance(error, OSError) and error.filename is not None:
        return f"{error.filename}: {error.strerror}"
    if isinstance(error, OSError) and error.strerror:
        return " ".join(str(error.strerror).split())
    return printable(" ".join(str(error).split())) or type(error).__name__


def run() -> None:
    """Entry point of the installed command."""
    # Python's own helpers (the tracker of shared memory) start from the current folder otherwise,
    # where a crew may keep a file of any name.
    os.environ["PYTHONSAFEPATH"] = "1"
    sys.exit(main())


if __name__ == "__main__":
    run()

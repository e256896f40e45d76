"""The ``testcar`` command: finds the verb, runs it, turns errors into a line and an exit code.

Exit codes: 0 done, 1 the answer is no (a check failed), 2 wrong use or bad input.
"""

from __future__ import annotations

import argparse
import errno
import importlib
import os
import sys
import traceback
import warnings
from typing import Final

from calibration.quantities.printable import error_line
from recorder.command_line.support.errors import USER_ERRORS, AnswerIsNoError
from recorder.command_line.support.parsers import Parser
from recorder.command_line.support.screen import guarded
from recorder.machine.version import software

__all__ = ["build_parser", "main", "run"]

VERBS: Final = {
    "demo": "Run a simulated train, from its ports to the report.",
    "feed": "Start a simulated train on ports of this computer.",
    "record": "Record a run.",
    "check": "Take the zero, or check the shunt, while a run is recorded.",
    "window": "Open the crew's window on a run being recorded.",
    "replay": "Send a recorded run to ports again.",
    "bench": "Calibrate a load cell: session, fit, certificate, signature.",
    "wheel": "Make a measuring wheel's certificate.",
    "clock": "Make a certificate of what a run shows of a device's clock.",
    "route": "Check a route table.",
    "place": "Find where a run was on its route.",
    "ports": "List the serial ports.",
    "info": "Tell what a run file holds.",
    "marks": "List, add, correct, move or withdraw marks after the run.",
    "zeros": "List, withdraw, restore or accept zeros after the run.",
    "notes": "List what was added after the run, and mend it where it is damaged.",
    "verify": "Check that a run file is as it was sealed, and what it proves.",
    "recover": "Make the run file of a recording that was cut off.",
    "export": "Write the channels and marks of a run as tables.",
    "import": "Make a run file of a table, or of a paper roll read off.",
    "report": "Did it make its specified pull: the report on one or more runs.",
    "compare": "Compare runs, each difference with its uncertainty.",
}
"""Verb → what it does. Each is a module ``verbs.verb_NAME`` with ``add_parser`` and ``run``."""
_NEXT_STEPS: Final = {
    errno.EEXIST: "no file is overwritten: move it aside, or choose another name",
    errno.ENOENT: "check the name and the folder",
    errno.EACCES: "let whoever owns it give you the right to it",
    errno.EROFS: "choose a folder on a disk that can be written to",
    errno.ENOSPC: "make room, or choose a folder on another disk",
}
"""What to do, where the system's own words of an error leave it open."""


def build_parser(verb: str | None = None) -> argparse.ArgumentParser:
    """Build the parser. Only the named verb's module is imported: a verb brings what it needs
    at its top, and ``testcar --help`` is not to wait for all of them."""
    parser = Parser(
        prog="testcar",
        description="The work of a railway dynamometer test car, from the bench to the report.",
        epilog="Example:\n  testcar demo --out demo\n\n"
        "testcar VERB --help tells more about each verb, with an example. This is never a "
        "safety system: signals, local rules and licensed practice come first.",
    )
    parser.add_argument(
        "--version", action=_Version, nargs=0, help="Print which code this is, and end."
    )
    parser.add_argument(
        "--debug", action="store_true", help="On an error, show where in the code it arose."
    )
    subparsers = parser.add_subparsers(
        dest="verb", metavar="VERB", required=True, title="Verbs", parser_class=Parser
    )
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
    with guarded():
        return _main(argv)


def _main(argv: list[str] | None) -> int:
    words = sys.argv[1:] if argv is None else argv
    verb = next((word for word in words if not word.startswith("-")), None)
    parser = build_parser(verb if verb in VERBS else None)
    args, unknown = parser.parse_known_args(words)
    if unknown:
        return _refused(args.asked, unknown)
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
            print(
                f"testcar {args.verb}: {error_line(error)}{_next_step(error)}", file=sys.stderr
            )
        return 2
    except Exception as bug:  # noqa: BLE001 - the last line of defence before the person
        if args.debug:
            traceback.print_exc()
        else:
            print(
                f"testcar {args.verb}: internal error: {type(bug).__name__}: {error_line(bug)}"
                " (run again with --debug and report it)",
                file=sys.stderr,
            )
        return 2
    return code


def _refused(asked: str, unknown: list[str]) -> int:
    what = "is no option" if unknown[0].startswith("-") else "is one word too many"
    print(
        f"{asked}: {unknown[0]!r} {what}; {asked} --help shows what is allowed",
        file=sys.stderr,
    )
    return 2


def _next_step(error: Exception) -> str:
    """What to do where the system's own words are all there is."""
    if not isinstance(error, OSError) or error.filename is None or error.errno is None:
        return ""
    step = _NEXT_STEPS.get(error.errno)
    own = error.strerror == os.strerror(error.errno)
    return f"; {step}" if own and step is not None else ""


def run() -> None:
    """Entry point of the installed command."""
    # Python's own helpers (the tracker of shared memory) start from the current folder otherwise,
    # where a crew may keep a file of any name.
    os.environ["PYTHONSAFEPATH"] = "1"
    if not sys.warnoptions:
        # What libraries tell their programmers of numbers beyond all bounds is nothing to a crew.
        warnings.simplefilter("ignore")
    sys.exit(main())


if __name__ == "__main__":
    run()

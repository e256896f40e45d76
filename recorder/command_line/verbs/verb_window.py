"""``testcar window``: the crew's window on a recording that runs."""

from __future__ import annotations

import argparse
from typing import Any

from recorder.machine.host import WINDOW, give_way
from recorder.window.model.crew.key_commands import BUTTONS
from recorder.window.model.shown.options import add_options, options_of
from recorder.window.qt.frame.app import run_window

__all__ = ["add_parser", "run"]


def add_parser(subparsers: Any) -> None:  # noqa: ANN401 - argparse's own type is private
    """Add the verb."""

    parser = subparsers.add_parser(
        "window",
        description="Open the crew's window on a run being recorded: traces, numerals and mark "
        "keys. It may be closed and opened at will; the recording goes on.",
        epilog="Examples:\n  testcar window --appearance night\n"
        "  testcar window --session run.h5 --png window.png\n\n"
        "Keys: a letter takes its mark (the window shows which), with Alt also while typing; "
        f"{_command_keys()}.\n\n"
        "This is never a safety system: signals, local rules and licensed practice come first.",
    )
    add_options(parser)
    parser.set_defaults(run=run)


def _command_keys() -> str:
    return ", ".join(f"{c.key} {c.words.lower().rstrip('…')}" for c in BUTTONS)


def run(args: argparse.Namespace) -> int:
    """Run the window in this process until it is closed.

    Raises
    ------
    OSError
        No recording to attach to, or no window can be opened here.
    ValueError
        An option, or the run's sheets, cannot be used.
    """
    give_way(WINDOW)
    return run_window(options_of(args))

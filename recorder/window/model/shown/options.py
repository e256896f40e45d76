"""Options of the window, for its own module and for the verb. Imports no Qt."""

from __future__ import annotations

import argparse
from typing import Final

__all__ = ["WAIT_S", "add_options"]

WAIT_S: Final = 10.0
"""How long a window waits for a recording to appear before it gives up."""


def add_options(parser: argparse.ArgumentParser) -> None:
    """Options of the window, for this module and for the verb."""
    parser.add_argument("--session", metavar="PATH", help="run file being recorded")
    parser.add_argument("--png", metavar="OUT.png", help="write a picture and close")
    parser.add_argument("--seconds", type=float, help="close after so long")
    parser.add_argument("--appearance", choices=("day", "night"), default="day")
    parser.add_argument(
        "--units", choices=("metric", "customary"), default="", help="(car sheet's)"
    )
    parser.add_argument("--axis", choices=("time", "distance"), default="time")
    parser.add_argument("--size", metavar="WxH", type=_size, help="window size in pixels")
    parser.add_argument("--fps", type=float, default=30.0, help="frames a second, 5 to 60")
    parser.add_argument("--full-screen", action="store_true")
    parser.add_argument(
        "--route", metavar="ROUTE.csv", help="route table, when it is not beside the run"
    )
    parser.add_argument("--measure", metavar="FILE.csv", help="log when each frame was painted")
    parser.add_argument(
        "--wait", type=float, default=WAIT_S, help="seconds to wait for a recording to appear"
    )


def _size(text: str) -> tuple[int, int]:
    parts = text.lower().split("x")
    if len(parts) != 2 or not all(p.isdigit() and 200 <= int(p) <= 10000 for p in parts):
        msg = f"size must be WIDTHxHEIGHT in pixels, got {text!r}"
        raise argparse.ArgumentTypeError(msg)
    return int(parts[0]), int(parts[1])

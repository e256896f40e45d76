"""Options of the window, for its own module and for the verb. Imports no Qt."""

from __future__ import annotations

import argparse
from dataclasses import dataclass
from typing import Final

__all__ = ["WAIT_S", "WindowOptions", "add_options", "options_of"]

WAIT_S: Final = 10.0
"""How long a window waits for a recording to appear before it gives up."""


@dataclass(frozen=True, slots=True, kw_only=True)
class WindowOptions:
    """What is shown, how, and for how long.

    Raises
    ------
    ValueError
        A figure that makes no sense.
    """

    session: str = ""
    """A session file or the run file being recorded; empty: the only one running."""
    png: str = ""
    """Write a picture when the window closes; without ``seconds``, after 3 s. Where there is no
    screen, the window is drawn without one."""
    seconds: float | None = None
    """Close after so long; None: when the crew closes it."""
    appearance: str = "day"
    units: str = ""
    """``metric`` or ``customary``; empty: as the car sheet says."""
    axis: str = "time"
    paper: float | None = None
    """Seconds or metres of paper shown at the beginning, as the axis is; None: the usual."""
    size: tuple[int, int] | None = None
    fps: float = 30.0
    full_screen: bool = False
    route: str = ""
    """Route table, when it is not beside the run."""
    calls: str = ""
    """A text file; its newest line is shown for a while."""
    measure: str = ""
    """Write a CSV of each frame: when it was painted, and of each device the newest sample
    drawn and when that was received, s of run time."""
    wait_s: float = WAIT_S

    def __post_init__(self) -> None:
        if not 1.0 <= self.fps <= 60.0:
            msg = f"--fps must be from 1 to 60, got {self.fps:g}"
            raise ValueError(msg)
        if self.seconds is not None and not 0.0 < self.seconds < 1e7:
            msg = f"--seconds must be above 0, got {self.seconds:g}"
            raise ValueError(msg)


def options_of(args: argparse.Namespace) -> WindowOptions:
    """The options of a command line; raises ``ValueError`` as :class:`WindowOptions`."""
    return WindowOptions(
        session=args.session or "",
        png=args.png or "",
        seconds=args.seconds,
        appearance=args.appearance,
        units=args.units,
        axis=args.axis,
        paper=args.paper,
        size=args.size,
        fps=args.fps,
        full_screen=args.full_screen,
        route=args.route or "",
        calls=args.calls or "",
        measure=args.measure or "",
        wait_s=args.wait,
    )


def add_options(parser: argparse.ArgumentParser) -> None:
    """Options of the window, for this module and for the verb."""
    parser.add_argument(
        "--session", metavar="PATH",
        help="The run file being recorded. By default the only recording that runs.",
    )  # fmt: skip
    parser.add_argument(
        "--png", metavar="OUT.png",
        help="Write a picture of the window and close it. Without it, no picture is written.",
    )  # fmt: skip
    parser.add_argument(
        "--seconds", type=float, metavar="S",
        help="Close after S seconds. By default it stays open; with --png, 3 seconds.",
    )  # fmt: skip
    parser.add_argument(
        "--appearance", choices=("day", "night"), default="day",
        help="Dark on light for the day (default), or light on dark for the night.",
    )  # fmt: skip
    parser.add_argument(
        "--units", choices=("metric", "customary"), default="",
        help="Units to show. By default those of the car sheet.",
    )  # fmt: skip
    parser.add_argument(
        "--axis", choices=("time", "distance"), default="time",
        help="What the traces are drawn over; by default time.",
    )  # fmt: skip
    parser.add_argument(
        "--paper", type=float, metavar="S",
        help="Show at least S seconds of paper, or metres with --axis distance, as in"
        " --paper 3600. By default the last two minutes, or the last kilometre.",
    )  # fmt: skip
    _add_frame_options(parser)


def _add_frame_options(parser: argparse.ArgumentParser) -> None:
    """How it is drawn, and until when it waits."""
    parser.add_argument(
        "--size", metavar="WxH", type=_size,
        help="Size of the window in pixels, such as 1600x900. By default it fits the screen.",
    )  # fmt: skip
    parser.add_argument(
        "--fps", type=float, default=30.0, metavar="N",
        help="Pictures drawn in a second, 1 to 60; by default 30.",
    )  # fmt: skip
    parser.add_argument("--full-screen", action="store_true", help="Fill the whole screen.")
    parser.add_argument(
        "--route", metavar="ROUTE.csv",
        help="The route table. By default the one the run's trip sheet names.",
    )  # fmt: skip
    parser.add_argument(
        "--calls", metavar="FILE.txt",
        help="Show each new line of FILE.txt for some seconds, as a rehearsal's driver calls out."
        " By default nobody calls.",
    )  # fmt: skip
    parser.add_argument(
        "--measure", metavar="FILE.csv",
        help="Write when each picture was drawn. Without it, that is not written.",
    )  # fmt: skip
    parser.add_argument(
        "--wait", type=float, default=WAIT_S, metavar="S",
        help=f"Wait S seconds for a recording to appear; by default {WAIT_S:g}.",
    )  # fmt: skip


def _size(text: str) -> tuple[int, int]:
    parts = text.lower().split("x")
    if len(parts) != 2 or not all(p.isdigit() and 200 <= int(p) <= 10000 for p in parts):
        msg = f"size must be WIDTHxHEIGHT in pixels, got {text!r}"
        raise argparse.ArgumentTypeError(msg)
    return int(parts[0]), int(parts[1])

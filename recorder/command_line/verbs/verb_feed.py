"""``testcar feed``: a simulated train on real ports, until Ctrl-C."""

from __future__ import annotations

import argparse
import math
import sys
import textwrap
from collections.abc import Iterator
from contextlib import AbstractContextManager, contextmanager
from pathlib import Path
from signal import SIGINT, SIGTERM, getsignal, signal
from typing import Any, Final

from calibration.quantities.written import many
from recorder.command_line.support.errors import UsageError
from recorder.command_line.support.parsers import seed_number
from simulated_feeds.devices.fault_kinds import KINDS, KindFacts
from simulated_feeds.serving.feed_reports import (
    FEED_REPORTS,
    FeedEnded,
    FeedReady,
    FeedReport,
    FeedStarted,
)
from simulated_feeds.serving.serving import FeedSettings, run_feed

__all__ = ["Reporter", "add_parser", "add_port_options", "run", "speed_of"]

_WIDTH: Final = 78
_UNHEARD_S: Final = 30.0
"""A feed that is to end by itself does not wait for ever."""


def add_parser(subparsers: Any) -> None:  # noqa: ANN401 - argparse's own type is private
    """Add the verb."""
    parser = subparsers.add_parser(
        "feed",
        description="Start a simulated train: load cell, measuring wheel and GNSS clock, each on "
        "a port of its own, with the sheets to record them by.",
        epilog="Example, the second command in another terminal:\n"
        "  testcar feed --seconds 120 --out feed\n"
        "  testcar record feed/car.toml feed/trip.toml --out run.h5\n\n"
        "The train begins to move 8 s after the ports were opened. What it really did is in "
        "DIR/truth.csv.\n\n"
        "A fault is KIND[:DEVICE][=VALUE]@T[+SECONDS], in simulated time:\n"
        "  --fault unplug:wheel@20+3 --fault time-off=18@0+20 --fault late:clock=1.1@0\n\n"
        "The kinds of fault, with the value and the length each has by default:\n"
        + _faults_told(),
    )
    add_port_options(parser)
    _add_options(parser)
    _add_train(parser)
    parser.set_defaults(run=run)


def _add_options(parser: argparse.ArgumentParser) -> None:
    parser.add_argument(
        "--seed", type=seed_number, default=1, metavar="N",
        help="Which train is simulated: another number, another train; by default 1.",
    )  # fmt: skip
    parser.add_argument(
        "--seconds", type=float, metavar="S",
        help="End after S seconds of simulated time. Without it, Ctrl-C ends it.",
    )  # fmt: skip
    parser.add_argument(
        "--out", default="feed", metavar="DIR",
        help="The folder for sheets, certificates, route and truth; by default feed.",
    )  # fmt: skip
    parser.add_argument(
        "--wait", type=float, metavar="S",
        help="Begin after S seconds though no port was opened. By default it waits for ever; with "
        "--seconds, 30 seconds.",
    )  # fmt: skip
    parser.add_argument(
        "--fault", action="append", default=[], metavar="FAULT",
        help="A fault of a device, as told below; may be given again. By default there is none.",
    )  # fmt: skip
    parser.add_argument(
        "--car-sheet", metavar="FILE",
        help="Write the car sheet to FILE, too. By default it is in DIR alone.",
    )  # fmt: skip


def _add_train(parser: argparse.ArgumentParser) -> None:
    """The train and its devices."""
    parser.add_argument(
        "--cars", type=int, default=17, metavar="N", help="How many cars; by default 17."
    )
    parser.add_argument(
        "--channels", type=int, default=4, metavar="N",
        help="How many channels the load-cell front end has; by default 4.",
    )  # fmt: skip
    parser.add_argument(
        "--rate", type=int, default=2000, metavar="HZ",
        help="How often in a second it samples; by default 2000.",
    )  # fmt: skip
    parser.add_argument(
        "--pps", action="store_true",
        help="Wire the receiver's pulse per second to the other devices.",
    )  # fmt: skip


def _faults_told() -> str:
    """Every kind of fault, a paragraph each."""
    return "\n".join(
        textwrap.fill(
            f"{kind:<12}{facts.words} ({_fault_facts(facts)})", width=_WIDTH,
            initial_indent="  ", subsequent_indent=" " * 14, break_on_hyphens=False,
        )
        for kind, facts in KINDS.items()
    )  # fmt: skip


def _fault_facts(facts: KindFacts) -> str:
    """Its usual value, how long it lasts, whom it strikes."""
    value = facts.value
    told = [f"={value.usual:g} {value.unit}".strip()] if value is not None else []
    told.append("whole run" if facts.from_start else
                "to the end" if facts.lasts_s == math.inf else f"+{facts.lasts_s:g} s")  # fmt: skip
    return "; ".join([*told, " or ".join(facts.strikes)]).rstrip("; ")


def add_port_options(parser: argparse.ArgumentParser) -> None:
    """Options shared with ``replay``."""
    kind = parser.add_mutually_exclusive_group()
    kind.add_argument(
        "--tcp", action="store_true", help="Use TCP ports of this computer (default)."
    )
    kind.add_argument("--pty", action="store_true", help="Use pseudo-terminals (Linux, macOS).")
    parser.add_argument(
        "--speed", default="1", metavar="X",
        help="How many times as fast as in reality, or max; by default 1.",
    )  # fmt: skip
    parser.add_argument("--json", action="store_true", help="Print one JSON object a line.")


def speed_of(text: str) -> float:
    """A speed from the command line; 0 stands for ``max``.

    Raises
    ------
    UsageError
        Neither a number above 0 nor ``max``.
    """

    if text.strip().lower() == "max":
        return 0.0
    try:
        speed = float(text)
    except ValueError:
        speed = math.nan
    if not 0.0 < speed <= 1000.0:
        msg = f"--speed must be above 0 and at most 1000, or max; got {text!r}"
        raise UsageError(msg)
    return speed


def run(args: argparse.Namespace) -> int:
    """Run the feed in this process.

    Raises
    ------
    FeedError, OSError
        The settings, the ports or the folder will not do.
    """

    settings = FeedSettings(
        folder=args.out, seed=args.seed, seconds=args.seconds, speed=speed_of(args.speed),
        transport="pty" if args.pty else "tcp", channels=args.channels, cars=args.cars,
        sample_rate_hz=args.rate, pps=args.pps, faults=tuple(args.fault),
        wait_s=_UNHEARD_S if args.wait is None and args.seconds is not None else args.wait,
    )  # fmt: skip
    report = Reporter("feed", as_json=args.json, car_sheet=args.car_sheet)
    with report.until_interrupted():
        run_feed(settings, report, report.stopped)
    return 0


class Reporter:
    """Tells a person, or a program, how a feed is doing; ends it at Ctrl-C."""

    def __init__(self, verb: str, *, as_json: bool, car_sheet: str | None = None) -> None:
        self._verb, self._as_json, self._car_sheet = verb, as_json, car_sheet
        self._stopped = False

    def stopped(self) -> bool:
        """Ctrl-C was pressed."""
        return self._stopped

    def until_interrupted(self) -> AbstractContextManager[None]:
        """Within it, Ctrl-C (and a polite kill) asks for the end."""

        def ask(_number: int, _frame: object) -> None:
            self._stopped = True

        @contextmanager
        def held() -> Iterator[None]:
            before = {number: getsignal(number) for number in (SIGINT, SIGTERM)}
            for number in before:
                signal(number, ask)
            try:
                yield
            finally:
                for number, handler in before.items():
                    signal(number, handler)

        return held()

    def __call__(self, report: FeedReport) -> None:
        if isinstance(report, FeedReady) and self._car_sheet:
            text = Path(report.sheets["car"]).read_text(encoding="utf-8")
            Path(self._car_sheet).write_text(text, encoding="utf-8")
        if self._as_json:
            print(FEED_REPORTS.to_json(report), flush=True)
            return
        for line in _lines(report):
            print(line, flush=True)
        if isinstance(report, FeedEnded) and (lost := _lost(report)):
            print(f"testcar {self._verb}: {lost}", file=sys.stderr)


def _lines(report: FeedReport) -> list[str]:
    match report:
        case FeedReady():
            ports = [f"{name:<10} {address}" for name, address in report.ports.items()]
            car, trip = report.sheets["car"], report.sheets["trip"]
            return [
                *ports,
                f"{'record':<10} testcar record {car} {trip} --out run.h5",
                "waiting until the ports are opened; Ctrl-C ends",
            ]
        case FeedStarted():
            return ["running"]
        case FeedEnded():
            sent = ", ".join(f"{name} {f.sent}" for name, f in report.frames.items())
            return [f"ended after {report.simulated_s:.1f} s; frames sent: {sent}"]
        case _:
            return []


def _lost(ended: FeedEnded) -> str:
    return "; ".join(
        f"{name}: {many(f.dropped, 'frame')} dropped by a reader too slow"
        for name, f in ended.frames.items()
        if f.dropped
    )

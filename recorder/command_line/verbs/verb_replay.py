"""``testcar replay RUN``: a recorded run back onto real ports."""

from __future__ import annotations

import argparse
from typing import Any

from calibration.quantities.written import many
from recorder.command_line.support.errors import AnswerIsNoError
from recorder.command_line.verbs.verb_feed import Reporter, add_port_options, speed_of
from recorder.run_file.seal.digest_check import refuse_damaged
from simulated_feeds.replay.replaying import ReplaySettings, run_replay

__all__ = ["add_parser", "run"]


def add_parser(subparsers: Any) -> None:  # noqa: ANN401 - argparse's own type is private
    """Add the verb."""

    parser = subparsers.add_parser(
        "replay",
        description="Send a recorded run again, each device on a port of its own, as its bytes "
        "once came. Recorded again, it equals the first count for count. Nothing is sent until "
        "all ports are open; at the end the ports close.",
        epilog="Example, the second command in another terminal:\n"
        "  testcar replay run.h5 --speed max --out again\n"
        "  testcar record again/car.toml again/trip.toml --out again.h5 \\\n"
        "      --until-quiet 3",
    )
    parser.add_argument("run_file", metavar="RUN", help="The run file.")
    parser.add_argument(
        "--out", default="replay", metavar="DIR",
        help="The folder for the sheets to record it by; by default replay.",
    )  # fmt: skip
    parser.add_argument(
        "--device", action="append", default=[], metavar="NAME",
        help="Send this device only; may be given again. By default all of them.",
    )  # fmt: skip
    add_port_options(parser)
    parser.set_defaults(run=run)


def run(args: argparse.Namespace) -> int:
    """Replay in this process; 0 when all of it went out.

    Raises
    ------
    FeedError, RunFileError, OSError
        The run cannot be read or replayed.
    AnswerIsNoError
        It was ended early, or a reader was too slow and frames were dropped.
    """

    refuse_damaged(args.run_file)
    settings = ReplaySettings(
        run=args.run_file, folder=args.out, speed=speed_of(args.speed),
        transport="pty" if args.pty else "tcp", devices=tuple(args.device),
    )  # fmt: skip
    report = Reporter("replay", as_json=args.json)
    with report.until_interrupted():
        ended = run_replay(settings, report, report.stopped)
    lost = sum(f.dropped + f.unheard for f in ended.frames.values())
    if not ended.complete:
        msg = f"ended after {ended.simulated_s:.1f} s, before the end of the run"
        raise AnswerIsNoError(msg)
    if lost:
        msg = f"{many(lost, 'frame')} went unread: a reader was too slow, or closed its port"
        raise AnswerIsNoError(msg)
    return 0

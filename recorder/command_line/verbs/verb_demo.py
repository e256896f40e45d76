"""``testcar demo``: a trial day in simulated time, recorded, reported and held against its truth;
or a short live run on real ports, to be ridden."""

from __future__ import annotations

import argparse
from pathlib import Path
from typing import TYPE_CHECKING, Final

from recorder.acquisition.process.main import stopping_on_signals
from recorder.acquisition.process.reports import SessionOpen
from recorder.command_line.demo.beside import WindowBeside
from recorder.command_line.demo.live_run import DemoProgress, LiveDemo, record_live
from recorder.command_line.support.errors import UsageError
from recorder.command_line.support.parsers import seed_number
from recorder.command_line.support.recording_console import screen_there
from recorder.window.qt.frame.preflight import NoScreenError, check_screen, has_screen

if TYPE_CHECKING:
    from recorder.acquisition.process.reports import RecordingReport

__all__ = ["add_parser", "run"]

EXAMPLE: Final = """\
Examples:
  testcar demo --out demo
  testcar demo --headless --seconds 60 --seed 7 --out short
  testcar demo --ride --out ride

Without --seconds or --ride a whole trial day is recorded, of two hours and sixty kilometres, in
simulated time: devices and clock carry it, so that it takes a minute or two. DIR receives run.h5
(the run), truth.csv (what the simulated train really did, on the run's own time), summary.pdf,
window.png and report. DIR/feed holds the sheets, certificates and route, to copy for a car of your
own.
"""
LEAST_S: Final = 3.0
RIDE_S: Final = 600.0
SPEED: Final = 120.0
"""Simulated seconds in a second, where somebody looks: an hour of paper in half a minute."""
PAPER_S: Final = 3600.0
TOLD_EVERY_S: Final = 600.0


def add_parser(subparsers: argparse._SubParsersAction[argparse.ArgumentParser]) -> None:
    """Add the verb."""
    parser = subparsers.add_parser(
        "demo",
        description="Simulate a train with its devices, record it, and report on it.",
        epilog=EXAMPLE,
    )
    screen = parser.add_mutually_exclusive_group()
    screen.add_argument(
        "--headless", action="store_true",
        help="Open no window. By default one is opened where there is a screen.",
    )  # fmt: skip
    screen.add_argument(
        "--ride", action="store_true",
        help="Ride along in real time: key the mileposts and the throttle at the window, and be"
        " told afterwards how well. By default the marks are keyed for you.",
    )  # fmt: skip
    parser.add_argument(
        "--seconds", type=float, metavar="S",
        help="Record S seconds in real time, on real ports. By default the whole day; with"
        f" --ride, {RIDE_S:g} seconds.",
    )  # fmt: skip
    parser.add_argument(
        "--seed", type=seed_number, default=1, metavar="N",
        help="Which train is simulated: another number, another train; by default 1.",
    )  # fmt: skip
    parser.add_argument(
        "--out", type=Path, default=Path("demo"), metavar="DIR",
        help="The folder to write into; by default demo.",
    )  # fmt: skip
    parser.set_defaults(run=run)


def run(args: argparse.Namespace) -> int:
    """Record, check, sum up, report; each step says what it made."""
    if args.seconds is not None and not LEAST_S <= args.seconds <= 86_400.0:
        msg = f"--seconds must be from {LEAST_S:g} to 86400, got {args.seconds:g}"
        raise UsageError(msg)
    if args.ride:
        _must_be_seen()
    run_path = args.out / "run.h5"
    if run_path.exists():
        msg = f"{run_path}: a run is never overwritten; choose another --out or move it away"
        raise UsageError(msg)
    unseen = args.headless or not screen_there("demo: running")
    args.out.mkdir(parents=True, exist_ok=True)
    if args.ride or args.seconds is not None:
        return _live(args, unseen=unseen)
    return _day(args, unseen=unseen)


def _must_be_seen() -> None:
    """Refuse a ride that nobody could key."""
    if not has_screen():
        msg = "demo --ride needs a screen: the marks are keyed at the window"
        raise NoScreenError(msg)
    check_screen()


def _live(args: argparse.Namespace, *, unseen: bool) -> int:
    seconds = RIDE_S if args.seconds is None else args.seconds
    print(f"demo: a simulated train, seed {args.seed}, for {seconds:g} s")
    if args.ride:
        print(
            "demo: key each milepost as the train passes it, and the throttle when it changes"
        )
    demo = LiveDemo(
        folder=args.out, seconds=seconds, seed=args.seed, unseen=unseen, by_hand=args.ride
    )
    started_ns = record_live(demo)
    # Charts and page layout take over a second to import; the run does not wait for them.
    from recorder.command_line.demo import sum_up as after

    sound = after.sum_up(args.out, started_ns)
    after.report_on(args.out)
    keyed = after.score_keys(args.out) if args.ride else []
    after.say_what_is_there(args.out)
    for line in keyed:
        print(line)
    return 0 if sound else 1


def _day(args: argparse.Namespace, *, unseen: bool) -> int:
    # A day needs all that a report does, and --help does not wait for that.
    from recorder.command_line.demo import sum_up as after
    from recorder.command_line.demo.day_truth import write_day_truth
    from recorder.command_line.demo.recorded_day import ZERO_S, record_day
    from simulated_feeds.outing.trial_day import trial_day

    day = trial_day(args.seed)
    hours = day.seconds / 3600.0
    print(f"demo: a trial day of {hours:.1f} h, seed {args.seed}, in simulated time")
    beside = _Beside(args.out / "window.png", unseen=unseen)
    with stopping_on_signals() as stop:
        recorded = record_day(
            day, args.out, speed=None if unseen else SPEED, report=beside, stop=stop
        )
    beside.close()
    if recorded.outcome.exit_code:
        raise UsageError(recorded.outcome.problem or "the day was not recorded")
    sound = after.sum_up(args.out, recorded.started_ns)
    print("demo: working out the answer and the report")
    answer = after.report_on(args.out)
    told = write_day_truth(day, answer, args.out / "report", run_offset_s=-ZERO_S)
    after.say_what_is_there(args.out)
    for line in told.lines:
        print(f"demo: {line}")
    return 0 if sound else 1


class _Beside:
    """Hears the recording, and opens the window once there is a session."""

    def __init__(self, png: Path, *, unseen: bool) -> None:
        self._png, self._unseen = png, unseen
        self._told = DemoProgress(TOLD_EVERY_S)
        self._window: WindowBeside | None = None

    def __call__(self, report: RecordingReport) -> None:
        if isinstance(report, SessionOpen):
            self._window = WindowBeside(
                report.path, self._png, unseen=self._unseen, paper=PAPER_S
            )
        self._told(report)

    def close(self) -> None:
        """Wait for the window."""
        if self._window is not None:
            self._window.close()

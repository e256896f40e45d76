"""``testcar record CAR_SHEET TRIP_SHEET --out RUN.h5``: record a run, window or not."""

from __future__ import annotations

import argparse
import json
import subprocess
import sys
import threading
from dataclasses import asdict
from pathlib import Path
from typing import TYPE_CHECKING, Any, Final

from recorder.acquisition.devices.plan import make_plan
from recorder.acquisition.process.main import record_here
from recorder.acquisition.process.settings import RecordingSettings
from recorder.command_line.support.errors import UsageError
from recorder.sheets import SheetError, load_car_sheet, load_trip_sheet
from recorder.sheets.table import read_text_file, read_toml
from recorder.window.qt.frame.preflight import NoScreenError, check_screen

if TYPE_CHECKING:
    from recorder.acquisition.process.settings import Outcome
    from recorder.sheets import CarSheet, TripSheet

__all__ = ["add_parser", "run"]

WINDOW_CLOSES_S: Final = 5.0
LINE_EVERY_S: Final = 10.0
"""How often progress is told where no terminal shows a moving line."""


def add_parser(subparsers: Any) -> None:  # noqa: ANN401 - argparse's own type is private
    """Add the verb."""
    parser = subparsers.add_parser(
        "record",
        formatter_class=argparse.RawDescriptionHelpFormatter,
        description="Record a run as the car sheet and the trip sheet say. The zero is taken\n"
        "first: train at rest, coupler slack. Ctrl-C stops cleanly and seals the run file.\n"
        "Closing the window does not stop the recording.",
        epilog="Example:\n"
        "  testcar record car.toml trip.toml --out run.h5\n"
        "  testcar record --check car.toml\n\n"
        "Exit code 0: done; 1: recorded but not sealed, the journal is kept; 2: could not\n"
        "begin, or a fault stopped it early.\n"
        "Never a safety system: local rules and licensed practice come first.",
    )
    parser.add_argument(
        "sheets", nargs="+", metavar="SHEET", help="car sheet and trip sheet (TOML)"
    )
    parser.add_argument("--out", metavar="RUN.h5", help="run file to make; never overwritten")
    parser.add_argument("--headless", action="store_true", help="without a window")
    parser.add_argument("--seconds", type=float, metavar="S", help="stop at run time S")
    parser.add_argument(
        "--check", action="store_true", help="say what would be recorded, record nothing"
    )
    parser.add_argument("--json", action="store_true", help="answer as one JSON object")
    parser.add_argument(
        "--zero-seconds", type=float, metavar="S", help="time for the zero (0: none)"
    )
    parser.add_argument(
        "--zero-after", type=float, default=0.0, metavar="S", help="zero at the end, at rest"
    )
    parser.add_argument(
        "--until-quiet", type=float, metavar="S", help="stop when nothing came for S seconds"
    )
    parser.add_argument(
        "--allow-expired", action="store_true", help="record flagged, certificates expired"
    )
    parser.add_argument(
        "--allow-network-disk",
        action="store_true",
        help="record to a network disk all the same",
    )
    parser.set_defaults(run=run)


def run(args: argparse.Namespace) -> int:
    """Check or record.

    Raises
    ------
    UsageError, RecordingError, SheetError, OSError
        Wrong use, or the recording cannot begin.
    """

    try:
        if args.check:
            return _check(args)
        return _record(args)
    except SheetError as error:
        for problem in error.problems:
            print(f"testcar record: {problem}", file=sys.stderr)
        return 2


def _check(args: argparse.Namespace) -> int:

    car, trip = _sheets(args.sheets)
    if car is None:
        lines = _trip_lines(trip)
        answer: dict[str, Any] = {"trip": None if trip is None else trip.name, "devices": []}
    else:
        plan = make_plan(car, trip, allow_expired=args.allow_expired)
        lines, answer = plan.describe(), plan.to_dict()
    print(json.dumps(answer, indent=1) if args.json else "\n".join(lines))
    return 0


def _sheets(paths: list[str]) -> tuple[CarSheet | None, TripSheet | None]:
    """Read one or two sheets; a single one may be either, told by its tables."""

    if len(paths) > 2:
        msg = f"give a car sheet and a trip sheet, got {len(paths)} files"
        raise UsageError(msg)
    if len(paths) == 1:
        path = Path(paths[0])
        tables = read_toml(read_text_file(path), source=path.name)
        if "trip" in tables and "car" not in tables:
            return None, load_trip_sheet(path)
        return load_car_sheet(path), None
    problems: list[str] = []
    car = trip = None
    try:
        car = load_car_sheet(paths[0])
    except SheetError as error:
        problems.extend(error.problems)
    try:
        trip = load_trip_sheet(paths[1])
    except SheetError as error:
        problems.extend(error.problems)
    if problems:
        raise SheetError(problems)
    return car, trip


def _trip_lines(trip: TripSheet | None) -> list[str]:
    if trip is None:
        return []
    lines = [f"trip: {trip.name}, {trip.planned_hours:g} h planned"]
    engine = trip.locomotive
    lines.append(f"locomotive: {engine.name or 'not named'}, {engine.kind}")
    count, mass = trip.consist.count, trip.consist.mass_t
    lines.append(
        f"consist: {'unknown' if count is None else count} cars,"
        f" {'mass unknown' if mass is None else f'{mass:.1f} t'}"
    )
    lines.append("give the car sheet too, to hear what would be recorded")
    return lines


def _record(args: argparse.Namespace) -> int:

    if len(args.sheets) != 2:
        msg = f"give a car sheet and a trip sheet, got {len(args.sheets)} file(s)"
        raise UsageError(msg)
    if not args.out:
        msg = "--out RUN.h5 is missing"
        raise UsageError(msg)
    settings = RecordingSettings(
        car_sheet=Path(args.sheets[0]),
        trip_sheet=Path(args.sheets[1]),
        out=Path(args.out),
        seconds=args.seconds,
        zero_seconds=args.zero_seconds,
        zero_after=args.zero_after,
        until_quiet_s=args.until_quiet,
        allow_expired=args.allow_expired,
        allow_network_disk=args.allow_network_disk,
    )
    teller = _Teller(window=not args.headless and _screen_there())
    try:
        outcome = record_here(settings, teller)
    finally:
        teller.end()
    _say(outcome, as_json=args.json)
    return outcome.exit_code


def _screen_there() -> bool:
    """Whether a window can open; a recording does not fail for want of one."""
    try:
        check_screen()
    except NoScreenError as error:
        print(f"testcar record: recording without a window: {error}", file=sys.stderr)
        return False
    return True


def _say(outcome: Outcome, *, as_json: bool) -> None:
    if as_json:
        answer = {**asdict(outcome), "run_path": str(outcome.run_path)}
        print(json.dumps({**answer, "exit_code": outcome.exit_code}, indent=1))
    else:
        counts = ", ".join(f"{n} {name}" for name, n in outcome.records.items())
        state = "sealed" if outcome.sealed else "NOT SEALED"
        print(
            f"{outcome.run_path}: {outcome.duration_s:.1f} s, {counts}, {outcome.marks} mark"
            f" revisions, {outcome.gaps} gaps; {outcome.reason}; {state}"
        )
    if outcome.problem:
        print(f"testcar record: {outcome.problem}", file=sys.stderr)


class _Teller:
    """Tells a person on the standard error; opens the window once there is a session."""

    def __init__(self, *, window: bool) -> None:
        self._window = window
        self._process: subprocess.Popen[bytes] | None = None
        self._watched = sys.stderr.isatty()
        self._guard = threading.Lock()
        self._told_s = -LINE_EVERY_S
        self._moving = False

    def __call__(self, kind: str, **data: Any) -> None:  # noqa: ANN401 - JSON values
        with self._guard:
            if kind == "progress":
                self._progress(data["status"])
            elif kind == "sealing":
                self._line(f"sealing {100 * data['part']:3.0f} %  {data['what']}", moving=True)
            elif kind == "session" and self._window:
                self._open_window(data["path"])
            elif (words := _in_words(kind, data)) is not None:
                self._line(words)

    def end(self) -> None:
        """Finish a moving line; close the window, there is nothing to show any more."""
        with self._guard:
            if self._moving:
                print(file=sys.stderr)
                self._moving = False
        if self._process is not None and self._process.poll() is None:
            self._process.terminate()
            try:
                self._process.wait(WINDOW_CLOSES_S)
            except subprocess.TimeoutExpired:
                self._process.kill()
                self._process.wait()

    def _progress(self, status: dict[str, Any]) -> None:
        if self._process is not None and (code := self._process.poll()) is not None:
            self._process = None
            self._line(
                f"the window was closed (code {code}); recording goes on, Ctrl-C stops it,"
                " testcar window attaches again"
            )
        if self._watched or status["t_s"] - self._told_s >= LINE_EVERY_S:
            self._told_s = status["t_s"]
            self._line(_status_line(status), moving=True)

    def _line(self, text: str, *, moving: bool = False) -> None:
        if not self._watched:
            if not moving or not text.startswith("sealing"):
                print(text, file=sys.stderr, flush=True)
            return
        end = "" if moving else "\n"
        print(f"\r\x1b[K{text}", end=end, file=sys.stderr, flush=True)
        self._moving = moving

    def _open_window(self, session_path: str) -> None:
        """In a process of its own: whatever becomes of it, recording goes on."""
        words = [
            sys.executable,
            "-m",
            "recorder.window.qt.frame.app",
            "--session",
            session_path,
        ]
        try:
            # In a session of its own, so that a Ctrl-C meant for the recording spares it.
            self._process = subprocess.Popen(words, start_new_session=True)
        except OSError as error:
            self._line(f"the window cannot be opened ({error}); recording goes on without it")


def _status_line(status: dict[str, Any]) -> str:
    parts = [f"{status['t_s']:8.1f} s"]
    for name, device in status["devices"].items():
        word = "" if device["state"] == "running" else f" {device['state'].upper()}"
        gaps = f" {device['gaps']} gaps" if device["gaps"] else ""
        parts.append(f"{name} {device['rate_hz']:.0f}/s{gaps}{word}")
    parts.append(f"{status['marks']} marks")
    if status["disk_hours_left"] is not None:
        parts.append(f"disk {status['disk_hours_left']:.0f} h")
    return "  ".join(parts)


def _in_words(kind: str, data: dict[str, Any]) -> str | None:
    match kind:
        case "warning":
            return f"warning: {data['text']}"
        case "check" | "swept":
            return str(data["text"])
        case "zero_begins":
            return f"taking the zero for {data['seconds']:g} s: train at rest, coupler slack"
        case "started":
            return f"recording to {data['run']}; Ctrl-C stops and seals"
        case "gap":
            return (
                f"gap: {data['device']} {data['t_start_s']:.2f} to {data['t_end_s']:.2f} s,"
                f" {data['cause']}: {data['detail']}"
            )
        case "stopping":
            return f"stopping: {data['reason']}"
        case _:
            return None

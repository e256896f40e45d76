"""``testcar demo``: a simulated train on real ports, recorded, drawn, checked and summed up."""

from __future__ import annotations

import argparse
import subprocess
import sys
from pathlib import Path
from typing import TYPE_CHECKING, Any

from recorder.acquisition.process.launch import start_recording
from recorder.acquisition.process.reports import CheckReport, Progress, Swept, Warned
from recorder.command_line.support.demo_crew import DemoCrew
from recorder.command_line.support.errors import UsageError
from recorder.command_line.support.recording_console import screen_there
from recorder.machine.child_process import child_environment, python_command
from recorder.report.trial.summary import write_summary
from recorder.run_file.seal.verify import verify_run
from simulated_feeds.outing.truth import write_truth
from simulated_feeds.serving.serving import start_feed

if TYPE_CHECKING:
    from recorder.acquisition.process.launch import RecordingProcess
    from recorder.acquisition.process.reports import RecordingReport
    from simulated_feeds.serving.feed_process import FeedProcess

__all__ = ["add_parser", "run"]

EXAMPLE = """\
Example:
  testcar demo --headless --seconds 60 --seed 7 --out demo

DIR receives run.h5 (the run), truth.csv (what the simulated train really did, on the run's own
time), summary.pdf and window.png. DIR/feed holds the sheets, certificates and route, to copy for a
car of your own.
"""
PICTURE_SIZE = "1600x1000"
LEAST_S = 3.0


def add_parser(subparsers: argparse._SubParsersAction[argparse.ArgumentParser]) -> None:
    """Add the verb."""
    parser = subparsers.add_parser(
        "demo",
        description="Run a simulated train on real ports, record it, and sum it up.",
        epilog=EXAMPLE,
    )
    parser.add_argument(
        "--headless", action="store_true",
        help="Open no window on a screen; the marks are keyed for you.",
    )  # fmt: skip
    parser.add_argument(
        "--seconds", type=float, default=120.0, metavar="S",
        help="How long the run lasts; by default 120 seconds.",
    )  # fmt: skip
    parser.add_argument(
        "--seed", type=int, default=1, metavar="N",
        help="Which train is simulated: another number, another train; by default 1.",
    )  # fmt: skip
    parser.add_argument(
        "--out", type=Path, default=Path("demo"), metavar="DIR",
        help="The folder to write into; by default demo.",
    )  # fmt: skip
    parser.set_defaults(run=run)


def run(args: argparse.Namespace) -> int:
    """Feed, record, picture, truth, summary; each step says what it made."""

    if not LEAST_S <= args.seconds <= 86_400.0:
        msg = f"--seconds must be from {LEAST_S:g} to 86400, got {args.seconds:g}"
        raise UsageError(msg)
    run_path = args.out / "run.h5"
    if run_path.exists():
        msg = f"{run_path}: a run is never overwritten; choose another --out or move it away"
        raise UsageError(msg)
    args.out.mkdir(parents=True, exist_ok=True)
    headless = args.headless or not screen_there("demo: running")
    print(f"demo: a simulated train, seed {args.seed}, for {args.seconds:g} s")
    with start_feed(args.out / "feed", seed=args.seed, from_bench=True) as feed:
        started_ns = _record(args, feed, run_path, DemoCrew if headless else None)
        feed.stop()
    return _sum_up(args.out, run_path, started_ns)


def _record(
    args: argparse.Namespace, feed: FeedProcess, run_path: Path, crew: type[Any] | None
) -> int:
    """Record with a window (or a drawn picture); returns the monotonic ns of run time 0."""
    sheets = feed.sheets
    with start_recording(
        sheets["car"], sheets["trip"], run_path, seconds=args.seconds, report=_DemoProgress()
    ) as recording:
        started_ns = recording.session.header.started_monotonic_ns
        window = _window(recording, args, headless=crew is not None)
        keying = crew(recording.session, args.out / "feed") if crew is not None else None
        try:
            code = recording.wait(args.seconds + 300.0)
        finally:
            if keying is not None:
                keying.close()
        _close(window)
    if code != 0:
        msg = f"the recording ended with exit code {code}; see the lines above"
        raise UsageError(msg)
    return int(started_ns)


def _window(
    recording: RecordingProcess, args: argparse.Namespace, *, headless: bool
) -> subprocess.Popen[bytes]:
    words = ["--session", recording.session_path, "--png", args.out / "window.png"]
    environment = child_environment()
    if headless:
        environment["QT_QPA_PLATFORM"] = "offscreen"
        # The picture is taken just before the end, with the whole run behind it.
        shown = max(args.seconds - 2.0, 1.0)
        words += ["--seconds", f"{shown:.1f}", "--size", PICTURE_SIZE]
    else:
        words += ["--seconds", f"{max(args.seconds - 0.5, 1.0):.1f}"]
    return subprocess.Popen(
        python_command("recorder.window.qt.frame.app", *words),
        env=environment,
        stdin=subprocess.DEVNULL,
    )


def _close(window: subprocess.Popen[bytes]) -> None:
    """The window ends by itself; one that hangs is ended, since it owns nothing."""
    try:
        window.wait(30.0)
    except subprocess.TimeoutExpired:
        window.kill()
        window.wait()
        print("demo: the window did not close and was ended; the run is not touched by that")


class _DemoProgress:
    """How far the run is, a line each ten seconds, and whatever else the recording reports."""

    def __init__(self) -> None:
        self._next_s = 0.0

    def __call__(self, report: RecordingReport) -> None:
        match report:
            case Progress(status):
                if status.t_s >= self._next_s:
                    self._next_s = 10.0 * (status.t_s // 10.0 + 1.0)
                    print(f"demo: {status.t_s:.0f} s recorded", file=sys.stderr)
            case Warned(text) | CheckReport(text) | Swept(text):
                print(f"demo: {text}", file=sys.stderr)


def _sum_up(out: Path, run_path: Path, started_ns: int) -> int:
    write_truth(out / "feed", started_ns, out / "truth.csv")
    findings = verify_run(run_path)
    for finding in findings:
        print(f"demo: {finding}", file=sys.stderr)
    write_summary(run_path, out / "summary.pdf")
    for name, what in (
        ("run.h5", "the run"),
        ("truth.csv", "what the train really did"),
        ("summary.pdf", "one page"),
        ("window.png", "the window"),
    ):
        missing = "" if (out / name).exists() else "  (not made)"
        print(f"demo: {out / name}  {what}{missing}")
    print(f"demo: next: testcar info {run_path}; testcar report {run_path} --out {out}/report")
    return 1 if findings else 0

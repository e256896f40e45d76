"""What a recording at the usual rates costs of a processor core, process by process.

    python tests/benchmarks/bench_cpu_share.py [--seconds 60] [--window] [--threads]

A feed of its own sends what a car sends: four force channels at 2 kHz, a wheel, a receiver, over
TCP. Counted are user and system seconds of the recording process, of its filer and, if asked for,
of a window drawn without a screen, each as a share of one core; what starting took is left out.
Processor seconds, so that a machine busy with other things changes little. Linux.
"""

from __future__ import annotations

import argparse
import os
import subprocess
import sys
import tempfile
import time
from pathlib import Path

import psutil

from recorder.acquisition.process.launch import start_recording
from recorder.machine.child_process import child_environment, python_command
from simulated_feeds.serving.serving import start_feed
from tests.recorder.listener import Listener

SETTLE_S = 20.0
"""Imports, first pages of the rings, the window's first frames."""
FPS = 30.0


def main() -> int:
    """Print the shares."""
    parser = argparse.ArgumentParser(description=__doc__)
    parser.add_argument("--seconds", type=float, default=60.0)
    parser.add_argument("--window", action="store_true")
    parser.add_argument("--fps", type=float, default=FPS)
    parser.add_argument("--threads", action="store_true")
    args = parser.parse_args()
    with tempfile.TemporaryDirectory(prefix="bench-") as folder:
        _measure(Path(folder), args)
    return 0


def _measure(folder: Path, args: argparse.Namespace) -> None:
    lasts_s = args.seconds + SETTLE_S + 30.0
    heard = Listener()
    with start_feed(folder / "feed") as feed:
        recording = start_recording(
            feed.sheets["car"], feed.sheets["trip"], folder / "run.h5",
            seconds=lasts_s, zero_seconds=0.0, report=heard,
        )  # fmt: skip
        with recording:
            process = psutil.Process(recording.pid)
            heard.status(lambda status: bool(status.filed))
            # Beside the filer Python keeps a small process that watches over shared memory.
            filer = next(
                p for p in process.children() if "recorder.keeping.filer" in p.cmdline()
            )
            named = {"recording": process, "filer": filer}
            if args.window:
                seconds = args.seconds + SETTLE_S + 5.0
                drawn = _window(recording.session_path, folder, seconds, args.fps)
                named["window"] = psutil.Process(drawn.pid)
            time.sleep(SETTLE_S)
            _shares(named, args)
            if args.window:
                drawn.wait(60.0)
            recording.stop()
    if args.window and (folder / "frames.csv").is_file():
        rows = (folder / "frames.csv").read_text(encoding="utf-8").splitlines()[1:]
        # A row a device and frame: frame number, when it was painted, and more.
        times = sorted({float(row.split(",")[1]) for row in rows})
        print(f"window: {len(times) / (times[-1] - times[0]):.1f} frames a second painted")


def _shares(named: dict[str, psutil.Process], args: argparse.Namespace) -> None:
    before = {name: _cpu_s(p) for name, p in named.items()}
    threads = {name: _threads(p) for name, p in named.items()}
    switches = {name: p.num_ctx_switches().voluntary for name, p in named.items()}
    began = time.monotonic()
    time.sleep(args.seconds)
    took = time.monotonic() - began
    total = 0.0
    for name, process in named.items():
        share = 100.0 * (_cpu_s(process) - before[name]) / took
        woken = (process.num_ctx_switches().voluntary - switches[name]) / took
        total += share if name != "window" else 0.0
        print(
            f"{name:10s} {share:6.2f} % of a core, main thread woken {woken:.0f} times a second"
        )
        if args.threads:
            for tid, (used_s, comm) in _threads(process).items():
                of = 100.0 * (used_s - threads[name].get(tid, (0.0, ""))[0]) / took
                print(f"    {comm:16s} {of:6.2f} %")
    print(f"recording and filer {total:.2f} % of a core")
    print(f"load average {os.getloadavg()[0]:.1f} on {os.cpu_count()} cores")


def _cpu_s(process: psutil.Process) -> float:
    return float(sum(process.cpu_times()[:2]))


def _threads(process: psutil.Process) -> dict[int, tuple[float, str]]:
    names = {}
    for thread in process.threads():
        comm = Path(f"/proc/{process.pid}/task/{thread.id}/comm")
        name = comm.read_text(encoding="utf-8").strip() if comm.is_file() else "?"
        names[thread.id] = (thread.user_time + thread.system_time, name)
    return names


def _window(session: Path, folder: Path, seconds: float, fps: float) -> subprocess.Popen[bytes]:
    words: list[str | Path] = [
        "--session", session, "--seconds", f"{seconds:.1f}", "--fps", f"{fps:g}",
        "--size", "1600x1000", "--measure", folder / "frames.csv",
    ]  # fmt: skip
    return subprocess.Popen(
        python_command("recorder.window.qt.frame.app", *words),
        env=child_environment(QT_QPA_PLATFORM="offscreen"),
    )


if __name__ == "__main__":
    sys.exit(main())

"""The main job against figures: throughput, window, latency, marks, memory.

    python tests/benchmarks/bench_recording.py throughput|window|latency|marks|memory|all

``throughput`` pins the recorder to one core and the feed to another, and prints ratios against
bare h5py appending the same arrays in the same chunks, and against a plain script that unpacks
and appends frame by frame, all in one run. The others drive the real recording process (and the
window, drawn without a screen) and print what was measured. Linux.
"""

from __future__ import annotations

import argparse
import contextlib
import csv
import os
import struct
import subprocess
import sys
import tempfile
import time
from collections.abc import Iterator
from pathlib import Path
from typing import Any

import h5py
import numpy as np
import psutil

from recorder.acquisition.launch import RecordingProcess, start_recording
from recorder.run_file.reader import open_run
from simulated_feeds.feed_process import FeedProcess
from simulated_feeds.load_source import start_load

CHANNELS = 8
CHUNK = 20_000
FRAME = 20
"""Samples a frame: what our load-cell front end sends unless told otherwise."""


def main() -> int:
    """Run the chosen parts."""
    parts = {
        "throughput": throughput,
        "window": window,
        "latency": latency,
        "marks": marks,
        "memory": memory,
    }
    parser = argparse.ArgumentParser(description=__doc__)
    parser.add_argument("part", choices=[*parts, "all"])
    parser.add_argument("--seconds", type=float, default=0.0)
    args = parser.parse_args()
    for name, part in parts.items():
        if args.part in {name, "all"}:
            print(f"--- {name}", flush=True)
            with tempfile.TemporaryDirectory(prefix="bench-") as folder:
                part(Path(folder), args.seconds)
    return 0


@contextlib.contextmanager
def pinned(core: int) -> Iterator[None]:
    """Children started inside run on one core."""
    before = os.sched_getaffinity(0)
    os.sched_setaffinity(0, {core % (os.cpu_count() or 1)})
    try:
        yield
    finally:
        os.sched_setaffinity(0, before)


def throughput(folder: Path, seconds: float) -> None:
    """Port to synced file on one core."""
    rate, frame = 100_000, FRAME
    world_s = seconds or 120.0
    rows = int(world_s * rate)
    with pinned(1):
        feed = start_load(
            folder / "feed",
            channels=CHANNELS,
            sample_rate_hz=rate,
            samples_per_frame=frame,
            seconds=world_s,
            speed=0.0,
        )
    with feed:
        with pinned(0):
            recording = start_recording(
                feed.sheets["car"],
                feed.sheets["trip"],
                folder / "run.h5",
                zero_seconds=0.0,
                until_quiet_s=3.0,
            )
        began = time.monotonic()
        took = _until_filed(recording, folder / "run.h5", rows, began)
        recording.wait(600.0)
    told = recording.outcome
    with open_run(folder / "run.h5") as run:
        filed = sum(d.n for d in run.devices.values())
    samples = filed * CHANNELS
    print(f"port to file: {samples / took / 1e6:.2f} M samples/s ({filed} of {rows} rows)")
    print(f"lost {told.lost_records if told else '?'} records, sealed {told and told.sealed}")
    with pinned(0):
        bare = _bare(folder / "bare.h5", min(rows, 6_000_000))
        plain = _plain(folder / "plain.h5", frame)
    print(f"bare h5py, same arrays and chunks, synced: {bare / 1e6:.2f} M samples/s")
    print(f"plain script, frame by frame: {plain / 1e6:.4f} M samples/s")
    print(
        f"ratio to bare h5py {samples / took / bare:.2f}; to plain {samples / took / plain:.0f}"
    )


def _until_filed(recording: RecordingProcess, path: Path, rows: int, began: float) -> float:
    """Seconds until every row lies in the growing file (or no more come)."""
    held, since = 0, time.monotonic()
    while time.monotonic() - began < 600.0:
        if recording.returncode is not None:
            break
        with contextlib.suppress(OSError, ValueError), open_run(path) as run:
            now = sum(d.n for d in run.devices.values())
            if now != held:
                held, since = now, time.monotonic()
            if held >= rows or (held and time.monotonic() - since > 4.0):
                break
        time.sleep(0.02)
    return since - began


def _arrays(rows: int) -> dict[str, np.ndarray]:
    held: dict[str, np.ndarray] = {
        "tick": np.arange(rows, dtype="<u8"),
        "time_s": np.arange(rows) / 1e5,
    }
    for i in range(CHANNELS):
        held[f"raw_{i}"] = np.arange(rows, dtype="<i4")
        held[f"value_{i}"] = np.arange(rows, dtype="<f4")
        held[f"flags_{i}"] = np.zeros(rows, "u1")
    return held


def _bare(path: Path, rows: int) -> float:
    arrays = _arrays(CHUNK)
    began = time.monotonic()
    with h5py.File(path, "x", libver=("v110", "v110")) as file:
        held = {
            k: file.create_dataset(k, (0,), maxshape=(None,), chunks=(CHUNK,), dtype=a.dtype)
            for k, a in arrays.items()
        }
        file.swmr_mode = True
        for start in range(0, rows, CHUNK):
            for name, dataset in held.items():
                dataset.resize((start + CHUNK,))
                dataset[start:] = arrays[name]
            if start // CHUNK % 20 == 0:
                file.flush()
                os.fsync(file.id.get_vfd_handle())
        file.flush()
        os.fsync(file.id.get_vfd_handle())
    return rows * CHANNELS / (time.monotonic() - began)


def _plain(path: Path, frame: int) -> float:
    """What a person writes in an hour: a frame at a time, struct, one append a channel."""
    frames = 60
    body = bytes(3 * CHANNELS * frame)
    began = time.monotonic()
    with h5py.File(path, "x") as file:
        held = [
            file.create_dataset(f"c{i}", (0,), maxshape=(None,), dtype="i4")
            for i in range(CHANNELS)
        ]
        for _ in range(frames):
            columns: list[list[int]] = [[] for _ in range(CHANNELS)]
            for k in range(0, len(body), 3):
                (value,) = struct.unpack("<i", body[k : k + 3] + b"\0")
                columns[(k // 3) % CHANNELS].append(value)
            for dataset, column in zip(held, columns, strict=True):
                n = dataset.shape[0]
                dataset.resize((n + frame,))
                dataset[n:] = column
            file.flush()
            os.fsync(file.id.get_vfd_handle())
    return frames * frame * CHANNELS / (time.monotonic() - began)


def _live(
    folder: Path,
    seconds: float,
    **load: Any,  # noqa: ANN401 - checked by the source
) -> tuple[FeedProcess, RecordingProcess]:
    feed = start_load(folder / "feed", **load)
    recording = start_recording(
        feed.sheets["car"],
        feed.sheets["trip"],
        folder / "run.h5",
        seconds=seconds,
        zero_seconds=0.0,
    )
    return feed, recording


def _window(
    recording: RecordingProcess, folder: Path, seconds: float, fps: float
) -> subprocess.Popen[bytes]:
    words = [
        sys.executable, "-m", "recorder.window.app", "--session", str(recording.session_path),
        "--seconds", f"{seconds:.1f}", "--fps", f"{fps:g}", "--size", "1600x1000",
        "--measure", str(folder / "frames.csv"), "--png", str(folder / "window.png"),
    ]  # fmt: skip
    return subprocess.Popen(words, env={**os.environ, "QT_QPA_PLATFORM": "offscreen"})


def window(folder: Path, seconds: float) -> None:
    """8 channels at 20 kHz with the window drawing at 60 frames a second."""
    seconds = seconds or 60.0
    feed, recording = _live(folder, seconds + 5.0, channels=8, sample_rate_hz=20_000)
    with feed, recording:
        drawn = _window(recording, folder, seconds, 60.0)
        drawn.wait(seconds + 60.0)
        status = recording.session.status()
        recording.wait(120.0)
    print(f"outcome: {recording.outcome}")
    for device in status.devices:
        print(f"ring of {device}")
    rows = _frames(folder / "frames.csv")
    painted = np.array([r["painted_s"] for r in rows])
    if len(painted) > 2:
        print(f"{len(painted)} frames, {len(painted) / np.ptp(painted):.1f} a second")


def latency(folder: Path, seconds: float) -> None:
    """Byte written by the feed to drawn on the trace."""
    seconds = seconds or 30.0
    feed, recording = _live(folder, seconds + 5.0, channels=4, sample_rate_hz=2_000,
                            samples_per_frame=20, step_every_s=0.25)  # fmt: skip
    with feed, recording:
        drawn = _window(recording, folder, seconds, 60.0)
        drawn.wait(seconds + 60.0)
        recording.wait(120.0)
    rows = _frames(folder / "frames.csv")
    late = [
        r["painted_s"] - r[key]
        for r in rows
        for key in r
        if key.endswith("received_s") and np.isfinite(r[key])
    ]
    fresh = np.array(late[30:])
    if len(fresh):
        p50, p99 = np.quantile(fresh, (0.5, 0.99)) * 1000.0
        print(f"received to painted: median {p50:.1f} ms, 99th percentile {p99:.1f} ms")
        print(
            "plus the feed's frame of 10 ms and the port, below a millisecond on this machine"
        )


def _frames(path: Path) -> list[dict[str, float]]:
    with path.open(encoding="utf-8", newline="") as stream:
        return [
            {k: float(v) if v else float("nan") for k, v in row.items() if _number(v)}
            for row in csv.DictReader(stream)
        ]


def _number(text: str) -> bool:
    try:
        float(text or "nan")
    except ValueError:
        return False
    return True


def marks(folder: Path, seconds: float) -> None:
    """Key-down to durable acknowledgement."""
    feed, recording = _live(folder, 30.0, channels=4, sample_rate_hz=2_000)
    took = []
    with feed, recording:
        session = recording.session
        for i in range(200):
            keyed = time.monotonic_ns()
            mark = session.mark("remark", keyed, f"mark {i}")
            took.append((time.monotonic_ns() - keyed) / 1e6)
            expected = (keyed - session.header.started_monotonic_ns) / 1e9
            if abs(mark.t_s - expected) > 2e-3:
                print(f"mark {i} is {abs(mark.t_s - expected) * 1000:.2f} ms off")
        recording.stop()
    p50, p99 = np.quantile(took, (0.5, 0.99))
    print(f"200 marks: median {p50:.2f} ms, 99th percentile {p99:.2f} ms, most {max(took):.2f}")
    del seconds


def memory(folder: Path, seconds: float) -> None:
    """Memory of the recording process over ten minutes."""
    seconds = seconds or 600.0
    feed, recording = _live(folder, seconds + 20.0, channels=4, sample_rate_hz=2_000)
    held = []
    with feed, recording:
        process = psutil.Process(recording.pid)
        end = time.monotonic() + seconds
        while time.monotonic() < end:
            time.sleep(5.0)
            family = [process, *process.children(recursive=True)]
            held.append([p.memory_info().rss / 2**20 for p in family])
        recording.stop()
    own = np.array([h[0] for h in held])
    after = own[len(own) // 10 :]
    print(f"recording process {after[0]:.1f} MiB, {after.min():.1f} to {after.max():.1f}")
    print(f"change {100 * (after.max() - after.min()) / after[0]:.2f} % after the first tenth")


if __name__ == "__main__":
    sys.exit(main())

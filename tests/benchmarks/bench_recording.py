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

from recorder.acquisition.process.launch import RecordingProcess, start_recording
from recorder.machine.child_process import child_environment, python_command
from recorder.machine.clocks import now_ns
from recorder.run_file.hdf5.reader import open_run
from simulated_feeds.devices.wire import load_cell_frames
from simulated_feeds.serving.feed_process import FeedProcess
from simulated_feeds.serving.load_source import DEVICE, start_load

CHANNELS = 8
RATE = 100_000
CHUNK = 20_000
SYNC_S = 2.0
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
    """Port to synced file on one core; the feed on the other.

    Time runs from the first bytes in hand until the last row is in the run file and synced.
    """
    frame = 20
    rows = int((seconds or 80.0) * RATE) // frame * frame
    with pinned(1):
        feed = start_load(
            folder / "feed", channels=CHANNELS, sample_rate_hz=RATE, samples_per_frame=frame,
            # A frame is given out before the end, not at it: half a frame more for the last one.
            seconds=(rows + 0.5 * frame) / RATE, speed=0.0,
        )  # fmt: skip
    with feed:
        with pinned(0):
            recording = start_recording(
                feed.sheets["car"], feed.sheets["trip"], folder / "run.h5",
                zero_seconds=0.0, seconds=300.0,
            )  # fmt: skip
        ended_ns, cpu_s = _until_synced(recording, feed, rows)
        recording.wait(600.0)
    told = recording.outcome
    with open_run(folder / "run.h5") as run:
        device = run.devices[DEVICE]
        filed = device.n
        first = device.blocks(0, 1)["received_s"][0]
        began_ns = run.header.started_monotonic_ns + int(first * 1e9)
    took = (ended_ns - began_ns) / 1e9
    with pinned(0):
        bare, bare_cpu = _bare(folder / "run.h5", folder / "bare.h5", min(rows, 2_000_000))
        plain = _plain(folder / "plain.h5", frame)
    ours = filed * CHANNELS / took
    lost = told.lost_records if told else "?"
    print(
        f"{CHANNELS} channels, frames of {frame} samples, {filed} of {rows} rows, lost {lost}"
    )
    print(f"port to synced file: {took:.1f} s, {ours / 1e6:.2f} M samples/s on one core")
    print(f"  of processor time: {filed * CHANNELS / cpu_s / 1e6:.2f} M samples/s")
    print(f"bare h5py, the same arrays and chunks, synced: {bare / 1e6:.2f} M samples/s")
    print(f"  of processor time: {bare_cpu / 1e6:.2f} M samples/s")
    print(f"plain script, frame by frame: {plain / 1e6:.4f} M samples/s")
    print(f"ratio to bare h5py {ours / bare:.2f}, to the plain script {ours / plain:.0f}")
    print(f"  of processor time to bare {filed * CHANNELS / cpu_s / bare_cpu:.2f}")
    print(f"load average {os.getloadavg()[0]:.1f} on {os.cpu_count()} cores")


def _until_synced(
    recording: RecordingProcess, feed: FeedProcess, rows: int
) -> tuple[int, float]:
    """Monotonic instant at which every row is in the synced run file; processor time, s."""
    process = psutil.Process(recording.pid)
    family = [process, *process.children(recursive=True)]
    before = used = _cpu_s(family)
    feed.wait(600.0)
    session = recording.session
    stopped = False
    ended = False
    while not ended:
        with contextlib.suppress(psutil.NoSuchProcess):
            used = _cpu_s(family)
        status = session.status()
        if not stopped and status.devices[DEVICE].records >= rows:
            session.stop("all rows came")
            stopped = True
        if status.filed.get(DEVICE, 0) >= rows:
            break
        ended = _ended_within(recording, 0.01)
    return now_ns(), used - before


def _ended_within(recording: RecordingProcess, seconds: float) -> bool:
    """Wait for its end, for so long at the most; whether it has ended."""
    try:
        recording.wait(seconds)
    except TimeoutError:
        return False
    return True


def _cpu_s(family: list[psutil.Process]) -> float:
    return sum(sum(p.cpu_times()[:2]) for p in family)


def _bare(run_path: Path, path: Path, rows: int) -> tuple[float, float]:
    """Samples a second of wall clock, and of processor time, for h5py alone.

    The arrays of the recorded run, a chunk at a time, flushed and synced as often as the run
    file is.
    """
    with h5py.File(run_path, "r") as run:
        arrays = {n: d[:rows] for n, d in run[f"devices/{DEVICE}"].items()}
        chunks = {n: d.chunks for n, d in run[f"devices/{DEVICE}"].items()}
    began, began_cpu = time.monotonic(), time.process_time()
    with h5py.File(path, "x", libver=("v110", "v110")) as file:
        held = {
            n: file.create_dataset(n, (0,), maxshape=(None,), chunks=chunks[n], dtype=a.dtype)
            for n, a in arrays.items()
        }
        file.swmr_mode = True
        synced = began
        for start in range(0, rows, CHUNK):
            stop = min(start + CHUNK, rows)
            for name, dataset in held.items():
                dataset.resize((stop,))
                dataset[start:stop] = arrays[name][start:stop]
            if time.monotonic() - synced > SYNC_S:
                _sync(file)
                synced = time.monotonic()
        _sync(file)
    took, took_cpu = time.monotonic() - began, time.process_time() - began_cpu
    return rows * CHANNELS / took, rows * CHANNELS / took_cpu


def _sync(file: h5py.File) -> None:
    file.flush()
    os.fsync(file.id.get_vfd_handle())


def _plain(path: Path, frame: int) -> float:
    """Samples a second of what a person writes in an hour, given the frames in memory.

    Head and samples by struct, one append a channel and frame, a flush a frame; no checksum,
    no calibration, no sync.
    """
    counts = np.zeros((1, frame, CHANNELS), np.int64)
    (body,) = load_cell_frames(
        counts, first_sequence=0, first_ticks=np.zeros(1, np.int64),
        step_ticks=10, tick_hz=1_000_000,
    )  # fmt: skip
    frames = 600
    began = time.monotonic()
    with h5py.File(path, "x") as file:
        held = [
            file.create_dataset(f"ch{i}", (0,), maxshape=(None,), dtype="i4")
            for i in range(CHANNELS)
        ]
        ticks = file.create_dataset("tick", (0,), maxshape=(None,), dtype="u8")
        for _ in range(frames):
            data = bytes(body)
            _, _, channels, n, _, tick, step, _ = struct.unpack_from("<HBBHIIII", data)
            columns: list[list[int]] = [[] for _ in range(channels)]
            for k in range(n * channels):
                at = 22 + 3 * k
                sign = b"\xff" if data[at + 2] & 0x80 else b"\0"
                (value,) = struct.unpack("<i", data[at : at + 3] + sign)
                columns[k % channels].append(value)
            for dataset, column in zip(held, columns, strict=True):
                dataset.resize((dataset.shape[0] + n,))
                dataset[-n:] = column
            ticks.resize((ticks.shape[0] + n,))
            ticks[-n:] = [tick + i * step for i in range(n)]
            file.flush()
    return frames * frame * CHANNELS / (time.monotonic() - began)


def _live(
    folder: Path,
    seconds: float,
    **load: Any,
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
    words: list[str | Path] = [
        "--session", recording.session_path,
        "--seconds", f"{seconds:.1f}", "--fps", f"{fps:g}", "--size", "1600x1000",
        "--measure", folder / "frames.csv", "--png", folder / "window.png",
    ]  # fmt: skip
    return subprocess.Popen(
        python_command("recorder.window.qt.frame.app", *words),
        env=child_environment(QT_QPA_PLATFORM="offscreen"),
    )


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
            keyed = now_ns()
            mark = session.mark("remark", keyed, f"mark {i}")
            took.append((now_ns() - keyed) / 1e6)
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
        while time.monotonic() < end and not _ended_within(recording, 5.0):
            family = [process, *process.children(recursive=True)]
            held.append([p.memory_info().rss / 2**20 for p in family])
    own = np.array([h[0] for h in held])
    after = own[len(own) // 10 :]
    print(f"recording process {after[0]:.1f} MiB, {after.min():.1f} to {after.max():.1f}")
    print(f"change {100 * (after.max() - after.min()) / after[0]:.2f} % after the first tenth")


if __name__ == "__main__":
    sys.exit(main())

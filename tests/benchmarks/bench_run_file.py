"""Journal and filer against bare h5py; the seal, opening and checking of a long run.

    python tests/benchmarks/bench_run_file.py [--records 4000000] [--hours 0]

Prints rates and ratios of one run. ``--hours H`` also makes a run of H hours at 2 kHz with
4 channels, and tells time and memory of the seal.
"""

from __future__ import annotations

import argparse
import os
import sys
import tempfile
import threading
import time
import uuid
from collections.abc import Callable, Iterator
from dataclasses import dataclass
from functools import partial
from pathlib import Path
from typing import Any

import h5py
import numpy as np
from numpy.typing import NDArray

from calibration.certificates.certificate import dump_certificate
from calibration.certificates.force import ForceCertificate
from calibration.clock.tick_line import TickLine
from recorder.keeping.filer import follow
from recorder.keeping.journal import Journal
from recorder.keeping.seal import seal
from recorder.run.parts.block import Block
from recorder.run.parts.header import ChannelHeader, DeviceHeader, RunHeader
from recorder.run_file.hdf5.reader import open_run
from recorder.run_file.proof.parts.proof import State
from recorder.run_file.proof.whole.prove_file import prove_file
from recorder.run_file.seal.verify import verify_run

CHANNELS = 4
CHUNK = 20_000
TICK_HZ = 1_000_000.0


def header() -> RunHeader:
    """A run of one load cell with four force channels."""
    cell = ForceCertificate.from_coefficients([0.0, 1e-4, 1e-13], capacity_kN=900.0)
    channels = tuple(
        ChannelHeader(
            name="pull" if i == 0 else f"pull_{i}",
            quantity="pull",
            unit="kN",
            field=f"ch{i}",
            certificate="cell",
        )
        for i in range(CHANNELS)
    )
    device = DeviceHeader(
        name="cell",
        driver="load-cell-frames",
        port="none",
        dtype=[["tick", "<u8"], *([f"ch{i}", "<i4"] for i in range(CHANNELS))],
        tick_hz=TICK_HZ,
        channels=channels,
    )
    return RunHeader(
        run_id=uuid.uuid4().hex,
        started_utc_ns=time.time_ns(),
        started_monotonic_ns=0,
        boot_id="",
        software="benchmark",
        car_sheet="",
        trip_sheet="",
        certificates={"cell": dump_certificate(cell)},
        devices=(device,),
    )


def commits(head: RunHeader, records: int, commit: int, block: int) -> Iterator[list[Block]]:
    """Commits of blocks of made-up counts at an even step of the ticks."""
    dtype = head.devices[0].record_dtype
    step = 500
    rng = np.random.default_rng(1)
    noise = rng.integers(-2000, 2000, (commit, CHANNELS), dtype=np.int32)
    for start in range(0, records, commit):
        held = np.zeros(min(commit, records - start), dtype)
        held["tick"] = np.arange(start, start + len(held), dtype=np.uint64) * step
        for i in range(CHANNELS):
            held[f"ch{i}"] = noise[: len(held), i] + 100_000 * i
        yield [
            Block(
                device="cell",
                sequence=(start + at) // block,
                received_s=(start + at + block) * step / TICK_HZ + 0.002,
                records=held[at : at + block],
                line=TickLine(tick0=0, t0_s=0.001, s_per_tick=1.0 / TICK_HZ),
            )
            for at in range(0, len(held), block)
        ]


@dataclass(frozen=True)
class Cost:
    """What some work took."""

    wall_s: float
    core_s: float
    """Processor time, which other work on the machine and a busy disk do not touch."""

    def __add__(self, other: Cost) -> Cost:
        return Cost(self.wall_s + other.wall_s, self.core_s + other.core_s)

    def told(self, samples: int) -> str:
        """Rate and times."""
        rate = samples / self.wall_s / 1e6
        return f"{rate:7.2f} M samples/s, {self.wall_s:.2f} s, processor {self.core_s:.2f} s"


def cost(work: Callable[[], object]) -> Cost:
    """Do some work and tell what it took."""
    wall, core = time.perf_counter(), time.process_time()
    work()
    return Cost(time.perf_counter() - wall, time.process_time() - core)


def ours(folder: Path, records: int, commit: int, block: int) -> tuple[Cost, Cost]:
    """Cost of the journal, and of the filer after it: one core's whole work."""
    head = header()
    pieces = list(commits(head, records, commit, block))
    journal = Journal.create(folder / "run.h5.journal", head)
    kept = cost(lambda: _keep(journal, pieces))
    stop = threading.Event()
    stop.set()
    filed = cost(lambda: follow(folder / "run.h5.journal", folder / "run.h5", stop))
    journal.close()
    return kept, filed


def _keep(journal: Journal, pieces: list[list[Block]]) -> None:
    for blocks in pieces:
        journal.append(blocks)


def bare(arrays: dict[str, NDArray[Any]], target: Path, commit: int) -> None:
    """Append the same arrays with bare h5py in the same chunks, synced as often."""
    n = len(arrays["tick"])
    with h5py.File(target, "x", libver=("v110", "v110")) as file:
        columns = {
            name: file.create_dataset(
                name, shape=(0,), maxshape=(None,), chunks=(CHUNK,), dtype=array.dtype
            )
            for name, array in arrays.items()
        }
        for i, at in enumerate(range(0, n, commit)):
            for name, column in columns.items():
                piece = arrays[name][at : at + commit]
                column.resize((at + len(piece),))
                column[at:] = piece
            if i % 8 == 7:
                file.flush()
                os.fsync(file.id.get_vfd_handle())
        file.flush()
        os.fsync(file.id.get_vfd_handle())


def peak_memory_mb() -> float:
    """Peak resident memory of this process so far."""
    if sys.platform == "win32":
        return float("nan")
    import resource

    return resource.getrusage(resource.RUSAGE_SELF).ru_maxrss / 1024


def throughput(folder: Path, records: int) -> None:
    """Print the ratio to bare h5py for a fast and for an everyday stream."""
    for what, commit, block in (
        ("fast stream, 62,500 records a commit", 62_500, 500),
        ("2 kHz, 500 records a commit in blocks of 20", 500, 20),
    ):
        count = records if commit > 1000 else records // 8
        place = folder / str(commit)
        place.mkdir()
        kept, filed = ours(place, count, commit, block)
        with h5py.File(place / "run.h5", "r") as file:
            arrays = {name: column[:] for name, column in file["devices/cell"].items()}
        plain = cost(partial(bare, arrays, place / "bare.h5", commit))
        samples, both = count * CHANNELS, kept + filed
        print(f"{what}: {count:,} records of {CHANNELS} channels")
        print(f"  journal {kept.told(samples)}")
        print(f"  filer   {filed.told(samples)}")
        print(f"  both    {both.told(samples)}")
        print(f"  bare    {plain.told(samples)}")
        print(
            f"  ratio to bare h5py: {100 * plain.wall_s / both.wall_s:.0f} % of the clock,"
            f" {100 * plain.core_s / both.core_s:.0f} % of the processor"
        )


def long_run(folder: Path, hours: float) -> None:
    """Seal, open, draw and verify a long run, with the memory each took."""
    head = header()
    records = int(hours * 3600 * 2000)
    journal = Journal.create(folder / "long.h5.journal", head)
    stop = threading.Event()
    filer = threading.Thread(
        target=follow, args=(folder / "long.h5.journal", folder / "long.h5", stop)
    )
    filer.start()
    for blocks in commits(head, records, 500, 20):
        journal.append(blocks, [])
    journal.close()
    stop.set()
    filer.join()
    print(f"{hours:g} h at 2 kHz: filed, peak memory {peak_memory_mb():.0f} MB")
    start = time.perf_counter()
    seal(folder / "long.h5.journal", folder / "long.h5")
    size = (folder / "long.h5").stat().st_size
    print(f"  seal   {time.perf_counter() - start:6.2f} s, {size / 1e9:.2f} GB")
    print(f"  peak memory {peak_memory_mb():.0f} MB")
    start = time.perf_counter()
    with open_run(folder / "long.h5") as run:
        print(f"  open   {time.perf_counter() - start:6.3f} s")
        for span in (1.0, 60.0, 3600.0 * hours):
            start = time.perf_counter()
            run.overview("pull", 0.0, span, 1600)
            print(f"  overview of {span:g} s: {1000 * (time.perf_counter() - start):.1f} ms")
    start = time.perf_counter()
    findings = verify_run(folder / "long.h5")
    print(f"  verify {time.perf_counter() - start:6.2f} s, {len(findings)} findings")
    before = peak_memory_mb()
    start = time.perf_counter()
    proofs = prove_file(folder / "long.h5")
    wrong = [proof.line for proof in proofs if proof.state is State.CONTRADICTED]
    print(f"  prove  {time.perf_counter() - start:6.2f} s, {len(wrong)} contradictions {wrong}")
    print(f"  peak memory {peak_memory_mb():.0f} MB, {before:.0f} MB before the proof")


def main() -> None:
    """Run it."""
    parser = argparse.ArgumentParser(description=__doc__.splitlines()[0] if __doc__ else "")
    parser.add_argument("--records", type=int, default=4_000_000)
    parser.add_argument("--hours", type=float, default=0.0)
    args = parser.parse_args()
    with tempfile.TemporaryDirectory() as folder:
        if args.records:
            throughput(Path(folder), args.records)
        if args.hours:
            long_run(Path(folder), args.hours)


if __name__ == "__main__":
    main()

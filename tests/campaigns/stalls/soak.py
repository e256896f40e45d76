"""Hours of recording: memory and log stay as they are, and nothing is lost.

    PYTHONPATH=. .venv/bin/python tests/campaigns/stalls/soak.py --hours 4 --out SOAK
    PYTHONPATH=. .venv/bin/python tests/campaigns/stalls/soak.py --simulated-hours 100 --out SOAK

``--hours`` records a feed on real ports at its own pace (four channels at 2 kHz, wheel,
receiver), a mark every half minute. ``--simulated-hours`` records days of ten hours in simulated
time, one after the other, each deleted when it has been looked at. Printed: for every row of
time memory of the recording and its children, largest log of the journal, longest commit,
records, dropped ones; at the end what the feed's truth says. Exit code 1 when anything is lost,
or memory has grown by more than a quarter since the first quarter of the time.
"""

from __future__ import annotations

import argparse
import shutil
import sys
import time
import uuid
from collections.abc import Sequence
from dataclasses import dataclass, field
from pathlib import Path
from typing import Final

import psutil

from recorder.acquisition.preparation.settings import RecordingSettings
from recorder.acquisition.process.launch import RecordingProcess, start_recording
from recorder.acquisition.process.reports import Progress, RecordingReport
from recorder.acquisition.process.simulated import ORIGIN_NS, PORT, Desk, record_simulated
from recorder.machine.version import BUILT_ON
from recorder.run_file.hdf5.reader import open_run
from simulated_feeds.devices.emission import DeviceName
from simulated_feeds.outing.scenario import make_scenario
from simulated_feeds.outing.simulated_outing import SimulatedOuting
from simulated_feeds.outing.truth import TRUTH, TruthWriter, write_truth
from simulated_feeds.physics.coarse_train import CoarseTrain
from simulated_feeds.serving.serving import start_feed, write_note
from simulated_feeds.sheets.sheet_files import write_sheets
from tests.campaigns.faults.jobs import surroundings
from tests.campaigns.faults.tally import tell
from tests.campaigns.stalls.against_truth import Held, hold

__all__ = ["main"]

MARK_EVERY_S: Final = 30.0
LOOK_S: Final = 1.0
MOST_GROWTH: Final = 1.25
PART_H: Final = 10.0
"""Of simulated time in one run."""
SIMULATED_RATE_HZ: Final = 200
REAL_RATE_HZ: Final = 2000
UTC0_NS: Final = (BUILT_ON.toordinal() - 719_163) * 86_400 * 10**9
HEAD: Final = (
    f"{'hours':>8} {'recording':>10} {'children':>9} {'log MiB':>8} {'commit s':>9}"
    f" {'records':>12} {'dropped':>8}"
)


@dataclass
class Sizes:
    """Memory and log as they went; rows are printed as they come."""

    run: Path
    pid: int
    rss: list[float] = field(default_factory=list)
    """MiB of the recording, a row each."""
    largest_log: float = 0.0
    longest_s: float = 0.0
    records: int = 0
    dropped: int = 0

    def look(self) -> None:
        """The log, between rows."""
        log = self.run.with_name(self.run.name + ".journal-wal")
        if log.exists():
            self.largest_log = max(self.largest_log, log.stat().st_size / 2**20)

    def row(self, hours: float) -> None:
        """Print one."""
        process = psutil.Process(self.pid)
        self.rss.append(process.memory_info().rss / 2**20)
        children = sum(c.memory_info().rss for c in process.children(recursive=True)) / 2**20
        tell(
            f"{hours:8.2f} {self.rss[-1]:10.1f} {children:9.1f} {self.largest_log:8.1f}"
            f" {self.longest_s:9.3f} {self.records:12} {self.dropped:8}"
        )
        self.largest_log = self.longest_s = 0.0

    def findings(self) -> list[str]:
        """Growth of memory after the first quarter."""
        early = self.rss[max(len(self.rss) // 4 - 1, 0)] if self.rss else 0.0
        if self.rss and self.rss[-1] > MOST_GROWTH * early:
            return [f"memory grew from {early:.1f} to {self.rss[-1]:.1f} MiB"]
        return []


def _told(held: Held, marks: int) -> list[str]:
    tell(
        f"{held.records} samples of the cell, {held.lost} lost, {held.untold} of them untold,"
        f" {len(held.gaps)} gaps, {marks} marks; latest sample {held.latest_s:.6f} s beyond its"
        " receipt"
    )
    return list(held.findings)


# ---------------------------------------------------------------------- at its own pace


def _real(hours: float, out: Path, seed: int, every_s: float) -> list[str]:
    seconds = 3600.0 * hours
    surroundings(out / "runtime")
    with start_feed(out / "feed", seed=seed, seconds=seconds + 60.0, truth_hz=10.0) as feed:
        sizes = Sizes(out / "run.h5", 0)

        def report(report: RecordingReport) -> None:
            if isinstance(report, Progress):
                status = report.status
                sizes.longest_s = max(sizes.longest_s, status.keep_s)
                sizes.records = sum(d.records for d in status.devices.values())
                sizes.dropped = status.dropped_records

        recording = start_recording(
            feed.sheets["car"], feed.sheets["trip"], sizes.run, seconds=seconds,
            zero_seconds=0.0, report=report,
        )  # fmt: skip
        sizes.pid = recording.pid
        started_ns = recording.session.header.started_monotonic_ns
        marks = _ride(recording, sizes, seconds, every_s)
        code = recording.wait(1800.0)
        outcome = recording.outcome
    findings = sizes.findings()
    if code or outcome is None or outcome.lost_records:
        findings.append(f"the recording ended with {code}: {outcome}")
    write_truth(out / "feed", started_ns, out / TRUTH)
    held = hold(sizes.run, marks, rate_hz=REAL_RATE_HZ, truth=out / TRUTH)
    if held.lost:
        findings.append(f"{held.lost} samples lost")
    return [*findings, *_told(held, len(marks))]


def _ride(
    recording: RecordingProcess, sizes: Sizes, seconds: float, every_s: float
) -> list[str]:
    """Key marks and print rows until just before the end."""
    tell(HEAD)
    began, marks = time.monotonic(), list[str]()
    next_row, next_mark = every_s, MARK_EVERY_S
    while (passed := time.monotonic() - began) < seconds - 5.0:
        sizes.look()
        if passed >= next_mark:
            next_mark += MARK_EVERY_S
            taken = recording.session.mark("remark", time.monotonic_ns(), f"{len(marks)}")
            marks.append(taken.mark_id)
        if passed >= next_row:
            next_row += every_s
            sizes.row(passed / 3600.0)
        time.sleep(LOOK_S)
    sizes.row(seconds / 3600.0)
    return marks


# ---------------------------------------------------------------------- in simulated time


class Crew:
    """Keys a mark every half minute of the day, and has a row printed every hour."""

    def __init__(self, sizes: Sizes, before_h: float) -> None:
        self.marks: list[str] = []
        self._sizes, self._before_h = sizes, before_h
        self._mark_s, self._row_s = MARK_EVERY_S, 3600.0

    def look(self, now_s: float, desk: Desk) -> None:
        """Key what is due."""
        self._sizes.look()
        if now_s >= self._mark_s:
            self._mark_s += MARK_EVERY_S
            self.marks.append(desk.key("remark", f"{len(self.marks)}", now_s).mark_id)
        if now_s >= self._row_s:
            self._row_s += 3600.0
            self._sizes.row(self._before_h + now_s / 3600.0)


def _simulated_part(hours: float, before_h: float, sizes: Sizes, seed: int) -> list[str]:
    folder, seconds = sizes.run.parent, 3600.0 * hours
    folder.mkdir()
    made = make_scenario(
        seed, utc0_ns=UTC0_NS, cars=3, channels=1, sample_rate_hz=SIMULATED_RATE_HZ,
        depart_t_s=60.0,
    )  # fmt: skip
    ports = {str(name): f"{PORT}{name}" for name in DeviceName}
    sheets = write_sheets(folder, made, ports)
    write_note(folder, {
        "seed": seed, "speed": 1.0, "ports": ports, "simulated0_monotonic_ns": ORIGIN_NS,
        "utc0_ns": UTC0_NS,
    })  # fmt: skip
    crew = Crew(sizes, before_h)
    with (folder / TRUTH).open("w", encoding="utf-8", newline="") as stream:
        outing = SimulatedOuting(
            made, truth=TruthWriter(stream, utc0_ns=UTC0_NS, rate_hz=5.0), until_s=seconds,
            mover=CoarseTrain(made.journey), stretch_steps=500,
        )  # fmt: skip
        outcome = record_simulated(
            RecordingSettings(
                car_sheet=sheets.car, trip_sheet=sheets.trip, out=sizes.run,
                seconds=seconds - 1.0, zero_seconds=0.0,
            ),
            outing, utc0_ns=UTC0_NS, crew=crew, seed=seed,
        )  # fmt: skip
    sizes.records += sum(outcome.records.values())
    sizes.dropped += outcome.lost_records
    sizes.row(before_h + hours)
    findings = [f"ended: {outcome.problem}"] if outcome.exit_code else []
    return [*findings, *_simulated_held(sizes.run, crew)]


def _simulated_held(path: Path, crew: Crew) -> list[str]:
    truth = path.with_name("truth_of_run.csv")
    with open_run(path) as run:
        write_truth(path.parent, run.header.started_monotonic_ns, truth)
    held = hold(path, crew.marks, rate_hz=SIMULATED_RATE_HZ, truth=truth)
    lost = [f"{held.lost} samples lost"] if held.lost else []
    return [*lost, *_told(held, len(crew.marks))]


def _simulated(hours: float, out: Path, seed: int) -> list[str]:
    surroundings(out / "runtime")
    tell(HEAD)
    findings: list[str] = []
    done_h, sizes = 0.0, Sizes(out / "part" / "run.h5", psutil.Process().pid)
    while done_h < hours:
        part_h = min(PART_H, hours - done_h)
        findings += _simulated_part(part_h, done_h, sizes, seed + round(done_h))
        shutil.rmtree(out / "part")
        done_h += part_h
    return [*findings, *sizes.findings()]


def main(arguments: Sequence[str] | None = None) -> int:
    """Record, look, print."""
    parser = argparse.ArgumentParser(description=__doc__.split("\n", maxsplit=1)[0])
    parser.add_argument("--hours", type=float, default=0.0, help="at its own pace, e.g. 4")
    parser.add_argument("--simulated-hours", type=float, default=0.0, help="e.g. 100")
    parser.add_argument("--every", type=float, default=600.0, help="seconds from row to row")
    parser.add_argument("--seed", type=int, default=1)
    parser.add_argument("--out", type=Path, required=True, help="an empty or new folder")
    given = parser.parse_args(arguments)
    given.out.mkdir(parents=True, exist_ok=True)
    findings: list[str] = []
    if given.hours:
        place = given.out / f"real-{uuid.uuid4().hex[:6]}"
        place.mkdir()
        findings += _real(given.hours, place, given.seed, given.every)
    if given.simulated_hours:
        place = given.out / f"simulated-{uuid.uuid4().hex[:6]}"
        place.mkdir()
        findings += _simulated(given.simulated_hours, place, given.seed)
    for line in findings:
        tell(f"lost or wrong: {line}")
    tell("nothing lost" if not findings else f"{len(findings)} findings")
    return 1 if findings else 0


if __name__ == "__main__":
    sys.exit(main())

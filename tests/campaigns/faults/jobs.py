"""What is cut short in these campaigns: the product's own writing, in small.

Each job writes into one folder and says what it was told is kept, one line each, through ``ack``:
a line is written only after the product has said so. ``held`` then asks for every such line.
Run as a script it does one job in a process of its own: ``jobs.py NAME FOLDER ACKS SEED``.
"""

from __future__ import annotations

import contextlib
import io
import os
import random
import sys
import uuid
from collections.abc import Callable
from dataclasses import replace
from datetime import UTC, datetime
from enum import StrEnum
from pathlib import Path
from typing import Final
from unittest import mock

from calibration.bench.plan import make_plan
from calibration.bench.session import BenchSession
from calibration.readings.bench_settings import BenchSettings
from recorder.acquisition.control.session_files import FOLDER_VARIABLE
from recorder.acquisition.preparation.settings import RecordingSettings
from recorder.acquisition.process import simulated
from recorder.acquisition.process.reports import RecordingReport, Stopping
from recorder.acquisition.process.simulated_desk import Desk
from recorder.acquisition.safekeeping.keeper import Keeper
from recorder.acquisition.safekeeping.mark_register import MarkRegister
from recorder.command_line.main import main
from recorder.keeping.journal import Journal
from recorder.keeping.seal import recover
from recorder.machine.version import BUILT_ON, software
from recorder.marks.kinds import Kind
from recorder.run_file.hdf5.reader import open_run
from simulated_feeds.devices.emission import DeviceName
from simulated_feeds.outing.scenario import Scenario, make_scenario
from simulated_feeds.outing.simulated_outing import SimulatedOuting
from simulated_feeds.physics.coarse_train import CoarseTrain
from simulated_feeds.sheets.sheet_files import CAR, TRIP, write_sheets

__all__ = [
    "JOBS",
    "JOURNAL",
    "RUN",
    "Ack",
    "Job",
    "JobName",
    "commands",
    "surroundings",
    "tell_acks",
]

Ack = Callable[[str], None]
Job = Callable[[Path, Ack, int], None]

RUN: Final = "run.h5"
JOURNAL: Final = "run.h5.journal"
SECONDS: Final = 40.0
"""Of simulated time that are recorded."""
SPEED: Final = 40.0
"""Simulated seconds in one of the computer's, so that the filer keeps abreast."""
KEEP_S: Final = 1.0
"""Between two commits of a simulated recording here: many more instants to be cut at."""
PATIENCE_S: Final = 2.0
"""At the stop what fails is tried for so long here, not for half a minute."""
KEYED_S: Final = 0.1
"""And the crew is told after so long that a mark is not kept yet."""
UTC0_NS: Final = (BUILT_ON.toordinal() - 719_163) * 86_400 * 10**9 + 43_200 * 10**9
ENTRIES: Final = 12
"""Added to a companion."""
READINGS: Final = 12
"""Typed in a bench session."""


class RefusedError(ValueError):
    """A command line ended with other than 0; what it said."""


class JobName(StrEnum):
    """Whose writing is cut short."""

    RECORD = "record"
    RECOVER = "recover"
    COMPANION = "companion"
    BENCH = "bench"
    CERTIFICATE = "certificate"


def tell_acks(path: Path) -> Ack:
    """Acknowledgements go into a file at once, each with one call of the system."""
    handle = os.open(path, os.O_WRONLY | os.O_CREAT | os.O_APPEND, 0o600)

    def ack(text: str) -> None:
        os.write(handle, f"{text}\n".encode())

    return ack


def surroundings(place: Path) -> None:
    """Sessions of these campaigns are found by nobody else; no passphrase is asked for."""
    os.environ["TESTCAR_KEY_PASSPHRASE"] = "of a campaign"
    place.mkdir(parents=True, exist_ok=True)
    os.environ[FOLDER_VARIABLE] = str(place)


# ---------------------------------------------------------------------- a recording


def scenario(seed: int) -> Scenario:
    """Three devices that send little."""
    made = make_scenario(
        seed, utc0_ns=UTC0_NS, cars=3, channels=1, sample_rate_hz=200, depart_t_s=5.0
    )
    return replace(made, wheel=replace(made.wheel, frame_s=0.1))


class Crew:
    """Keys a mark at every look, and corrects every third."""

    def __init__(self, ack: Ack, seed: int) -> None:
        self._ack = ack
        self._chance = random.Random(seed)
        self._n = 0

    def look(self, now_s: float, desk: Desk) -> None:
        """Key, and say what was kept."""
        if not 1.0 < now_s < SECONDS - 1.0 or self._chance.random() < 0.5:
            return
        self._n += 1
        mark = desk.key(Kind.REMARK, f"{self._n}", now_s)
        self._ack(f"mark {mark.mark_id} {mark.revision}")
        if self._n % 3 == 0:
            again = desk.revise(mark.revised(value=f"{self._n} again"))
            self._ack(f"mark {again.mark_id} {again.revision}")


def _told_append(ack: Ack) -> Callable[..., None]:
    """``Journal.append`` that says what it has kept, once it has returned."""
    append = Journal.append
    kept: dict[str, int] = {}
    events = 0

    def told(journal: Journal, blocks: list[object], items: tuple[object, ...] = ()) -> None:
        nonlocal events
        append(journal, blocks, items)  # type: ignore[arg-type]  # as they came
        for block in blocks:
            device, n = block.device, len(block.records)  # type: ignore[attr-defined]  # a block
            kept[device] = kept.get(device, 0) + n
        events += len(list(items))
        for device, total in kept.items():
            ack(f"records {device} {total}")
        ack(f"events {events}")

    return told


def record(folder: Path, ack: Ack, seed: int) -> None:
    """A recording in simulated time, with its filer, from the start to the sealed file."""
    made = scenario(seed)
    sheets = folder.parent / "sheets"
    if not sheets.exists():
        sheets.mkdir()
        write_sheets(
            sheets, made, {str(name): f"{simulated.PORT}{name}" for name in DeviceName}
        )

    def report(report: RecordingReport) -> None:
        if isinstance(report, Stopping):
            ack("stopping")

    with (
        mock.patch.object(simulated, "KEEP_S", KEEP_S),
        mock.patch.object(simulated, "KEEP_PATIENCE_S", PATIENCE_S),
        mock.patch.dict(Keeper.stop.__kwdefaults__, patience_s=PATIENCE_S),
        mock.patch.dict(MarkRegister.__init__.__kwdefaults__, patience_s=KEYED_S),
        mock.patch.dict(MarkRegister.close.__kwdefaults__, patience_s=PATIENCE_S),
        mock.patch.object(Journal, "append", _told_append(ack)),
    ):
        outcome = simulated.record_simulated(
            RecordingSettings(
                car_sheet=sheets / CAR, trip_sheet=sheets / TRIP, out=folder / RUN,
                seconds=SECONDS, zero_seconds=0.0,
            ),
            SimulatedOuting(made, until_s=60.0, mover=CoarseTrain(made.journey)),
            utc0_ns=UTC0_NS, crew=Crew(ack, seed), speed=SPEED, seed=seed, report=report,
        )  # fmt: skip
    ack(f"ended {outcome.exit_code} {outcome.problem}")
    if outcome.sealed:
        ack("sealed")


def recovering(folder: Path, ack: Ack, seed: int) -> None:
    """Recovery of a journal left behind, over the unfinished file of the same run."""
    del seed
    recover(folder / JOURNAL, folder / RUN)
    ack("sealed")


# ---------------------------------------------------------------------- what is written later


def companion(folder: Path, ack: Ack, seed: int) -> None:
    """Marks corrected and results kept beside a sealed run."""
    chance = random.Random(seed)
    with open_run(folder / RUN) as run:
        marks, notes = run.marks(), run.companion
    for i in range(ENTRIES):
        if marks and chance.random() < 0.5:
            new = marks[i % len(marks)].revised(value=f"corrected {i}", note="n" * 3000)
            new = replace(new, mark_id=uuid.UUID(int=chance.getrandbits(128)).hex)
            notes.add_revision(new)
            ack(f"revision {new.mark_id} {new.revision}")
        else:
            data = {"n": i, "text": "t" * chance.randrange(9000)}
            notes.set_result(f"result {i}", data, by="crew", version=software())
            ack(f"result result {i}")


def bench(folder: Path, ack: Ack, seed: int) -> None:
    """A bench session whose readings are typed."""
    chance = random.Random(seed)
    with BenchSession.create(
        folder / "cell.bench",
        settings=BenchSettings(capacity_kN=500.0, reference_U_pct=0.02),
        plan=[replace(s, settle_s=0.0) for s in make_plan(capacity_kN=500.0, preloads=0)],
        now=lambda: datetime(2026, 5, 4, 8, 0, tzinfo=UTC),
    ) as session:
        ack("begun")
        for _ in range(READINGS):
            step = session.current
            if step is None:
                break
            taken = session.type_reading(
                1000.0 + 8000.0 * step.applied_kN + chance.uniform(-3.0, 3.0),
                applied_kN=step.applied_kN,
            )
            ack(f"reading {taken.number} {taken.mean!r}")
            session.note("remark", f"after {taken.number}")
            ack(f"note after {taken.number}")


def certificate(folder: Path, ack: Ack, seed: int) -> None:
    """A wheel's certificate, a key, and a signature by it."""
    for kept, words in commands(folder, seed):
        told = io.StringIO()
        with contextlib.redirect_stdout(told), contextlib.redirect_stderr(told):
            code = main(words)
        if code:
            raise RefusedError(told.getvalue().strip())
        for name in kept:
            ack(f"file {name}")


def commands(folder: Path, seed: int) -> list[tuple[tuple[str, ...], list[str]]]:
    """The commands of :func:`certificate`, each with the files it says it wrote."""
    tape = f"{113.0 + random.Random(seed).randrange(8) / 8:g}in"
    cert, key = str(folder / "wheel.cert.json"), str(folder / "lab.key")
    return [
        (
            ("wheel.cert.json",),
            ["wheel", "tape", tape, "--u-tape", "0.0625in", "--pulses", "60", "--id", "W-7",
             "--out", cert],
        ),
        (("lab.key", "lab.pub"), ["bench", "key", "--out", key]),
        (("wheel.cert.json.sig",), ["bench", "sign", cert, "--key", key]),
        (("wheel.pdf",), ["wheel", "pdf", cert, "--out", str(folder / "wheel.pdf")]),
    ]  # fmt: skip


JOBS: Final[dict[JobName, Job]] = {
    JobName.RECORD: record,
    JobName.RECOVER: recovering,
    JobName.COMPANION: companion,
    JobName.BENCH: bench,
    JobName.CERTIFICATE: certificate,
}


def main_of_one(words: list[str]) -> int:
    """One job, in this process."""
    name, folder, acks, seed = words
    surroundings(Path(folder).parent / "runtime")
    JOBS[JobName(name)](Path(folder), tell_acks(Path(acks)), int(seed))
    return 0


if __name__ == "__main__":
    sys.exit(main_of_one(sys.argv[1:]))

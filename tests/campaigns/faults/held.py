"""What must be there after a cut: all that was acknowledged, and a next start that works.

``lost`` takes a folder as the cut left it and what was acknowledged before, does what a person
would do next (recover, open, write once more), and names whatever is missing. It changes the
folder.
"""

from __future__ import annotations

import contextlib
import io
import json
import os
import select
import signal
from collections.abc import Callable, Iterator, Sequence
from pathlib import Path
from typing import Final

from calibration.bench.bench_reading import BenchError
from calibration.bench.session import BenchSession
from recorder.command_line.main import main
from recorder.command_line.verbs import verb_bench, verb_recover, verb_wheel
from recorder.marks.mark import Mark
from recorder.run.parts.errors import RunFileError
from recorder.run_file.hdf5.reader import RunFile, open_run
from recorder.run_file.seal.verify import verify_run
from tests.campaigns.faults.jobs import JOURNAL, RUN, JobName, bench, commands

__all__ = ["TOLD", "lost", "missing"]

TOLD: Final = "told: "
"""Before a line that is no loss of anything acknowledged, but of which recovery warns."""
LOADED: Final = (verb_bench, verb_recover, verb_wheel)
"""Loaded here, so that no trial has to."""
PATIENCE_S: Final = 60.0
"""Longer than anything here may take: whatever does loops for ever."""
MOST_LINES: Final = 20
MOST_BYTES: Final = 60_000
"""What a pipe holds while nobody reads."""


def lost(job: JobName, folder: Path, acks: Sequence[str], seed: int) -> list[str]:
    """Everything that is missing or fails, one line each; empty: nothing is lost.

    Looked for in a process of its own: what it loads, leaves open or breaks is gone with it.
    """
    answer, tell = os.pipe()
    pid = os.fork()
    if pid == 0:
        os.close(answer)
        os.write(tell, json.dumps(missing(job, folder, acks, seed)).encode()[:MOST_BYTES])
        os._exit(0)
    os.close(tell)
    with os.fdopen(answer, "rb") as pipe:
        ended = select.select([pipe], [], [], PATIENCE_S)[0]
        if not ended:
            os.kill(pid, signal.SIGKILL)
        text = pipe.read()
    os.waitpid(pid, 0)
    if not text:
        return ["what comes next does not end" if not ended else "what comes next crashes"]
    found: list[str] = json.loads(text)
    return found


def missing(job: JobName, folder: Path, acks: Sequence[str], seed: int) -> list[str]:
    """As :func:`lost`, in this process."""
    try:
        return [line[:500] for line in CHECKS[job](folder, acks, seed)][:MOST_LINES]
    except Exception as error:  # noqa: BLE001 - whatever escapes is a finding
        return [f"{type(error).__name__} escaped: {error}"[:500]]


def command(*words: str | Path) -> tuple[int, str]:
    """One command line in this process: its exit code and all it said."""
    told = io.StringIO()
    with contextlib.redirect_stdout(told), contextlib.redirect_stderr(told):
        code = main([str(word) for word in words])
    return code, told.getvalue().strip()


def _plain(what: str, told: str) -> Iterator[str]:
    """A refusal is told in words, never as a mistake of the program."""
    for sign in ("Traceback", "internal error", "HDF5-DIAG"):
        if sign in told:
            yield f"{what}: {told[:300]}"


def _of(acks: Sequence[str], word: str) -> list[list[str]]:
    return [line.split()[1:] for line in acks if line.split()[0] == word]


# ---------------------------------------------------------------------- recordings


def _complete(path: Path) -> bool:
    """Sealed, up to its closing line: the last thing that is written."""
    try:
        with open_run(path) as run:
            return run.complete and not verify_run(path)
    except (RunFileError, OSError):
        return False


def _recording(folder: Path, acks: Sequence[str], seed: int) -> Iterator[str]:
    del seed
    run, journal = folder / RUN, folder / JOURNAL
    back = folder / "back.h5"
    if _complete(run):
        back = run
        if not journal.exists() and "sealed" not in acks and "stopping" not in acks:
            yield "a sealed file of a recording that never stopped"
    elif journal.exists():
        code, told = command("recover", journal, "--out", run)
        yield from _plain("recover", told)
        if code in {0, 1} and run.exists():
            back = run
            yield from (TOLD + line for line in told.splitlines()[:code])
        elif _of(acks, "records") or _of(acks, "mark"):
            yield f"recover: exit {code}: {told[:300]}"
            return
    if back.exists():
        yield from (f"verify: {line}" for line in verify_run(back))
        with open_run(back) as opened:
            yield from _not_in(opened, acks)
    elif _of(acks, "records") or _of(acks, "mark"):
        yield "neither a journal nor a run file is there"


def _not_in(run: RunFile, acks: Sequence[str]) -> Iterator[str]:
    kept = {device: int(total) for device, total in _of(acks, "records")}
    for device, total in kept.items():
        if run.devices[device].n < total:
            yield f"{total - run.devices[device].n} records of {device} of {total} kept"
    there = {(mark.mark_id, mark.revision) for mark in run.revisions()}
    gone = [(i, r) for i, r in _of(acks, "mark") if (i, int(r)) not in there]
    if gone:
        yield f"{len(gone)} marks of those kept"


# ---------------------------------------------------------------------- companions


def _companion(folder: Path, acks: Sequence[str], seed: int) -> Iterator[str]:
    del seed
    run = folder / RUN
    yield from (f"verify: {line}" for line in verify_run(run))
    with open_run(run) as opened:
        marks, notes = opened.revisions(), opened.companion
    there = {(mark.mark_id, mark.revision) for mark in notes.revisions()}
    for mark_id, revision in _of(acks, "revision"):
        if (mark_id, int(revision)) not in there:
            yield f"revision {revision} of mark {mark_id[:8]}"
    results = notes.results()
    for words in _of(acks, "result"):
        if " ".join(words) not in results:
            yield f"result {' '.join(words)}"
    again: Mark = marks[0].revised(value="after the cut")
    notes.add_revision(again)
    if again not in notes.revisions():
        yield "a revision added after the cut"


# ---------------------------------------------------------------------- bench sessions


def _bench(folder: Path, acks: Sequence[str], seed: int) -> Iterator[str]:
    path = folder / "cell.bench"
    try:
        session = BenchSession.open(path)
    except BenchError as error:
        if "begun" in acks:
            yield f"the session does not open: {error}"
            return
        yield from _begun_anew(folder, seed, str(error))
        return
    with session:
        taken = {(r.number, repr(r.mean)) for r in session.taken}
        for number, reading in _of(acks, "reading"):
            if (int(number), reading) not in taken:
                yield f"reading {number}"
        notes = {text for _, _, text in session.events}
        for words in _of(acks, "note"):
            if " ".join(words) not in notes:
                yield f"note {' '.join(words)}"
        step = session.current
        if step is not None:
            session.type_reading(1000.0 + 8000.0 * step.applied_kN, applied_kN=step.applied_kN)


def _begun_anew(folder: Path, seed: int, refusal: str) -> Iterator[str]:
    """Nothing had been acknowledged: the same command makes the session now."""
    began: list[str] = []
    try:
        bench(folder, began.append, seed)
    except BenchError as error:
        yield f"a session cut at its making neither opens ({refusal}) nor begins anew ({error})"


# ---------------------------------------------------------------------- certificates


def _certificate(folder: Path, acks: Sequence[str], seed: int) -> Iterator[str]:
    kept = {words[0] for words in _of(acks, "file")}
    for name in kept:
        if not (folder / name).exists():
            yield f"{name}"
    if kept - {"wheel.pdf"} >= {"wheel.cert.json", "wheel.cert.json.sig", "lab.pub"}:
        code, told = command(
            "wheel", "verify", folder / "wheel.cert.json", "--key", folder / "lab.pub"
        )
        if code:
            yield f"verify: exit {code}: {told[:200]}"
    elif "wheel.cert.json" in kept:
        code, told = command("wheel", "verify", folder / "wheel.cert.json")
        if code:
            yield f"verify: exit {code}: {told[:200]}"
    if "wheel.pdf" in kept and not (folder / "wheel.pdf").read_bytes().endswith(b"%%EOF"):
        yield "wheel.pdf is not whole"
    yield from _the_same_again(folder, kept, seed)


def _the_same_again(folder: Path, kept: set[str], seed: int) -> Iterator[str]:
    """What was cut short is done again: what stands there is whole, or is made now."""
    for names, words in commands(folder, seed):
        if set(names) <= kept:
            continue
        code, told = command(*words)
        yield from _plain(words[0], told)
        if code and not _whole(folder, names):
            yield f"{' '.join(words[:2])} cannot be done again: exit {code}: {told[:200]}"
            return


def _whole(folder: Path, names: Sequence[str]) -> bool:
    """Refused because all of it is there already, and sound."""
    if not all((folder / name).exists() for name in names):
        return False
    if names[0] == "wheel.cert.json":
        return command("wheel", "verify", folder / names[0])[0] == 0
    if names[0] == "wheel.cert.json.sig":
        key = folder / "lab.pub"
        return command("wheel", "verify", folder / "wheel.cert.json", "--key", key)[0] == 0
    return b"-----END" in (folder / names[0]).read_bytes()


Check = Callable[[Path, Sequence[str], int], Iterator[str]]

CHECKS: Final[dict[JobName, Check]] = {
    JobName.RECORD: _recording,
    JobName.RECOVER: _recording,
    JobName.COMPANION: _companion,
    JobName.BENCH: _bench,
    JobName.CERTIFICATE: _certificate,
}

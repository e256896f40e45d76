"""Folders for trials, and what some jobs find there: a journal left behind, a sealed run."""

from __future__ import annotations

import contextlib
import os
import select
import shutil
import signal
import tempfile
import traceback
from collections.abc import Iterator
from contextlib import contextmanager
from dataclasses import dataclass
from pathlib import Path
from typing import Final

from recorder.command_line.support.errors import USER_ERRORS
from tests.campaigns.faults.jobs import JOBS, JOURNAL, RUN, JobName, surroundings, tell_acks

__all__ = ["Child", "Places", "places"]

SHARED_MEMORY: Final = Path("/dev/shm")
PATIENCE_S: Final = 60.0
"""No job takes as long, whatever befalls it."""
LEFT_AFTER: Final = 120
"""Acknowledgements after which the recording is killed whose journal is recovered."""


class Child:
    """One job in a process forked from this one, which has everything loaded already."""

    def __init__(self, job: JobName, folder: Path, acks: Path, seed: int) -> None:
        self.acks = acks
        self.pid = os.fork()
        if self.pid == 0:
            _work(job, folder, acks, seed)
        self._end = os.pidfd_open(self.pid)
        # Here as there: whoever comes first, it has a group of its own when it is killed.
        with contextlib.suppress(PermissionError, ProcessLookupError):
            os.setpgid(self.pid, self.pid)

    def told(self) -> list[str]:
        """What it has acknowledged so far; a last line half written is not."""
        text = self.acks.read_text() if self.acks.exists() else ""
        return text.splitlines()[: text.count("\n")]

    def kill(self) -> None:
        """It and all that it started, at one instant."""
        os.killpg(self.pid, signal.SIGKILL)

    @property
    def said(self) -> str:
        """What it printed, and how it was refused."""
        return Path(f"{self.acks}.said").read_text(errors="replace")

    def wait(self) -> int:
        """Until it has ended; its exit code, negative for a signal, of which it dies at last."""
        if not self.ended_within(PATIENCE_S):
            self.kill()
        os.close(self._end)
        _, status = os.waitpid(self.pid, 0)
        return os.waitstatus_to_exitcode(status)

    def ended_within(self, seconds: float) -> bool:
        """Whether it is over so soon; it is still to be waited for."""
        return bool(select.select([self._end], [], [], max(seconds, 0.0))[0])


def _work(job: JobName, folder: Path, acks: Path, seed: int) -> None:
    """In the child; never returns. 0 done, 2 refused in one line, 1 a mistake of the program."""
    os.setpgid(0, 0)
    silent = os.open(os.devnull, os.O_RDWR)
    said = os.open(str(acks) + ".said", os.O_WRONLY | os.O_CREAT | os.O_APPEND, 0o600)
    for handle, place in ((silent, 0), (said, 1), (said, 2)):
        os.dup2(handle, place)
    code = 0
    try:
        JOBS[job](folder, tell_acks(acks), seed)
    except USER_ERRORS as error:
        os.write(said, f"refused: {type(error).__name__}: {error}\n".encode())
        code = 2
    except BaseException:  # noqa: BLE001 - told below, and by the exit code
        os.write(said, traceback.format_exc().encode())
        code = 1
    os._exit(code)


@dataclass
class Places:
    """A folder of its own for every trial, under one that goes at the end."""

    root: Path
    seed: int
    n: int = 0

    def before(self, job: JobName) -> tuple[Path, list[str]]:
        """The folder a job begins with, and what was acknowledged in it earlier."""
        made = self.root / f"before-{job}"
        if not made.exists():
            made.mkdir()
            if job is JobName.RECOVER:
                self._record(made, cut=True)
            elif job is JobName.COMPANION:
                self._record(made, cut=False)
        acks = self.root / f"before-{job}.acks"
        return made, acks.read_text().splitlines() if job is JobName.RECOVER else []

    def _record(self, folder: Path, *, cut: bool) -> None:
        child = Child(
            JobName.RECORD, folder, folder.with_name(folder.name + ".acks"), self.seed
        )
        while cut and len(child.told()) < LEFT_AFTER and not child.ended_within(0.02):
            pass
        if cut:
            child.kill()
        child.wait()
        if not (folder / (JOURNAL if cut else RUN)).exists():
            msg = f"no recording to begin with: {folder}"
            raise RuntimeError(msg)

    def fresh(self, job: JobName) -> tuple[Path, Path]:
        """A folder as the job begins with, and a file for what it acknowledges."""
        self.n += 1
        folder = self.root / f"trial-{self.n}"
        shutil.copytree(self.before(job)[0], folder)
        return folder, folder.with_name(folder.name + ".acks")

    def empty(self) -> Path:
        """An empty folder."""
        self.n += 1
        folder = self.root / f"trial-{self.n}"
        folder.mkdir()
        return folder

    def done(self, folder: Path) -> None:
        """Nothing of a trial is left."""
        shutil.rmtree(folder)
        for ending in (".acks", ".acks.said"):
            folder.with_name(folder.name + ending).unlink(missing_ok=True)


@contextmanager
def places(seed: int, keep: Path | None = None) -> Iterator[Places]:
    """Places of a campaign, in memory where the system has room there."""
    at = SHARED_MEMORY if SHARED_MEMORY.is_dir() else None
    root = Path(tempfile.mkdtemp(prefix="testcar-campaign-", dir=keep or at))
    surroundings(root / "runtime")
    try:
        yield Places(root, seed)
    finally:
        shutil.rmtree(root, ignore_errors=True)

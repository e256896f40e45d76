"""The seal at the end of a recording: how far it is, and in words why there is none."""

from __future__ import annotations

from dataclasses import dataclass
from typing import TYPE_CHECKING

from recorder.acquisition.process.reports import SealProgress
from recorder.keeping.errors import SealBugError, SealError
from recorder.keeping.owner import journal_path_for

if TYPE_CHECKING:
    from pathlib import Path

    from recorder.acquisition.process.reports import Reporter
    from recorder.acquisition.safekeeping.filer_supervisor import FilerSupervisor

__all__ = ["Sealing", "seal_run"]


@dataclass(frozen=True, slots=True)
class Sealing:
    """How it ended."""

    sealed: bool
    problem: str = ""
    bug: bool = False
    """A mistake of this program."""


def seal_run(filer: FilerSupervisor, out: Path, report: Reporter) -> Sealing:
    """Have the run file sealed, and report how far that is."""
    percent = 0
    report(SealProgress(0.0, ""))

    def progress(part: float, what: str) -> None:
        nonlocal percent
        if int(100.0 * part) > percent:
            percent = int(100.0 * part)
            report(SealProgress(part, what))

    journal = journal_path_for(out)
    try:
        filer.seal(progress)
    except SealError as error:
        problem = (
            f"{out}: not sealed ({error}); the journal is kept:"
            f" testcar recover {journal} --out {out}"
        )
        return Sealing(sealed=False, problem=problem)
    except SealBugError as bug:
        problem = (
            f"{out}: not sealed, internal error: {bug}; report what testcar"
            f" --debug recover {journal} --out {out} shows"
        )
        return Sealing(sealed=False, problem=problem, bug=True)
    return Sealing(sealed=True)

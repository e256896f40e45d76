"""Supervises the filer: its death is a warning, is mended once, and costs no sample."""

from __future__ import annotations

from collections.abc import Callable
from pathlib import Path
from typing import TYPE_CHECKING

from recorder.keeping.errors import SealError
from recorder.keeping.filer_process import FilerProcess
from recorder.machine.private_files import is_ours
from recorder.run.parts.states import FilerState

if TYPE_CHECKING:
    from recorder.run.parts.progress import Progress

__all__ = ["FilerSupervisor"]


class FilerSupervisor:
    """Owns the filer process of one recording; used by the main thread."""

    def __init__(
        self, journal_path: Path, run_path: Path, *, warn: Callable[[str], None]
    ) -> None:
        """Start filing.

        Raises
        ------
        FileExistsError
            There is a run file already.
        """
        self.state = FilerState.RUNNING
        self._journal_path = journal_path
        self._run_path = run_path
        self._warn = warn
        self._filer = FilerProcess(journal_path, run_path)
        self._ended = False

    @property
    def filed(self) -> dict[str, int]:
        """Records in the synced run file, by device; empty before the first report."""
        filed = self._filer.filed
        return {} if filed is None else dict(filed.records)

    def look(self) -> None:
        """See whether the filer lives; start it again once."""
        if self.state is FilerState.DEAD or not (problem := self._filer.problem):
            return
        if self.state is FilerState.RUNNING:
            self.state = FilerState.RESTARTED
            self._warn(f"{problem}; it is started again from the journal")
            self._again()
        else:
            self.state = FilerState.DEAD
            self._warn(f"{problem}; the run file is made from the journal at the stop")

    def seal(self, progress: Progress) -> None:
        """File the rest, seal, check, remove the journal, which must be closed.

        A filer that died is started once more first: it files everything from the journal.

        Raises
        ------
        SealError
            The run file is not sealed; the journal is kept and holds everything.
        SealBugError
            Likewise, by a mistake of ours: it would only be made again.
        """
        try:
            if self._filer.problem:
                self._again()
            try:
                self._filer.seal(progress=progress)
            except SealError as error:
                if self.state is not FilerState.RUNNING or not self._journal_path.exists():
                    raise
                self.state = FilerState.RESTARTED
                self._warn(f"{error}; the run file is made again from the journal")
                self._again()
                self._filer.seal(progress=progress)
            self._ended = True
        except OSError as error:
            raise SealError(str(error)) from error

    def abandon(self) -> None:
        """End the filer if it still runs; the files stay. May be called twice."""
        if not self._ended:
            self._ended = True
            self._filer.kill()

    def _again(self) -> None:
        """Start afresh: what the dead filer wrote is all in the journal too."""
        self._filer.kill()
        if is_ours(self._run_path):
            self._run_path.unlink()
        self._filer = FilerProcess(self._journal_path, self._run_path)

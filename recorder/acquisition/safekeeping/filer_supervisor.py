"""Supervises the filer: its death is a warning, is mended, and costs no sample."""

from __future__ import annotations

import time
from collections.abc import Callable
from pathlib import Path
from typing import TYPE_CHECKING, Final

from calibration.quantities.printable import error_line
from recorder.keeping.errors import SealBugError, SealError
from recorder.keeping.filer_process import FilerProcess
from recorder.machine.private_files import is_ours
from recorder.run.parts.states import FilerState

if TYPE_CHECKING:
    from recorder.run.parts.progress import Progress

__all__ = ["FilerSupervisor"]

WAITS_S: Final = (0.0, 5.0, 30.0, 120.0, 600.0)
"""Before each start of another filer, which files anew from the first row; then no more are
started before the stop."""
SEAL_WAITS_S: Final = (0.0, 1.0, 4.0)
"""And at the stop, where somebody waits: a process that cannot be had now may be had then."""


class FilerSupervisor:
    """Owns the filer process of one recording; used by the main thread.

    ``start`` starts a filer; ``now_s`` and ``sleep`` are how time passes for it.
    """

    def __init__(
        self,
        journal_path: Path,
        run_path: Path,
        *,
        warn: Callable[[str], None],
        signing_key: Path | None = None,
        start: Callable[[Path, Path, Path | None], FilerProcess] = FilerProcess,
        now_s: Callable[[], float] = time.monotonic,
        sleep: Callable[[float], None] = time.sleep,
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
        self._now_s = now_s
        self._sleep = sleep
        self._start = start
        self._signing_key = signing_key
        self._filer = start(journal_path, run_path, signing_key)
        self._ended = False
        self._tries = 0
        self._again_s: float | None = None
        """When another filer is started; None while one is at work."""

    @property
    def filed(self) -> dict[str, int]:
        """Records in the synced run file, by device; empty before the first report."""
        filed = self._filer.filed
        return {} if filed is None else dict(filed.records)

    @property
    def unsigned(self) -> str:
        """Why the sealed run could not be signed, where it should have been; else empty."""
        return self._filer.unsigned

    def look(self) -> None:
        """See whether the filer lives; start another if not, after waits that grow."""
        if self.state is FilerState.DEAD:
            return
        if self._again_s is None and (problem := self._filer.problem):
            self._put_off(problem)
        if self._again_s is not None and self._now_s() >= self._again_s:
            self._again_s = None
            try:
                self._again()
            except (OSError, RuntimeError) as error:  # no process, or no thread to hear it
                self._put_off(
                    f"the process that writes the run file cannot be started ({error_line(error)})"
                )

    def _put_off(self, problem: str) -> None:
        """Nothing is lost by it: the journal has everything."""
        if self._tries == len(WAITS_S):
            self.state = FilerState.DEAD
            self._warn(f"{problem}; the run file is made from the journal at the stop")
            return
        wait_s = WAITS_S[self._tries]
        self._tries += 1
        self._again_s = self._now_s() + wait_s
        self.state = FilerState.RESTARTED
        after = f" in {wait_s:.0f} s" if wait_s else ""
        self._warn(f"{problem}; it is started again from the journal{after}")

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
            if self._filer.problem or self._again_s is not None:
                self._again_at_the_stop()
            try:
                self._filer.seal(progress=progress)
            except SealError as error:
                if self.state is not FilerState.RUNNING or not self._journal_path.exists():
                    raise
                self.state = FilerState.RESTARTED
                self._warn(f"{error}; the run file is made again from the journal")
                self._again_at_the_stop()
                self._filer.seal(progress=progress)
            self._ended = True
        except (OSError, RuntimeError) as error:
            if isinstance(error, SealBugError):
                raise
            raise SealError(error_line(error)) from error

    def abandon(self) -> None:
        """End the filer if it still runs; the files stay. May be called twice."""
        if not self._ended:
            self._ended = True
            self._filer.kill()

    def _again_at_the_stop(self) -> None:
        *waits_s, last_s = SEAL_WAITS_S
        for wait_s in waits_s:
            self._sleep(wait_s)
            try:
                return self._again()
            except (OSError, RuntimeError) as error:
                why = f"the process that seals the run file cannot be started ({error_line(error)})"
                self._warn(f"{why}; it is tried again")
        self._sleep(last_s)
        return self._again()

    def _again(self) -> None:
        """Start afresh: what the dead filer wrote is all in the journal too."""
        self._filer.kill()
        if is_ours(self._run_path):
            self._run_path.unlink()
        self._filer = self._start(self._journal_path, self._run_path, self._signing_key)

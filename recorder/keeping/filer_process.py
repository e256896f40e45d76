"""The recording process's handle on its filer."""

from __future__ import annotations

from pathlib import Path
from typing import TYPE_CHECKING, Self

from recorder.keeping.errors import SealBugError, SealError
from recorder.keeping.filer_reports import (
    FILER_REPORTS,
    Filed,
    FilerFailed,
    FilerOrder,
    FilerReport,
    Sealed,
    SealProgress,
)
from recorder.machine.child_process import ChildProcess, python_command

if TYPE_CHECKING:
    from recorder.run.parts.progress import Progress

__all__ = ["FilerProcess"]


class FilerProcess:
    """A filer at work. Its failure never stops a recording: the journal has everything."""

    def __init__(
        self, journal_path: Path | str, run_path: Path | str, signing_key: Path | None = None
    ) -> None:
        """Start the process, which signs the run by ``signing_key`` when it seals it.

        Raises
        ------
        FileExistsError
            There is a run file already.
        """
        self.run_path = Path(run_path)
        if self.run_path.exists():
            msg = "a run file is there already; it is never overwritten"
            raise FileExistsError(17, msg, str(self.run_path))
        self.filed: Filed | None = None
        """As last reported; None before the first."""
        self._progress: Progress | None = None
        self._failed = ""
        self._bug = False
        self._sealed = False
        self.unsigned = ""
        """Why a sealed run could not be signed, where it should have been; else empty."""
        keys = [] if signing_key is None else [signing_key]
        self._child: ChildProcess[FilerReport] = ChildProcess(
            python_command("recorder.keeping.filer", journal_path, run_path, *keys),
            name="filer",
            table=FILER_REPORTS,
            receive=self._receive,
            orders=True,
        )

    @property
    def pid(self) -> int:
        """Process id."""
        return self._child.pid

    @property
    def problem(self) -> str:
        """Why the run file is not being written, in one line; empty while all is well."""
        if self._failed:
            return self._failed
        code = self._child.returncode
        if code in (None, 0):
            return ""
        return (
            f"{self.run_path}: the process that writes the run file ended with code {code};"
            " recording goes on in the journal, and the run is recovered from it afterwards"
        )

    def seal(
        self,
        *,
        progress: Progress | None = None,
        timeout_s: float | None = None,
    ) -> None:
        """File the rest, seal, check, remove the journal; its writer must have closed it.

        Raises
        ------
        SealError
            Something failed; the journal is kept and holds everything.
        SealBugError
            Likewise, by a mistake of ours.
        TimeoutError
        """
        self._progress = progress
        self._child.order(FilerOrder.SEAL)
        self._child.wait(timeout_s)
        if self._bug:
            raise SealBugError(self._failed)
        if not self._sealed:
            raise SealError(
                self.problem
                or f"{self.run_path}: the process that writes the run file ended without sealing"
            )

    def stop(self, timeout_s: float | None = None) -> None:
        """File what is committed and close the file, not sealed.

        Raises
        ------
        TimeoutError
        """
        self._child.order(FilerOrder.STOP)
        self._child.wait(timeout_s)

    def kill(self) -> None:
        """End it at once (an abandoned recording); may be called twice."""
        self._child.kill()

    def _receive(self, report: FilerReport) -> None:
        match report:
            case Filed():
                self.filed = report
            case SealProgress(part, what):
                if self._progress is not None:
                    self._progress(part, what)
            case Sealed(unsigned):
                self._sealed, self.unsigned = True, unsigned
            case FilerFailed(why, bug):
                self._failed, self._bug = why, bug

    def __enter__(self) -> Self:
        return self

    def __exit__(self, *_: object) -> None:
        if self._child.returncode is None:
            self.kill()
        else:
            self._child.close()

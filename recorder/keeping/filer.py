"""The filer: tails the journal into the run file, in a process of its own.

HDF5's global lock, a stalling disk or a dead handle cannot hold up acquisition: the recording
process never touches the file. Started with the paths of journal and run file and, where the run is
to be signed, of the car's key; its orders and reports are in ``filer_reports``. The end of orders
means that the recording process is gone: file what is committed and close.
"""

from __future__ import annotations

import os
import sys
import time
from pathlib import Path
from typing import TYPE_CHECKING, Final, Protocol

from calibration.certificates.signature import SignatureError
from calibration.certificates.signing_key import load_signing_key
from calibration.quantities.printable import error_line
from recorder.keeping.errors import JournalError, SealBugError, SealError
from recorder.keeping.filer_reports import (
    FILER_REPORTS,
    Filed,
    FilerFailed,
    FilerOrder,
    Sealed,
    SealProgress,
)
from recorder.keeping.journal_reader import JournalReader
from recorder.keeping.seal import bugs_named, seal
from recorder.keeping.transfer import Transfer
from recorder.machine.child_reports import Orders, ReportWriter
from recorder.machine.host import FILER, give_way
from recorder.machine.private_files import share_as
from recorder.run.parts.errors import RunFileError
from recorder.run_file.hdf5.live_writer import LiveWriter
from recorder.run_file.seal.signature import SignedAt, Signer

if TYPE_CHECKING:
    from collections.abc import Callable

__all__ = ["follow", "main"]

POLL_S: Final = 1.0
"""Between looks at the journal; a reader of the growing file is never further behind than this
and ``SYNC_S``."""
SYNC_S: Final = 2.0
"""Between flushes of the file. Each costs a few milliseconds of disk that the journal wants too."""
EXIT_DONE: Final = 0
EXIT_FAILED: Final = 3
"""The run file could not be written; the journal has everything."""


class StopEvent(Protocol):
    """An event: ``threading.Event`` or one of multiprocessing's."""

    def is_set(self) -> bool:
        """Whether to stop once everything committed is filed."""
        ...

    def wait(self, timeout: float) -> bool:
        """Wait until set, at most ``timeout`` seconds."""
        ...


def follow(
    journal_path: Path | str,
    run_path: Path | str,
    stop: StopEvent,
    *,
    report: Callable[[Filed], None] | None = None,
    poll_s: float = POLL_S,
    sync_s: float = SYNC_S,
) -> Filed:
    """Make the run file from the journal as it grows, until asked to stop.

    What was committed before ``stop`` was set is in the file, synced to the disk, on return.
    ``report`` is called after every sync.

    Raises
    ------
    FileExistsError
        There is a run file already.
    JournalError, RunFileError, WriterDeadError
        The journal cannot be read, or the file cannot be written. The journal is untouched.
    """
    with JournalReader(journal_path) as reader, LiveWriter(run_path, reader.header) as writer:
        share_as(writer.path, reader.path)
        transfer = Transfer(reader)
        synced_at = -sync_s
        while True:
            stopping = stop.is_set()
            moved = transfer.step(writer)
            now = time.monotonic()
            if now - synced_at >= sync_s:
                writer.sync()
                synced_at = now
                if report is not None:
                    report(_result(transfer, writer))
            if not moved:
                if stopping:
                    break
                stop.wait(poll_s)
        writer.sync()
        return _result(transfer, writer)


def _result(transfer: Transfer, writer: LiveWriter) -> Filed:
    return Filed(
        records=writer.records, rows=transfer.cursor.batches, damaged=len(transfer.damage)
    )


def main(words: list[str]) -> int:
    """Entry of the filer process; returns the exit code."""
    journal_path, run_path, *keys = words
    orders = Orders(list(FilerOrder))
    report = ReportWriter(FILER_REPORTS)
    try:
        with bugs_named(Path(journal_path)):
            report(follow(journal_path, run_path, orders.given, report=report))
        if orders.word == FilerOrder.SEAL:
            signer, unsigned = _signer(keys)
            seal(
                journal_path,
                run_path,
                progress=lambda part, what: report(SealProgress(part, what)),
                signer=signer,
            )
            report(Sealed(unsigned=unsigned))
    except (JournalError, RunFileError, SealError, OSError) as error:
        report(FilerFailed(error_line(error)))
        return EXIT_FAILED
    except SealBugError as bug:
        # The traceback is for who is asked to mend it: testcar --debug recover shows it.
        report(FilerFailed(str(bug), bug=True))
        return EXIT_FAILED
    return EXIT_DONE


def _signer(keys: list[str]) -> tuple[Signer | None, str]:
    """Who signs the run, and why nobody does though a key was named: the run comes first."""
    try:
        for key in keys:
            return Signer(load_signing_key(Path(key)), SignedAt.STOP), ""
    except (SignatureError, OSError) as error:
        why = error_line(error)
        return None, f"the run is sealed and NOT SIGNED: its key could not be used: {why}"
    return None, ""


if __name__ == "__main__":
    give_way(FILER)
    # A dead HDF5 handle may crash the interpreter as it is torn down: everything is reported.
    os._exit(main(sys.argv[1:]))

"""The filer: tails the journal into the run file, in a process of its own.

HDF5's global lock, a stalling disk or a dead handle cannot hold up acquisition: the recording
process never touches the file. Started as ``python -m recorder.keeping.filer JOURNAL RUN``. It
is told over its standard input (``stop`` or ``seal``; the end of input means that the recording
process is gone: file what is committed and close) and tells over its standard output, one JSON
object a line.
"""

from __future__ import annotations

import json
import os
import signal
import sys
import threading
import time
from dataclasses import asdict, dataclass
from pathlib import Path
from typing import TYPE_CHECKING, Any, Final, Protocol

from recorder.keeping.errors import JournalError, SealError
from recorder.keeping.journal_reader import JournalReader
from recorder.keeping.seal import seal
from recorder.keeping.transfer import Transfer
from recorder.run.errors import RunFileError
from recorder.run_file.hdf5.live_writer import LiveWriter

if TYPE_CHECKING:
    from collections.abc import Callable
    from typing import TextIO

__all__ = ["FilerResult", "follow", "main"]

POLL_S: Final = 0.5
SYNC_S: Final = 2.0
EXIT_DONE: Final = 0
EXIT_FAILED: Final = 3
"""The run file could not be written; the journal has everything."""


class Stop(Protocol):
    """An event: ``threading.Event`` or one of multiprocessing's."""

    def is_set(self) -> bool:
        """Whether to stop once everything committed is filed."""
        ...

    def wait(self, timeout: float) -> bool:
        """Wait until set, at most ``timeout`` seconds."""
        ...


@dataclass(frozen=True, slots=True, kw_only=True)
class FilerResult:
    """What has been filed."""

    records: dict[str, int]
    """By device."""
    rows: int
    """Highest batch row of the journal that is in the file."""
    damaged: int
    """Rows of the journal that could not be believed."""


def follow(
    journal_path: Path | str,
    run_path: Path | str,
    stop: Stop,
    *,
    report: Callable[[FilerResult], None] | None = None,
    poll_s: float = POLL_S,
    sync_s: float = SYNC_S,
) -> FilerResult:
    """Make the run file from the journal as it grows, until told to stop.

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


def _result(transfer: Transfer, writer: LiveWriter) -> FilerResult:
    return FilerResult(
        records=writer.records, rows=transfer.cursor.batches, damaged=len(transfer.damage)
    )


class _Orders:
    """Listens to the recording process."""

    def __init__(self, source: TextIO) -> None:
        self.stop = threading.Event()
        self.seal = False
        self._source = source
        threading.Thread(target=self._listen, name="filer orders", daemon=True).start()

    def _listen(self) -> None:
        for line in self._source:
            if line.strip() in ("stop", "seal"):
                self.seal = line.strip() == "seal"
                break
        self.stop.set()


def _tell(kind: str, **data: Any) -> None:  # noqa: ANN401 - plain JSON values
    try:
        sys.stdout.write(json.dumps({"kind": kind, **data}) + "\n")
        sys.stdout.flush()
    except OSError:
        # Nobody listens any more: the recording process is gone. Filing goes on.
        sys.stdout = Path(os.devnull).open("w", encoding="utf-8")  # noqa: SIM115 - to the end


def main(words: list[str] | None = None) -> int:
    """Entry of the filer process; returns the exit code."""
    journal_path, run_path = sys.argv[1:] if words is None else words
    # A Ctrl-C at the keyboard reaches the whole group; the recording process says when to stop.
    signal.signal(signal.SIGINT, signal.SIG_IGN)
    orders = _Orders(sys.stdin)
    try:
        result = follow(
            journal_path,
            run_path,
            orders.stop,
            report=lambda done: _tell("filed", **asdict(done)),
        )
        _tell("stopped", **asdict(result))
        if orders.seal:
            seal(
                journal_path,
                run_path,
                progress=lambda part, what: _tell("sealing", part=part, what=what),
            )
            _tell("sealed")
    except (JournalError, RunFileError, SealError, OSError) as error:
        _tell("failed", why=" ".join(str(error).split()))
        return EXIT_FAILED
    return EXIT_DONE


if __name__ == "__main__":
    code = main()
    sys.stdout.flush()
    # A dead HDF5 handle may crash the interpreter as it is torn down: everything is said.
    os._exit(code)

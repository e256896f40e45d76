"""A recording as a process of its own: started with its settings as one line of JSON.

What happens is reported as ``reports`` says, one JSON object a line; nobody needs to listen.
"""

from __future__ import annotations

import contextlib
import json
import signal
import sys
from collections.abc import Callable, Iterator
from dataclasses import asdict, fields
from pathlib import Path
from types import FrameType
from typing import Any, Final

from calibration.quantities.printable import error_line
from recorder.acquisition.preparation.settings import Outcome, RecordingSettings
from recorder.acquisition.process.recording import record
from recorder.acquisition.process.reports import RECORDING_REPORTS, Done, Refused, Reporter
from recorder.acquisition.process.running import StopWish
from recorder.machine.child_reports import ReportWriter

__all__ = [
    "main", "record_here", "settings_from_json", "settings_to_json", "stopping_on_signals",
]  # fmt: skip

REFUSED: Final = 2


def record_here(settings: RecordingSettings, report: Reporter) -> Outcome:
    """Record in this process, from its main thread; SIGINT and SIGTERM stop cleanly.

    Raises
    ------
    RecordingError, SheetError, OSError
        It could not begin; one line each.
    """
    with stopping_on_signals() as stop:
        return record(settings, report, stop)


@contextlib.contextmanager
def stopping_on_signals() -> Iterator[StopWish]:
    """A wish to stop that SIGINT and SIGTERM ask for meanwhile; from the main thread."""
    stop = StopWish()
    before = _on_signals(stop.ask)
    try:
        yield stop
    finally:
        for number, handler in before.items():
            signal.signal(number, handler)


def _on_signals(stop: Callable[[str], None]) -> dict[signal.Signals, Any]:
    def handler(number: int, _frame: FrameType | None) -> None:
        stop(f"stopped by {signal.Signals(number).name}")

    names = ("SIGINT", "SIGTERM", "SIGHUP", "SIGBREAK")
    numbers = [getattr(signal, name) for name in names if hasattr(signal, name)]
    # Somebody who had a hang-up ignored (nohup) meant it.
    wanted = [n for n in numbers if signal.getsignal(n) is not signal.SIG_IGN]
    return {number: signal.signal(number, handler) for number in wanted}


def settings_to_json(settings: RecordingSettings) -> str:
    """Settings as one line of JSON."""
    return json.dumps(asdict(settings), default=str)


def settings_from_json(text: str) -> RecordingSettings:
    """Inverse of :func:`settings_to_json`; raises ``ValueError``, ``TypeError``."""
    data = json.loads(text)
    known = {field.name for field in fields(RecordingSettings)}
    if not isinstance(data, dict) or not set(data) <= known:
        msg = f"settings must be a table of {', '.join(sorted(known))}"
        raise ValueError(msg)
    data.update({key: Path(data[key]) for key in ("car_sheet", "trip_sheet", "out")})
    return RecordingSettings(**data)


def main(words: list[str]) -> int:
    """Entry of the process; returns the exit code."""
    (spec,) = words
    # A parent that stopped reading must not stop the recording.
    report = ReportWriter(RECORDING_REPORTS, wait=False)
    try:
        outcome = record_here(settings_from_json(spec), report)
    except (ValueError, OSError) as error:
        problems = getattr(error, "problems", None) or [error_line(error)]
        report.finish(Refused(tuple(problems)))
        return REFUSED
    report.finish(Done(outcome))
    return outcome.exit_code


if __name__ == "__main__":
    sys.exit(main(sys.argv[1:]))

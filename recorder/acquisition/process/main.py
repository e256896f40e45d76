"""A recording as a process of its own: ``python -m recorder.acquisition.process.main SPEC``.

SPEC is a JSON object with the fields of :class:`RecordingSettings`. What happens is told on
the standard output, one JSON object a line with the word ``kind``; nobody needs to listen.
"""

from __future__ import annotations

import json
import os
import signal
import sys
import threading
from collections.abc import Callable
from dataclasses import asdict, fields
from pathlib import Path
from types import FrameType
from typing import Any, Final

from recorder.acquisition.process.recording import Recording
from recorder.acquisition.process.settings import Outcome, RecordingSettings, Report

__all__ = ["main", "record_here", "settings_from_json", "settings_to_json"]

REFUSED: Final = 2


def record_here(settings: RecordingSettings, report: Report) -> Outcome:
    """Record in this process, from its main thread; SIGINT and SIGTERM stop cleanly.

    Raises
    ------
    RecordingError, SheetError, OSError
        It could not begin; one line each.
    """
    recording = Recording(settings, report)
    before = _on_signals(recording.stop)
    try:
        return recording.run()
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


class _Teller:
    """Writes reports to the standard output and never waits long for a reader."""

    def __init__(self) -> None:
        self._guard = threading.Lock()
        self._deaf = False
        if os.name == "posix":
            # A parent that stopped reading must not stop the recording.
            os.set_blocking(sys.stdout.fileno(), False)

    def __call__(self, kind: str, **data: Any) -> None:  # noqa: ANN401 - JSON values
        line = (json.dumps({"kind": kind, **data}) + "\n").encode()
        with self._guard:
            if self._deaf:
                return
            try:
                written = os.write(sys.stdout.fileno(), line)
            except BlockingIOError:
                return  # nobody reads just now; the run itself keeps everything
            except OSError:
                self._deaf = True
                return
            # Half a line would spoil the next one: end it, and the reader skips it.
            if written < len(line):
                self._deaf = True


def main(words: list[str] | None = None) -> int:
    """Entry of the process; returns the exit code."""
    (spec,) = sys.argv[1:] if words is None else words
    teller = _Teller()
    try:
        outcome = record_here(settings_from_json(spec), teller)
    except (ValueError, OSError) as error:
        problems = getattr(error, "problems", None) or [one_line(error)]
        teller("refused", text=problems[0], problems=list(problems))
        return REFUSED
    teller("done", **{**asdict(outcome), "run_path": str(outcome.run_path)})
    return outcome.exit_code


def one_line(error: BaseException) -> str:
    """An error as one line for a person."""
    if isinstance(error, OSError) and error.filename is not None:
        return f"{error.filename}: {error.strerror}"
    return " ".join(str(error).split()) or type(error).__name__


if __name__ == "__main__":
    sys.exit(main())

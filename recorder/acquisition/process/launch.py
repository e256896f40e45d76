"""Start a recording as a process of its own and hold on to it."""

from __future__ import annotations

import json
import os
import signal
import subprocess
import sys
import threading
from pathlib import Path
from typing import Any, Final, Self

import recorder
from recorder.acquisition.control.client import LiveSession, attach
from recorder.acquisition.process.main import settings_to_json
from recorder.acquisition.process.settings import (
    Outcome,
    RecordingError,
    RecordingSettings,
    Report,
)

__all__ = ["RecordingProcess", "start_recording"]

START_S: Final = 60.0


def start_recording(
    car: str | Path,
    trip: str | Path,
    out: str | Path,
    *,
    seconds: float | None = None,
    zero_seconds: float | None = None,
    report: Report | None = None,
    **options: Any,  # noqa: ANN401 - the other fields of RecordingSettings
) -> RecordingProcess:
    """Start recording in a process of its own; returns when run time 0 has passed.

    Parameters
    ----------
    car, trip, out
        Car sheet, trip sheet, run file to be made.
    seconds, zero_seconds, options
        As :class:`RecordingSettings`.
    report
        Hears everything the recording tells, in a thread of its own.

    Raises
    ------
    RecordingError
        It could not begin: one line. Nothing is left behind.
    """
    settings = RecordingSettings(
        car_sheet=Path(car).absolute(),
        trip_sheet=Path(trip).absolute(),
        out=Path(out).absolute(),
        seconds=seconds,
        zero_seconds=zero_seconds,
        **options,
    )
    process = RecordingProcess(settings, report)
    try:
        process.wait_started(START_S + (zero_seconds or 120.0))
    except BaseException:
        process.kill()
        raise
    return process


class RecordingProcess:
    """A recording in a process of its own. It goes on without us."""

    def __init__(self, settings: RecordingSettings, report: Report | None = None) -> None:
        self.outcome: Outcome | None = None
        """How it ended, once it has."""
        self.told: list[dict[str, Any]] = []
        """All it told, but the every-second progress."""
        self._report = report
        self._heard = threading.Condition()
        self._session_path = ""
        self._started = False
        self._refused = ""
        self._session: LiveSession | None = None
        self._process = subprocess.Popen(
            [
                sys.executable,
                "-m",
                "recorder.acquisition.process.main",
                settings_to_json(settings),
            ],
            stdin=subprocess.DEVNULL,
            stdout=subprocess.PIPE,
            env=_environment(),
            # On Windows a process can only be asked to stop if it leads a group of its own.
            creationflags=getattr(subprocess, "CREATE_NEW_PROCESS_GROUP", 0),
        )
        self._listener = threading.Thread(target=self._listen, name="recording", daemon=True)
        self._listener.start()

    @property
    def pid(self) -> int:
        """Process id."""
        return self._process.pid

    @property
    def returncode(self) -> int | None:
        """Exit code; None while it records."""
        return self._process.poll()

    @property
    def session_path(self) -> Path:
        """The session file, for windows."""
        return Path(self._session_path)

    @property
    def session(self) -> LiveSession:
        """Attached, once; raises ``SessionError`` when it has ended."""
        if self._session is None:
            self._session = attach(self.session_path)
        return self._session

    def wait_started(self, timeout_s: float) -> None:
        """Wait until run time 0 has passed; raises :class:`RecordingError` if it never does."""
        with self._heard:
            self._heard.wait_for(lambda: self._started or self._ended(), timeout_s)
        if self._started:
            return
        self.close()
        msg = self._refused or f"the recording did not start (exit code {self.returncode})"
        raise RecordingError(msg)

    def stop(self, timeout_s: float = 120.0) -> int:
        """Stop cleanly and wait for the sealed file; returns the exit code."""
        if self.returncode is None:
            number = signal.SIGTERM if os.name == "posix" else signal.CTRL_BREAK_EVENT  # type: ignore[attr-defined,unused-ignore]
            self._process.send_signal(number)
        return self.wait(timeout_s)

    def wait(self, timeout_s: float | None = None) -> int:
        """Wait until it has ended by itself; returns the exit code.

        Raises
        ------
        TimeoutError
        """
        try:
            code = self._process.wait(timeout_s)
        except subprocess.TimeoutExpired as error:
            msg = f"the recording has not ended after {timeout_s:g} s"
            raise TimeoutError(msg) from error
        self.close()
        return code

    def kill(self) -> None:
        """End it at once, as a crash would."""
        self._process.kill()
        self._process.wait()
        self.close()

    def close(self) -> None:
        """Let go of it; a recording still running goes on."""
        if self._session is not None:
            self._session.close()
            self._session = None
        if self.returncode is None:
            return
        self._listener.join(10.0)
        if self._process.stdout is not None:
            self._process.stdout.close()

    def __enter__(self) -> Self:
        return self

    def __exit__(self, *exc: object) -> None:
        if self.returncode is None:
            self.stop()
        else:
            self.close()

    def _ended(self) -> bool:
        return bool(self._refused) or not self._listener.is_alive()

    def _listen(self) -> None:
        pipe = self._process.stdout
        if pipe is None:  # pragma: no cover - it is a pipe by construction
            return
        for line in pipe:
            try:
                data = json.loads(line)
                kind = data.pop("kind")
            except (ValueError, KeyError, AttributeError):
                continue  # a line cut short because nobody listened
            self._hear(kind, data)
        self._process.wait()
        with self._heard:
            self._refused = self._refused or (
                "" if self._started else f"it ended with exit code {self._process.returncode}"
            )
            self._heard.notify_all()

    def _hear(self, kind: str, data: dict[str, Any]) -> None:
        if kind == "done":
            self.outcome = Outcome(
                **{
                    **data,
                    "run_path": Path(data["run_path"]),
                    "warnings": tuple(data["warnings"]),
                }
            )
        if self._report is not None:
            self._report(kind, **data)
        with self._heard:
            if kind != "progress":
                self.told.append({"kind": kind, **data})
            if kind == "session":
                self._session_path = data["path"]
            elif kind == "started":
                self._started = True
            elif kind == "refused":
                self._refused = data["text"]
            self._heard.notify_all()


def _environment() -> dict[str, str]:
    """Ours, with the place this very package was loaded from in front."""
    home = str(Path(recorder.__file__).parents[1])
    rest = os.environ.get("PYTHONPATH", "")
    return {**os.environ, "PYTHONPATH": os.pathsep.join(filter(None, (home, rest)))}

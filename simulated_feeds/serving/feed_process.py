"""A feed or a replay as a process of its own, and the hand that holds it."""

from __future__ import annotations

import json
import os
import subprocess
import sys
import threading
from collections import deque
from pathlib import Path
from typing import TYPE_CHECKING, Any, Self

from simulated_feeds.physics.errors import FeedError

if TYPE_CHECKING:
    from collections.abc import Sequence
    from types import TracebackType

__all__ = ["FeedProcess", "start_process"]


class FeedProcess:
    """A running feed. Close it, or use it in a ``with``: it is then stopped."""

    def __init__(self, process: subprocess.Popen[str], folder: Path) -> None:
        self.folder = folder
        self.ports: dict[str, str] = {}
        """Device → address."""
        self.sheets: dict[str, Path] = {}
        """``car``, ``trip``, ``route``, ``pull_certificate``, ``wheel_certificate``."""
        self.started: dict[str, Any] = {}
        """``world0_monotonic_ns`` and ``utc0_ns`` once the devices have begun."""
        self.summary: dict[str, Any] = {}
        """What became of every frame, once ended."""
        self._process = process
        self._changed = threading.Condition()
        self._failure = ""
        self._errors: deque[str] = deque(maxlen=20)
        self._threads = [
            threading.Thread(target=self._read, name="feed-output", daemon=True),
            threading.Thread(target=self._read_errors, name="feed-errors", daemon=True),
        ]
        self._ended = False
        for thread in self._threads:
            thread.start()

    @property
    def pid(self) -> int:
        """Process id."""
        return self._process.pid

    def _read(self) -> None:
        stream = self._process.stdout
        if stream is None:
            return
        for line in stream:
            try:
                event = json.loads(line)
            except ValueError:
                self._errors.append(line.rstrip())
                continue
            with self._changed:
                self._take(event)
                self._changed.notify_all()
        with self._changed:
            self._ended = True
            self._changed.notify_all()

    def _take(self, event: dict[str, Any]) -> None:
        match event.get("event"):
            case "ready":
                self.ports = dict(event["ports"])
                self.sheets = {k: Path(v) for k, v in event["sheets"].items()}
            case "started":
                self.started = event
            case "ended":
                self.summary = event
            case "failed":
                self._failure = str(event.get("error", ""))

    def _read_errors(self) -> None:
        for line in self._process.stderr or ():
            self._errors.append(line.rstrip())

    def wait_ready(self, timeout_s: float = 30.0) -> None:
        """Until the ports are there; raises :class:`FeedError`."""
        with self._changed:
            self._changed.wait_for(lambda: bool(self.ports) or self._ended, timeout_s)
        if not self.ports:
            why = self._why()
            self.stop()
            msg = f"the feed did not start: {why}"
            raise FeedError(msg)

    def wait_started(self, timeout_s: float = 30.0) -> dict[str, Any]:
        """Until the devices have begun; raises :class:`FeedError`."""
        with self._changed:
            self._changed.wait_for(lambda: bool(self.started) or self._ended, timeout_s)
        if not self.started:
            msg = f"the feed did not begin within {timeout_s:g} s: {self._why()}"
            raise FeedError(msg)
        return self.started

    def _why(self) -> str:
        return self._failure or " / ".join(self._errors) or "nobody opened its ports"

    def wait(self, timeout_s: float | None = None) -> dict[str, Any]:
        """Until it has ended by itself; its summary.

        Raises
        ------
        FeedError
            It failed, or has not ended in time.
        """
        try:
            code = self._process.wait(timeout_s)
        except subprocess.TimeoutExpired as error:
            msg = f"the feed has not ended within {timeout_s} s"
            raise FeedError(msg) from error
        self._join()
        if code != 0:
            msg = f"the feed failed: {self._why()}"
            raise FeedError(msg)
        return self.summary

    def stop(self, timeout_s: float = 10.0) -> dict[str, Any]:
        """Tell it to end, and see that it does; may be called twice. Its summary."""
        if self._process.stdin is not None and not self._process.stdin.closed:
            try:
                self._process.stdin.close()
            except OSError as error:
                self._errors.append(str(error))
        try:
            self._process.wait(timeout_s)
        except subprocess.TimeoutExpired:
            self._process.kill()
            self._process.wait()
        self._join()
        return self.summary

    def kill(self) -> None:
        """End it as a crash would."""
        self._process.kill()
        self.stop()

    def _join(self) -> None:
        for thread in self._threads:
            thread.join()
        for stream in (self._process.stdin, self._process.stdout, self._process.stderr):
            if stream is not None and not stream.closed:
                try:
                    stream.close()
                except OSError as error:
                    self._errors.append(str(error))

    def __enter__(self) -> Self:
        return self

    def __exit__(
        self,
        kind: type[BaseException] | None,
        error: BaseException | None,
        trace: TracebackType | None,
    ) -> None:
        self.stop()


def start_process(words: Sequence[str], folder: Path, *, ready_timeout_s: float) -> FeedProcess:
    """Run ``python -m`` with these words and wait until it is ready; raises FeedError."""
    home = str(Path(__file__).resolve().parents[2])
    paths = [home, *filter(None, [os.environ.get("PYTHONPATH")])]
    process = subprocess.Popen(
        [sys.executable, "-m", *words],
        stdin=subprocess.PIPE,
        stdout=subprocess.PIPE,
        stderr=subprocess.PIPE,
        text=True,
        encoding="utf-8",
        env={**os.environ, "PYTHONPATH": os.pathsep.join(paths), "PYTHONUTF8": "1"},
    )
    feed = FeedProcess(process, folder)
    feed.wait_ready(ready_timeout_s)
    return feed

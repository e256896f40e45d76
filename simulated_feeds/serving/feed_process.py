"""A feed or a replay as a process of its own, and the hand that holds it."""

from __future__ import annotations

import sys
from pathlib import Path
from typing import TYPE_CHECKING, Any, Self

from calibration.quantities.printable import error_line
from recorder.machine.child_process import ChildProcess, python_command
from recorder.machine.child_reports import Orders, ReportWriter
from recorder.run.parts.errors import RunFileError
from recorder.sheets import SheetError
from simulated_feeds.serving.feed_reports import (
    FEED_REPORTS,
    FeedEnded,
    FeedFailed,
    FeedReady,
    FeedReport,
    FeedStarted,
)
from simulated_feeds.settings.errors import FeedError

if TYPE_CHECKING:
    from collections.abc import Callable

    from simulated_feeds.serving.feed_reports import FeedReporter

__all__ = ["STOP", "FeedProcess", "run_child", "start_process"]

STOP = "stop"


class FeedProcess:
    """A running feed. Close it, or use it in a ``with``: it is then stopped."""

    def __init__(self, module: str, settings: str, folder: Path) -> None:
        """Start it; see :func:`start_process`."""
        self.folder = folder
        self.ready: FeedReady | None = None
        self.started: FeedStarted | None = None
        self.ended: FeedEnded | None = None
        self._failure = ""
        self._child: ChildProcess[FeedReport] = ChildProcess(
            python_command(module, settings),
            name="feed",
            table=FEED_REPORTS,
            receive=self._receive,
            orders=True,
            keep_errors=True,
        )

    @property
    def pid(self) -> int:
        """Process id."""
        return self._child.pid

    @property
    def ports(self) -> dict[str, str]:
        """Device → address."""
        return {} if self.ready is None else dict(self.ready.ports)

    @property
    def sheets(self) -> dict[str, Path]:
        """``car``, ``trip``, ``route``, ``pull_certificate``, ``wheel_certificate``."""
        return {} if self.ready is None else {k: Path(v) for k, v in self.ready.sheets.items()}

    def wait_ready(self, timeout_s: float = 30.0) -> FeedReady:
        """Until the ports are there; raises :class:`FeedError`."""
        self._child.wait_until(lambda: self.ready is not None, timeout_s)
        if self.ready is None:
            why = self._why()
            self.stop()
            msg = f"the feed did not start: {why}"
            raise FeedError(msg)
        return self.ready

    def wait_started(self, timeout_s: float = 30.0) -> FeedStarted:
        """Until the devices have begun; raises :class:`FeedError`."""
        self._child.wait_until(lambda: self.started is not None, timeout_s)
        if self.started is None:
            msg = f"the feed did not begin within {timeout_s:g} s: {self._why()}"
            raise FeedError(msg)
        return self.started

    def wait(self, timeout_s: float | None = None) -> FeedEnded:
        """Until it has ended by itself; what became of every frame.

        Raises
        ------
        FeedError
            It failed, or has not ended in time.
        """
        try:
            code = self._child.wait(timeout_s)
        except TimeoutError as error:
            msg = f"the feed has not ended within {timeout_s} s"
            raise FeedError(msg) from error
        if code != 0 or self.ended is None:
            msg = f"the feed failed: {self._why()}"
            raise FeedError(msg)
        return self.ended

    def stop(self, timeout_s: float = 10.0) -> FeedEnded | None:
        """Order it to end, and see that it does; may be called twice.

        What became of every frame; None when it died before it could report that.
        """
        self._child.order(STOP)
        try:
            self._child.wait(timeout_s)
        except TimeoutError:
            self._child.kill()
        return self.ended

    def kill(self) -> None:
        """End it as a crash would."""
        self._child.kill()

    def _receive(self, report: FeedReport) -> None:
        match report:
            case FeedReady():
                self.ready = report
            case FeedStarted():
                self.started = report
            case FeedEnded():
                self.ended = report
            case FeedFailed(error):
                self._failure = error

    def _why(self) -> str:
        return self._failure or " / ".join(self._child.noise) or "nobody opened its ports"

    def __enter__(self) -> Self:
        return self

    def __exit__(self, *_: object) -> None:
        self.stop()


def start_process(
    module: str, settings: str, folder: Path, *, ready_timeout_s: float
) -> FeedProcess:
    """Run a module with its settings and wait until it is ready; raises FeedError."""
    feed = FeedProcess(module, settings, folder)
    feed.wait_ready(ready_timeout_s)
    return feed


def run_child(run: Callable[[str, FeedReporter, Callable[[], bool]], Any]) -> int:
    """The child's end: run it on the settings given, report, stop when ordered; 0 done, 2 not.

    It ends with who started it: the end of its standard input is an order to stop.
    """
    report = ReportWriter(FEED_REPORTS)
    orders = Orders([STOP])
    try:
        run(sys.argv[1], report, orders.given.is_set)
    except (FeedError, RunFileError, SheetError, OSError) as error:
        report(FeedFailed(error_line(error)))
        return 2
    except Exception as bug:
        what = " ".join(str(bug).split())
        report(FeedFailed(f"internal error: {type(bug).__name__}: {what}; report it"))
        raise
    return 0

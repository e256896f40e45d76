"""The parent's end of a child process of ours: start, reports, orders, end.

Recording, filer, feeds and windows are all started with :func:`python_command` and
:func:`child_environment`, so that nothing in the crew's current folder is ever imported
(``child_main``). Those that report are held by a :class:`ChildProcess`.
"""

from __future__ import annotations

import contextlib
import os
import signal
import subprocess
import sys
import threading
from collections import deque
from collections.abc import Callable
from pathlib import Path
from typing import IO, TYPE_CHECKING, Final, Generic, TypeVar

from recorder.machine import child_main
from recorder.machine.child_reports import Report, ReportError

if TYPE_CHECKING:
    from recorder.machine.child_reports import ReportTable

__all__ = ["ChildProcess", "child_environment", "python_command"]

R = TypeVar("R", bound=Report)
LISTENER_S: Final = 10.0
"""A dead child's pipes end at once, unless a child of its own holds them open."""


def python_command(module: str, *words: str | Path) -> list[str]:
    """The command that runs a module of ours with this Python, of this very version of ours."""
    return [sys.executable, "-P", child_main.__file__, module, *map(str, words)]


def child_environment(**more: str) -> dict[str, str]:
    """This process's environment for a child, with ``more`` set.

    What is on Python's path by a relative name, or as the current folder, is left out: there
    lie the crew's own files. The two flags go on to the children's children.
    """
    here = Path.cwd()
    given = os.environ.get("PYTHONPATH", "").split(os.pathsep)
    paths = [p for p in given if p and Path(p).is_absolute() and Path(p).resolve() != here]
    environment = {**os.environ, "PYTHONSAFEPATH": "1", "PYTHONUTF8": "1", **more}
    environment.pop("PYTHONPATH", None)
    if paths:
        environment["PYTHONPATH"] = os.pathsep.join(paths)
    return environment


class ChildProcess(Generic[R]):
    """A child that reports. It goes on when it is let go of, unless it minds its orders.

    Parameters
    ----------
    command
        As :func:`python_command` makes it.
    table
        How its reports read.
    receive
        Called with each report, from a thread of the child's own; must not raise.
    orders
        Whether it is given orders: its standard input is then kept open.
    keep_errors
        Whether its standard error goes to :attr:`noise` instead of to ours.
    """

    def __init__(
        self,
        command: list[str],
        *,
        name: str,
        table: ReportTable[R],
        receive: Callable[[R], None],
        orders: bool = False,
        keep_errors: bool = False,
    ) -> None:
        """Raises ``OSError`` when there can be no process."""
        self.noise: deque[str] = deque(maxlen=20)
        """Lines that were no reports, the newest last."""
        self._table = table
        self._receive = receive
        self._changed = threading.Condition()
        self._ended = False
        self._process = subprocess.Popen(
            command,
            stdin=subprocess.PIPE if orders else subprocess.DEVNULL,
            stdout=subprocess.PIPE,
            stderr=subprocess.PIPE if keep_errors else None,
            env=child_environment(),
            # On Windows a process can only be asked to stop if it leads a group of its own.
            creationflags=getattr(subprocess, "CREATE_NEW_PROCESS_GROUP", 0),
        )
        self._threads = [threading.Thread(target=self._listen, name=name, daemon=True)]
        if keep_errors:
            self._threads.append(
                threading.Thread(target=self._listen_errors, name=f"{name} errors", daemon=True)
            )
        try:
            for thread in self._threads:
                thread.start()
        except RuntimeError:
            # No thread could be had: a child that nobody hears is no child.
            self._process.kill()
            self._process.wait()
            raise

    @property
    def pid(self) -> int:
        """Process id."""
        return self._process.pid

    @property
    def returncode(self) -> int | None:
        """Exit code; None while it runs. Below zero: the signal that ended it."""
        return self._process.poll()

    def wait_until(self, settled: Callable[[], bool], timeout_s: float | None) -> bool:
        """Wait until what its reports say is settled, it has ended, or time is up.

        ``settled`` is asked after each report; returns its last answer.
        """
        with self._changed:
            self._changed.wait_for(lambda: settled() or self._ended, timeout_s)
            return settled()

    def order(self, word: str) -> None:
        """Say a word on its standard input; one that is gone hears nothing."""
        pipe = self._process.stdin
        if pipe is not None and not pipe.closed:
            with contextlib.suppress(OSError):
                pipe.write(word.encode() + b"\n")
                pipe.flush()

    def interrupt(self) -> None:
        """Ask it to stop, as a polite kill would."""
        if self.returncode is None:
            # Each system has one of the two, and the type checker knows its own.
            polite = signal.SIGTERM if os.name == "posix" else signal.CTRL_BREAK_EVENT  # type: ignore[attr-defined,unused-ignore]
            self._process.send_signal(polite)

    def wait(self, timeout_s: float | None) -> int:
        """Wait until it has ended and all its reports are heard; the exit code.

        Raises
        ------
        TimeoutError
        """
        try:
            code = self._process.wait(timeout_s)
        except subprocess.TimeoutExpired as error:
            msg = f"process {self.pid} has not ended after {timeout_s:g} s"
            raise TimeoutError(msg) from error
        self.close()
        return code

    def kill(self) -> None:
        """End it at once, as a crash would; may be called twice."""
        self._process.kill()
        self._process.wait()
        self.close()

    def close(self) -> None:
        """Let go of one that has ended; one that runs goes on, and is heard."""
        if self.returncode is None:
            return
        for thread in self._threads:
            if thread is not threading.current_thread():
                thread.join(LISTENER_S)
        for pipe in (self._process.stdin, self._process.stdout, self._process.stderr):
            if pipe is not None:
                # What was to be said to a dead child cannot be flushed any more.
                with contextlib.suppress(OSError):
                    pipe.close()

    # ------------------------------------------------------------------ threads

    def _listen(self) -> None:
        for line in _pipe(self._process.stdout):
            try:
                self._receive(self._table.from_json(line))
            except ReportError:
                self.noise.append(line.decode("utf-8", "replace").strip())
            self._notify()
        self._process.wait()
        self._ended = True
        self._notify()

    def _listen_errors(self) -> None:
        for line in _pipe(self._process.stderr):
            self.noise.append(line.decode("utf-8", "replace").rstrip())

    def _notify(self) -> None:
        with self._changed:
            self._changed.notify_all()


def _pipe(pipe: IO[bytes] | None) -> IO[bytes]:
    assert pipe is not None
    return pipe

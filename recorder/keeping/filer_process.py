"""The recording process's handle on its filer."""

from __future__ import annotations

import json
import os
import subprocess
import sys
import threading
from pathlib import Path
from typing import TYPE_CHECKING, Any, Self

import recorder
from recorder.keeping.errors import SealError

if TYPE_CHECKING:
    from collections.abc import Callable

__all__ = ["FilerProcess"]


def _environment() -> dict[str, str]:
    """Ours, with the place this very package was loaded from in front."""
    home = str(Path(recorder.__file__).parents[1])
    rest = os.environ.get("PYTHONPATH", "")
    return {**os.environ, "PYTHONPATH": os.pathsep.join(filter(None, (home, rest)))}


class FilerProcess:
    """A filer at work. Its failure never stops a recording: the journal has everything."""

    def __init__(self, journal_path: Path | str, run_path: Path | str) -> None:
        """Start the process.

        Raises
        ------
        FileExistsError
            There is a run file already.
        """
        self.run_path = Path(run_path)
        if self.run_path.exists():
            msg = "a run file is there already; it is never overwritten"
            raise FileExistsError(17, msg, str(self.run_path))
        self._progress: Callable[[float, str], None] | None = None
        self._last: dict[str, Any] = {}
        self._failed = ""
        self._sealed = False
        self._process = subprocess.Popen(
            [sys.executable, "-m", "recorder.keeping.filer", str(journal_path), str(run_path)],
            stdin=subprocess.PIPE,
            stdout=subprocess.PIPE,
            text=True,
            encoding="utf-8",
            env=_environment(),
        )
        self._listener = threading.Thread(target=self._listen, name="filer", daemon=True)
        self._listener.start()

    @property
    def pid(self) -> int:
        """Process id."""
        return self._process.pid

    @property
    def problem(self) -> str:
        """Why the run file is not being written, in one line; empty while all is well."""
        if self._failed:
            return self._failed
        code = self._process.poll()
        if code not in (None, 0):
            return (
                f"{self.run_path}: the filer ended with code {code}; recording goes on in the"
                " journal: recover the run from it afterwards"
            )
        return ""

    @property
    def filed(self) -> dict[str, Any]:
        """Last report: ``records`` by device, ``rows``, ``damaged``; empty before the first."""
        return dict(self._last)

    def seal(
        self,
        *,
        progress: Callable[[float, str], None] | None = None,
        timeout_s: float | None = None,
    ) -> None:
        """File the rest, seal, check, remove the journal; its writer must have closed it.

        Raises
        ------
        SealError
            Something failed; the journal is kept and holds everything.
        TimeoutError
        """
        self._progress = progress
        self._order("seal")
        self._finish(timeout_s)
        if not self._sealed:
            raise SealError(self.problem or f"{self.run_path}: the filer ended without sealing")

    def stop(self, timeout_s: float | None = None) -> None:
        """File what is committed and close the file, not sealed.

        Raises
        ------
        TimeoutError
        """
        self._order("stop")
        self._finish(timeout_s)

    def _order(self, word: str) -> None:
        pipe = self._process.stdin
        if pipe is None or pipe.closed:
            return
        try:
            pipe.write(word + "\n")
            pipe.flush()
        except BrokenPipeError:
            # It is gone: its exit code and last words tell why.
            return

    def _finish(self, timeout_s: float | None) -> None:
        try:
            self._process.wait(timeout_s)
        except subprocess.TimeoutExpired as error:
            msg = f"{self.run_path}: the filer has not finished after {timeout_s:g} s"
            raise TimeoutError(msg) from error
        self._listener.join(timeout=10.0)
        self._close_pipes()

    def _close_pipes(self) -> None:
        for pipe in (self._process.stdin, self._process.stdout):
            if pipe is not None and not pipe.closed:
                try:
                    pipe.close()
                except BrokenPipeError:
                    continue

    def kill(self) -> None:
        """End it at once (an abandoned recording)."""
        self._process.kill()
        self._finish(10.0)

    def _listen(self) -> None:
        pipe = self._process.stdout
        assert pipe is not None
        for line in pipe:
            try:
                told = json.loads(line)
                kind = told.pop("kind")
            except (ValueError, KeyError, AttributeError):
                self._failed = f"{self.run_path}: the filer said {line.strip()[:200]!r}"
                continue
            self._hear(kind, told)

    def _hear(self, kind: str, told: dict[str, Any]) -> None:
        if kind in ("filed", "stopped"):
            self._last = told
        elif kind == "sealing" and self._progress is not None:
            self._progress(float(told["part"]), str(told["what"]))
        elif kind == "sealed":
            self._sealed = True
        elif kind == "failed":
            self._failed = str(told["why"])

    def __enter__(self) -> Self:
        return self

    def __exit__(self, *_: object) -> None:
        if self._process.poll() is None:
            self.kill()
        else:
            self._finish(10.0)

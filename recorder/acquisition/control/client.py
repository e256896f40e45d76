"""Attach to a running recording: read its rings, key marks, ask for its state. No Qt here."""

from __future__ import annotations

import contextlib
import json
import os
import threading
import uuid
from collections.abc import Mapping
from multiprocessing import AuthenticationError
from multiprocessing.connection import Client, Connection
from pathlib import Path
from typing import Any, Final

from recorder.acquisition.control.session_files import (
    SessionError,
    SessionFile,
    read_session,
    sessions,
)
from recorder.acquisition.control.status import SessionStatus
from recorder.acquisition.ring.ring import RingReader
from recorder.marks.mark import Mark
from recorder.run.header import Event, RunHeader

__all__ = ["LiveSession", "RefusedError", "SessionError", "SessionLostError", "attach"]

ANSWER_S: Final = 10.0
"""A recording that does not answer for so long is not there."""


class SessionLostError(SessionError):
    """The recording has ended, or does not answer."""


class RefusedError(ValueError):
    """The recording understood and refused; the text says why."""


def attach(path: str | Path | None = None) -> LiveSession:
    """Attach to a running recording of this machine and user.

    Parameters
    ----------
    path
        A session file, or the run file being recorded; None when only one recording runs.

    Raises
    ------
    SessionError
        None is running, several are and none was chosen, or the one chosen is gone.
    """
    if path is not None and Path(path).suffix == ".session":
        return LiveSession(Path(path), read_session(Path(path)))
    running = sessions()
    if path is not None:
        wanted = Path(path).resolve()
        running = [(p, s) for p, s in running if Path(s.run_path) == wanted]
    if not running:
        what = "" if path is None else f" to {path}"
        msg = f"no recording{what} is running here; start one with testcar record"
        raise SessionError(msg)
    if len(running) > 1:
        names = ", ".join(s.run_path for _, s in running)
        msg = f"{len(running)} recordings are running, say which run file: {names}"
        raise SessionError(msg)
    return LiveSession(*running[0])


class LiveSession:
    """One attached client. Methods may be called from any thread; each waits for its answer."""

    def __init__(self, path: Path, found: SessionFile) -> None:
        """Connect; raises :class:`SessionLostError` when the recording is gone."""
        self.path = path
        self.run_path = Path(found.run_path)
        self.journal_path = Path(found.journal_path)
        self._found = found
        self._turn = threading.Lock()
        self._lost = ""
        self._connection: Connection | None = self._connect()
        told = self._ask("header")
        self.header: RunHeader = RunHeader.from_json(told["header"])
        """What is recorded: devices, channels, certificates, both sheets."""

    @property
    def lost(self) -> str:
        """Why the recording cannot be reached any more; empty while it can."""
        return self._lost

    def readers(self, *, backlog: bool = True) -> dict[str, RingReader]:
        """A new reader for each device's ring, from the oldest block held or from now on.

        Whoever asks closes them. Raises :class:`RingError` when the recording has ended.
        """
        opened: dict[str, RingReader] = {}
        try:
            for device in self.header.devices:
                ring = self._found.rings[device.name]
                opened[device.name] = RingReader(
                    ring, dtype=device.record_dtype, backlog=backlog
                )
        except BaseException:
            for reader in opened.values():
                reader.close()
            raise
        return opened

    def status(self) -> SessionStatus:
        """State of devices, disk, filer and rings."""
        return SessionStatus.from_dict(self._ask("status")["status"])

    def run_time_s(self, monotonic_ns: int) -> float:
        """Run time of an instant of this machine's monotonic clock."""
        return (monotonic_ns - self.header.started_monotonic_ns) / 1e9

    def mark(
        self,
        kind: str,
        keyed_monotonic_ns: int,
        value: str = "",
        *,
        note: str = "",
        by: str = "",
        extra: Mapping[str, Any] | None = None,
    ) -> Mark:
        """Take a mark; it is durable when this returns.

        ``keyed_monotonic_ns`` is ``time.monotonic_ns()`` at the key-down.

        Raises
        ------
        RefusedError
            Unknown kind, a value of the wrong form, an instant outside the run.
        SessionLostError
            No acknowledgement: the mark must not be shown as taken.
        """
        told = self._ask(
            "mark",
            mark_id=uuid.uuid4().hex,
            kind=kind,
            keyed_monotonic_ns=keyed_monotonic_ns,
            value=value,
            note=note,
            by=by,
            extra=dict(extra or {}),
        )
        return Mark.from_dict(told["mark"])

    def revise(self, mark: Mark) -> Mark:
        """Keep a revision (``mark.revised(...)``); durable when this returns.

        The newest revision held must be the one before it; a withdrawal is a revision with
        ``withdrawn=True``. Raises as :meth:`mark`.
        """
        return Mark.from_dict(self._ask("revise", mark=mark.to_dict())["mark"])

    def marks(self, since: int = 0) -> list[Mark]:
        """All revisions in the order they were kept, from number ``since`` on."""
        return [Mark.from_dict(m) for m in self._ask("marks", since=since)["marks"]]

    def events(self, since: int = 0) -> list[Event]:
        """Gaps, zeros, checks, stop and the like (not health), from number ``since`` on."""
        return [Event(**e) for e in self._ask("events", since=since)["events"]]

    def take_zero(self, seconds: float = 3.0, *, channel: str = "") -> list[Event]:
        """Take the zero of a channel, or of every force channel, now. Waits so long.

        Only with no force on the coupler. Returns the ``zero`` events kept; their data say
        whether they were accepted and, in words, how they compare with the certificate.
        """
        told = self._ask_alone("zero", seconds, seconds=seconds, channel=channel)
        return [Event(**e) for e in told["events"]]

    def shunt_check(
        self, channel: str, when: str, *, seconds: float = 3.0, step: str = "shunted"
    ) -> Event:
        """Read a channel for a shunt check: first ``step="open"``, then ``step="shunted"``.

        ``when`` is ``before`` or ``after`` the run. Returns the event kept.
        """
        told = self._ask_alone(
            "shunt_check", seconds, channel=channel, when=when, seconds=seconds, step=step
        )
        return Event(**told["event"])

    def stop(self, reason: str = "stopped from a window") -> None:
        """Ask for a clean stop; the recording seals its file after this returns."""
        self._ask("stop", reason=reason)

    def close(self) -> None:
        """Let go; the recording goes on."""
        with self._turn:
            if self._connection is not None:
                self._connection.close()
                self._connection = None
            self._lost = self._lost or "closed"

    def __enter__(self) -> LiveSession:
        return self

    def __exit__(self, *exc: object) -> None:
        self.close()

    # ------------------------------------------------------------------ the channel

    def _connect(self) -> Connection:
        family = "AF_PIPE" if os.name == "nt" else "AF_UNIX"
        try:
            return Client(
                self._found.address, family=family, authkey=bytes.fromhex(self._found.authkey)
            )
        except (OSError, EOFError, AuthenticationError) as error:
            msg = f"the recording of {self.run_path.name} cannot be reached; it has ended"
            self._lost = msg
            raise SessionLostError(msg) from error

    def _ask(self, what: str, **words: object) -> dict[str, Any]:
        with self._turn:
            if self._connection is None:
                raise SessionLostError(self._lost or "closed")
            try:
                return self._exchange(self._connection, ANSWER_S, what, words)
            except SessionLostError as lost:
                self._lost = str(lost)
                self._connection.close()
                self._connection = None
                raise

    def _ask_alone(self, what: str, more_s: float, **words: object) -> dict[str, Any]:
        """Over a connection of its own, so that marks and states need not wait for it."""
        if self._lost:
            raise SessionLostError(self._lost)
        connection = self._connect()
        with contextlib.closing(connection):
            return self._exchange(connection, ANSWER_S + more_s, what, words)

    def _exchange(
        self, connection: Connection, wait_s: float, what: str, words: Mapping[str, object]
    ) -> dict[str, Any]:
        name = self.run_path.name
        try:
            connection.send_bytes(json.dumps({"ask": what, **words}).encode())
            if not connection.poll(wait_s):
                msg = f"the recording of {name} does not answer"
                raise SessionLostError(msg)
            answer: dict[str, Any] = json.loads(connection.recv_bytes())
        except (EOFError, ConnectionError, BrokenPipeError) as error:
            msg = f"the recording of {name} has ended"
            raise SessionLostError(msg) from error
        if not answer.get("ok"):
            raise RefusedError(str(answer.get("error", "refused")))
        return answer

"""Attach to a running recording: read its rings, key marks, ask for its state. No Qt here."""

from __future__ import annotations

import os
import threading
import time
import uuid
from contextlib import closing
from multiprocessing import AuthenticationError
from multiprocessing.connection import (
    Client,
    Connection,
    answer_challenge,
    deliver_challenge,
)
from pathlib import Path
from typing import Final, TypeVar

from recorder.acquisition.control import exchanges
from recorder.acquisition.control.exchanges import Exchange
from recorder.acquisition.control.requests import (
    Ask,
    Extra,
    KeyedMark,
    MarkRevision,
    NotKeptYetError,
    ShuntRequest,
    Since,
    StopRequest,
    ZeroRequest,
    ZeroRevision,
)
from recorder.acquisition.control.server import limit_stalls
from recorder.acquisition.control.session_files import (
    SessionError,
    SessionFile,
    read_session,
    sessions,
)
from recorder.acquisition.control.status import SessionStatus
from recorder.acquisition.ring.ring import RingReader
from recorder.marks.mark import Mark
from recorder.run.checks.shunt_check import ShuntCheck, ShuntStep
from recorder.run.checks.zero_line import Zero, zeros_of
from recorder.run.checks.zero_revision import ZeroEdit
from recorder.run.parts.event import Event
from recorder.run.parts.header import RunHeader

__all__ = ["CHECK_S", "LiveSession", "SessionLostError", "attach"]

R = TypeVar("R")
A = TypeVar("A")

CHECK_S: Final = 3.0
"""Time for a zero or a step of a shunt check, unless another is asked for."""
ANSWER_S: Final = 10.0
"""A recording that does not answer for so long is not there."""


class SessionLostError(SessionError):
    """The recording has ended, or does not answer."""


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
        msg = (
            f"{len(running)} recordings are running; say which: testcar window and check take"
            f" one with --session RUN.h5: {names}"
        )
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
        self.header: RunHeader = self._ask(exchanges.HEADER, Ask())
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
                    ring, dtype=device.record_dtype, device=device.name, backlog=backlog
                )
        except BaseException:
            for reader in opened.values():
                reader.close()
            raise
        return opened

    def status(self) -> SessionStatus:
        """State of devices, disk, filer and rings."""
        return self._ask(exchanges.STATUS, Ask())

    def run_time_s(self, monotonic_ns: int) -> float:
        """Run time of an instant of this machine's monotonic clock."""
        return self.header.clock.run_s(monotonic_ns)

    def mark(
        self,
        kind: str,
        keyed_monotonic_ns: int,
        value: str = "",
        *,
        note: str = "",
        by: str = "",
        extra: Extra | None = None,
    ) -> Mark:
        """Take a mark keyed at ``keyed_monotonic_ns`` (``machine.clocks.now_ns()``); see
        :meth:`take`, which is asked again, as the same mark, until it is kept: for so long as a
        recording may take to answer."""
        keyed = KeyedMark(
            mark_id=uuid.uuid4().hex,
            kind=kind,
            keyed_monotonic_ns=keyed_monotonic_ns,
            value=value,
            note=note,
            by=by,
            extra=extra or {},
        )
        deadline = time.monotonic() + ANSWER_S
        while True:
            try:
                return self.take(keyed)
            except NotKeptYetError:
                if time.monotonic() >= deadline:
                    raise

    def take(self, keyed: KeyedMark) -> Mark:
        """Take a mark; it is durable when this returns. Asked again, it is the same mark.

        Raises
        ------
        RequestRefusedError
            Unknown kind, a value of the wrong form, an instant outside the run.
        NotKeptYetError
            The disk does not take it now; the recording goes on trying, and lists it among
            :meth:`marks` once it is kept.
        SessionLostError
            No acknowledgement: the mark must not be shown as taken.
        """
        return self._ask(exchanges.MARK, keyed)

    def revise(self, mark: Mark) -> Mark:
        """Keep a revision (``mark.revised(...)``); durable when this returns.

        The newest revision held must be the one before it; a withdrawal is a revision with
        ``withdrawn=True``. Raises as :meth:`take`.
        """
        return self._ask(exchanges.REVISE, MarkRevision(mark))

    def marks(self, since: int = 0) -> list[Mark]:
        """All revisions in the order they were kept, from number ``since`` on."""
        return self._ask(exchanges.MARKS, Since(since))

    def events(self, since: int = 0) -> list[Event]:
        """Gaps, zeros, checks, stop and the like (not health), from number ``since`` on."""
        return self._ask(exchanges.EVENTS, Since(since))

    def take_zero(
        self, seconds: float = CHECK_S, *, channel: str = "", force: str = "", by: str = ""
    ) -> list[Zero]:
        """Take the zero of a channel, or of every force channel, now. Waits so long.

        Only with no force on the coupler. Returns the zeros kept, accepted or refused; ``force``
        is why one that its guards refuse is to be accepted all the same, ``by`` who says so.
        Raises as :meth:`take`.
        """
        request = ZeroRequest(seconds=seconds, channel=channel, force=force, by=by)
        return self._ask_alone(exchanges.ZERO, request, seconds)

    def zeros(self) -> list[Zero]:
        """Zeros of the run so far with their revisions, in the order kept."""
        return zeros_of(self.events())

    def revise_zero(self, zero: Zero, edit: ZeroEdit, reason: str, *, by: str = "") -> Zero:
        """Withdraw, restore or accept a zero; returns its new revision. Raises as :meth:`take`."""
        request = ZeroRevision(
            edit=edit, channel=zero.channel, t_s=zero.t_s, reason=reason, by=by
        )
        return self._ask(exchanges.REVISE_ZERO, request)

    def shunt_check(
        self, step: ShuntStep, seconds: float = CHECK_S, *, channel: str = ""
    ) -> ShuntCheck:
        """Read a channel for a shunt check: first open, then shunted. Waits so long.

        With an empty name the one whose certificate states a shunt value. Raises as
        :meth:`take`.
        """
        request = ShuntRequest(channel=channel, step=step, seconds=seconds)
        return self._ask_alone(exchanges.SHUNT, request, seconds)

    def stop(self, reason: str = "stopped from a window") -> None:
        """Ask for a clean stop; the recording seals its file after this returns."""
        self._ask(exchanges.STOP, StopRequest(reason))

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
            connection = Client(self._found.address, family=family)
            try:
                self._show_key(connection)
            except BaseException:
                connection.close()
                raise
        except BlockingIOError as error:
            self._lost = self._silent
            raise SessionLostError(self._lost) from error
        except (OSError, EOFError, AuthenticationError) as error:
            msg = f"the recording of {self.run_path.name} cannot be reached; it has ended"
            self._lost = msg
            raise SessionLostError(msg) from error
        return connection

    def _show_key(self, connection: Connection) -> None:
        """The handshake; with a limit, for the system takes connections of the frozen, too."""
        limit_stalls(connection, ANSWER_S)
        key = bytes.fromhex(self._found.authkey)
        answer_challenge(connection, key)
        deliver_challenge(connection, key)

    def _ask(self, exchange: Exchange[R, A], request: R) -> A:
        with self._turn:
            if self._connection is None:
                raise SessionLostError(self._lost or "closed")
            try:
                return self._over(self._connection, ANSWER_S, exchange, request)
            except SessionLostError as lost:
                self._lost = str(lost)
                self._connection.close()
                self._connection = None
                raise

    def _ask_alone(self, exchange: Exchange[R, A], request: R, more_s: float) -> A:
        """Over a connection of its own, so that marks and states need not wait for it."""
        if self._lost:
            raise SessionLostError(self._lost)
        with closing(self._connect()) as connection:
            return self._over(connection, ANSWER_S + more_s, exchange, request)

    @property
    def _silent(self) -> str:
        return f"the recording of {self.run_path.name} does not answer"

    def _over(
        self, connection: Connection, wait_s: float, exchange: Exchange[R, A], request: R
    ) -> A:
        try:
            connection.send_bytes(exchange.message(request))
            answer = connection.recv_bytes() if connection.poll(wait_s) else None
        except BlockingIOError:
            answer = None  # it stopped in the middle of one
        except (EOFError, OSError) as error:
            msg = f"the recording of {self.run_path.name} has ended"
            raise SessionLostError(msg) from error
        if answer is None:
            raise SessionLostError(self._silent)
        return exchange.answer_of(answer)

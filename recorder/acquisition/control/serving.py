"""The recording's side of the control channel: what each request of a client does."""

from __future__ import annotations

import contextlib
import os
import secrets
from typing import TYPE_CHECKING, Protocol

from recorder.acquisition.control import exchanges
from recorder.acquisition.control.requests import RequestError
from recorder.acquisition.control.server import ControlServer
from recorder.acquisition.control.session_files import (
    SessionFile,
    process_started,
    socket_address,
    write_session,
)
from recorder.run.checks.zero_line import ZeroTime, ZeroWish
from recorder.run.parts.states import RunState

if TYPE_CHECKING:
    from collections.abc import Iterator, Mapping
    from pathlib import Path

    from recorder.acquisition.control.exchanges import Handler
    from recorder.acquisition.control.requests import (
        KeyedMark,
        MarkRevision,
        ShuntRequest,
        ZeroRequest,
        ZeroRevision,
    )
    from recorder.acquisition.control.status import SessionStatus
    from recorder.marks.mark import Mark
    from recorder.run.checks.shunt_check import ShuntCheck, ShuntStep
    from recorder.run.checks.zero_line import Zero
    from recorder.run.parts.event import Event
    from recorder.run.parts.header import RunHeader

__all__ = ["Marks", "Served", "handlers", "open_to_clients"]


class Marks(Protocol):
    """Keeps marks: durable when it returns, ``ValueError`` when refused."""

    def take(self, keyed: KeyedMark) -> Mark: ...
    def revise(self, revision: MarkRevision) -> Mark: ...
    def since(self, number: int) -> list[Mark]: ...


class Checks(Protocol):
    """Takes zeros and shunt readings; each waits as long as it takes."""

    def take_zero(
        self, seconds: float, name: str, *, when: ZeroTime, wish: ZeroWish | None = None
    ) -> list[Zero]: ...
    def revise_zero(self, request: ZeroRevision) -> Zero: ...
    def shunt(self, seconds: float, name: str, step: ShuntStep) -> ShuntCheck: ...


class Served(Protocol):
    """As much of a recording as its clients can reach. Used from the clients' threads."""

    @property
    def header(self) -> RunHeader: ...
    @property
    def state(self) -> RunState: ...
    @property
    def marks(self) -> Marks: ...
    @property
    def checks(self) -> Checks: ...
    @property
    def events(self) -> list[Event]: ...
    def status(self) -> SessionStatus: ...
    def stop(self, reason: str) -> None: ...
    def warn(self, text: str) -> None: ...


def handlers(run: Served) -> dict[str, Handler]:
    """For every word of the channel, what it does."""

    def zero(request: ZeroRequest) -> list[Zero]:
        _must_record(run)
        wish = ZeroWish(force=request.force, by=request.by)
        return run.checks.take_zero(
            request.seconds, request.channel, when=ZeroTime.DURING, wish=wish
        )

    def revise_zero(request: ZeroRevision) -> Zero:
        _must_record(run)
        return run.checks.revise_zero(request)

    def shunt(request: ShuntRequest) -> ShuntCheck:
        _must_record(run)
        return run.checks.shunt(request.seconds, request.channel, request.step)

    return dict(
        [
            exchanges.HEADER.served_by(lambda _: run.header),
            exchanges.STATUS.served_by(lambda _: run.status()),
            exchanges.MARK.served_by(run.marks.take),
            exchanges.REVISE.served_by(run.marks.revise),
            exchanges.MARKS.served_by(lambda since: run.marks.since(since.number)),
            exchanges.EVENTS.served_by(lambda since: run.events[since.number :]),
            exchanges.ZERO.served_by(zero),
            exchanges.REVISE_ZERO.served_by(revise_zero),
            exchanges.SHUNT.served_by(shunt),
            exchanges.STOP.served_by(lambda request: run.stop(request.reason)),
        ]
    )


def _must_record(run: Served) -> None:
    if run.state is not RunState.RECORDING:
        msg = f"not now: the recording is at {run.state}; checks are taken while it records"
        raise RequestError(msg)


@contextlib.contextmanager
def open_to_clients(
    run: Served, *, run_path: Path, journal_path: Path, rings: Mapping[str, str]
) -> Iterator[Path]:
    """Serve clients, and let them find this recording; gives the session file.

    ``rings`` is device → name in shared memory. Raises ``OSError`` when channel or session
    file cannot be made; nothing is left behind.
    """
    authkey = secrets.token_bytes(32)
    server = ControlServer(
        socket_address(os.getpid()),
        authkey,
        handlers(run),
        on_bug=lambda bug: run.warn(f"a client's request failed: {bug}"),
    )
    with contextlib.closing(server):
        path = write_session(
            SessionFile(
                pid=os.getpid(),
                started=process_started(os.getpid()),
                address=server.address,
                authkey=authkey.hex(),
                run_path=str(run_path.resolve()),
                journal_path=str(journal_path.resolve()),
                run_id=run.header.run_id,
                rings=dict(rings),
            )
        )
        try:
            yield path
        finally:
            path.unlink(missing_ok=True)

"""The control channel answers friends, refuses strangers, and no client can hold it up."""

from __future__ import annotations

import contextlib
import json
import os
import secrets
import socket
import stat
import threading
import time
from collections.abc import Callable, Iterator, Mapping
from concurrent.futures import ThreadPoolExecutor
from multiprocessing import AuthenticationError
from multiprocessing.connection import (
    Client,
    Connection,
    answer_challenge,
    deliver_challenge,
)
from pathlib import Path
from typing import Any

import pytest
from hypothesis import HealthCheck, given, settings
from hypothesis import strategies as st

from recorder.acquisition.control import client, server
from recorder.acquisition.control.client import SessionLostError, attach
from recorder.acquisition.control.exchanges import MARK, RequestRefusedError
from recorder.acquisition.control.requests import NotKeptYetError
from recorder.acquisition.control.server import ControlServer
from recorder.acquisition.control.session_files import (
    SessionFile,
    process_started,
    socket_address,
    write_session,
)
from recorder.keeping.errors import NotKeptError

KEY = secrets.token_bytes(32)
ECHO = {"ask": "echo", "say": "hello"}
LONGEST_S = 3.0
"""Below one where it was measured; a machine that does other work is given three."""
FAMILY = "AF_PIPE" if os.name == "nt" else "AF_UNIX"


class Desk:
    """A server with handlers of its own."""

    def __init__(self) -> None:
        self.bugs: list[Exception] = []
        self.wait = threading.Event()
        self.server = ControlServer(
            socket_address(os.getpid()),
            KEY,
            {
                "echo": lambda fields: fields["say"],
                "wait": lambda _fields: self.wait.wait(20.0),
                "bug": lambda _fields: 1 // 0,
                "refuse": self.refuse,
                "mark": self.waits,
                "disk": self.fails,
            },
            on_bug=self.bugs.append,
        )

    def refuse(self, _fields: Mapping[str, object]) -> object:
        msg = "not\nnow"
        raise ValueError(msg)

    def fails(self, _fields: Mapping[str, object]) -> object:
        raise NotKeptError(5, "disk I/O error", "run.h5.journal")

    def waits(self, _fields: Mapping[str, object]) -> object:
        msg = "not kept yet (database is locked)"
        raise NotKeptYetError(msg)

    def client(self, key: bytes = KEY) -> Connection:
        return Client(self.server.address, family=FAMILY, authkey=key)


def ask(connection: Connection, message: object) -> dict[str, Any]:
    data = message if isinstance(message, bytes) else json.dumps(message).encode()
    connection.send_bytes(data)
    assert connection.poll(10.0)
    answer: dict[str, Any] = json.loads(connection.recv_bytes())
    return answer


@pytest.fixture
def desk() -> Iterator[Desk]:
    made = Desk()
    yield made
    made.wait.set()
    made.server.close()


def test_a_friend_is_answered(desk: Desk) -> None:
    with desk.client() as friend:
        assert ask(friend, ECHO) == {"ok": True, "answer": "hello"}
        assert ask(friend, {"ask": "tea"}) == {
            "ok": False,
            "error": "unknown request 'tea'; known: echo, wait, bug, refuse, mark, disk",
        }
        assert ask(friend, {"ask": "refuse"}) == {"ok": False, "error": "not now"}
        told = ask(friend, {"ask": "disk"})
        assert told == {"ok": False, "error": "run.h5.journal: disk I/O error"}, "no number"
        assert ask(friend, ECHO)["ok"]


def test_a_mark_not_kept_yet_is_neither_kept_nor_refused(desk: Desk) -> None:
    with desk.client() as friend:
        friend.send_bytes(b'{"ask": "mark"}')
        assert friend.poll(10.0)
        with pytest.raises(NotKeptYetError, match="database is locked"):
            MARK.answer_of(friend.recv_bytes())
        friend.send_bytes(b'{"ask": "refuse"}')
        assert friend.poll(10.0)
        with pytest.raises(RequestRefusedError, match="not now"):
            MARK.answer_of(friend.recv_bytes())
    assert desk.bugs == []


def test_a_stranger_is_refused(desk: Desk) -> None:
    with pytest.raises(AuthenticationError):
        desk.client(b"guess")
    with desk.client() as friend:
        assert ask(friend, ECHO)["ok"]


@pytest.mark.skipif(os.name == "nt", reason="pipes have no file mode")
def test_the_socket_is_private(desk: Desk) -> None:
    path = Path(desk.server.address)
    assert stat.S_IMODE(path.stat().st_mode) == 0o600
    assert stat.S_IMODE(path.parent.stat().st_mode) == 0o700


@pytest.mark.parametrize(
    "message",
    [
        b"",
        b"\xff",
        b"{",
        b"[]",
        b"7",
        b"{}",
        b'{"ask": 7}',
        b"[" * 5000,
        b'{"ask": "echo", "a":',
    ],
)
def test_nonsense_is_refused_and_the_channel_stays(desk: Desk, message: bytes) -> None:
    with desk.client() as friend:
        assert not ask(friend, message)["ok"]
        assert ask(friend, ECHO)["ok"]
    assert desk.bugs == []


@settings(
    max_examples=50, deadline=None, suppress_health_check=[HealthCheck.function_scoped_fixture]
)
@given(message=st.binary(max_size=200))
def test_any_bytes_get_an_answer(desk: Desk, message: bytes) -> None:
    with desk.client() as friend:
        assert "ok" in ask(friend, message)


def test_a_bug_of_ours_is_told_and_does_not_end_the_channel(desk: Desk) -> None:
    with desk.client() as friend:
        answer = ask(friend, {"ask": "bug"})
        assert "internal error: ZeroDivisionError" in answer["error"]
        assert ask(friend, ECHO)["ok"]
    assert [type(bug) for bug in desk.bugs] == [ZeroDivisionError]


def test_too_long_a_message_ends_that_client_only(desk: Desk) -> None:
    with desk.client() as greedy, desk.client() as friend:
        with pytest.raises((EOFError, ConnectionError)):
            ask(greedy, b"x" * (server.MOST_BYTES + 1))
        assert ask(friend, ECHO)["ok"]


def test_one_that_waits_holds_up_nobody(desk: Desk) -> None:
    with desk.client() as slow, desk.client() as friend:
        slow.send_bytes(b'{"ask": "wait"}')
        assert ask(friend, ECHO)["ok"]
        desk.wait.set()
        assert json.loads(slow.recv_bytes())["answer"]


@pytest.mark.skipif(os.name == "nt", reason="plain sockets only")
def test_a_stranger_that_says_nothing_holds_up_nobody_and_is_dropped(
    desk: Desk, monkeypatch: pytest.MonkeyPatch
) -> None:
    monkeypatch.setattr(server, "HANDSHAKE_S", 0.3)
    with socket.socket(socket.AF_UNIX) as dumb, socket.socket(socket.AF_UNIX) as half:
        dumb.connect(desk.server.address)
        half.connect(desk.server.address)
        half.sendall(b"\x00\x00")
        with desk.client() as friend:
            assert ask(friend, ECHO)["ok"]
        for stranger in (dumb, half):
            stranger.settimeout(10.0)
            while stranger.recv(4096):
                pass


@pytest.mark.skipif(os.name == "nt", reason="plain sockets only")
def test_more_than_enough_clients_are_turned_away(desk: Desk) -> None:
    crowd = [desk.client() for _ in range(server.MOST_CLIENTS)]
    try:
        with desk.client() as late, pytest.raises((EOFError, OSError)):
            ask(late, ECHO)
        assert ask(crowd[0], ECHO)["ok"]
    finally:
        for friend in crowd:
            friend.close()


@pytest.mark.skipif(os.name == "nt", reason="plain sockets only")
def test_a_thread_that_cannot_be_had_costs_that_client_alone(
    desk: Desk, monkeypatch: pytest.MonkeyPatch
) -> None:
    start, refused = threading.Thread.start, list[threading.Thread]()

    def start_if_there_is_one(thread: threading.Thread) -> None:
        if thread.name == "control client" and len(refused) < 2:
            refused.append(thread)
            msg = "can't start new thread"
            raise RuntimeError(msg)
        start(thread)

    monkeypatch.setattr(threading.Thread, "start", start_if_there_is_one)
    for _ in range(2):
        with socket.socket(socket.AF_UNIX) as turned_away:
            turned_away.settimeout(10.0)
            turned_away.connect(desk.server.address)
            assert turned_away.recv(1) == b""
    with desk.client() as friend:
        assert ask(friend, ECHO)["ok"]
    assert [str(bug) for bug in desk.bugs] == ["can't start new thread"], "told once"


def half_a_challenge(answering: Connection) -> None:
    os.write(answering.fileno(), b"\x00\x00\x00\x20#CHALL")


def half_an_answer(answering: Connection) -> None:
    deliver_challenge(answering, KEY)
    answer_challenge(answering, KEY)
    answering.recv_bytes()
    os.write(answering.fileno(), b'\x00\x00\x00\x20{"ok": true')


@pytest.mark.skipif(os.name == "nt", reason="plain sockets only")
@pytest.mark.parametrize("goes_so_far", [None, half_a_challenge, half_an_answer])
def test_a_recording_that_does_not_answer_is_not_waited_for_without_end(
    goes_so_far: Callable[[Connection], None] | None,
    tmp_path: Path,
    monkeypatch: pytest.MonkeyPatch,
) -> None:
    """Frozen before or in the middle of the handshake, or later: the system still takes
    connections, and nobody may be told that the recording has ended."""
    monkeypatch.setattr(client, "ANSWER_S", 0.3)
    with socket.socket(socket.AF_UNIX) as frozen:
        address = str(tmp_path / "s")
        frozen.bind(address)
        frozen.listen()
        mine = SessionFile(
            pid=os.getpid(),
            started=process_started(os.getpid()),
            address=address,
            authkey=KEY.hex(),
            run_path="/runs/run.h5",
            journal_path="/runs/run.h5.journal",
            run_id="7",
        )
        path = write_session(mine)
        with ThreadPoolExecutor(1) as other:
            begun = other.submit(begin_to_answer, frozen, goes_so_far) if goes_so_far else None
            with pytest.raises(SessionLostError, match=r"run\.h5 does not answer"):
                attach(path)
            if begun is not None:
                begun.result().close()


def begin_to_answer(
    listening: socket.socket, goes_so_far: Callable[[Connection], None]
) -> Connection:
    answering = Connection(listening.accept()[0].detach())
    goes_so_far(answering)
    return answering


@pytest.mark.skipif(os.name == "nt", reason="pipes have no name on the disk")
@pytest.mark.usefixtures("_short_stalls")
def test_a_channel_whose_address_was_taken_away_closes_at_once() -> None:
    """The folder of sessions goes with the last log-in of its owner; a recording may go on."""
    desk = Desk()
    with desk.client() as friend:
        Path(desk.server.address).unlink()
        assert ask(friend, ECHO)["ok"]
    desk.server.close()
    assert not [t for t in threading.enumerate() if t.name == "control"]


@pytest.fixture
def _short_stalls(monkeypatch: pytest.MonkeyPatch) -> None:
    """What waits for nothing must not wait for long."""
    monkeypatch.setattr(server, "STALL_S", 1.0)


def drips(address: str, stopping: threading.Event) -> None:
    """One byte at a time, for ever."""
    while not stopping.is_set():
        with socket.socket(socket.AF_UNIX) as slow, contextlib.suppress(OSError):
            slow.connect(address)
            while not stopping.wait(0.05):
                slow.sendall(b"\x00")


@pytest.mark.slow
@pytest.mark.skipif(os.name == "nt", reason="plain sockets only")
@pytest.mark.parametrize("send", [b"", b"\x00", b"\xff" * 300, b"\x00\x00\x00\x14" + b"x" * 20])
def test_a_thousand_strangers_hold_up_no_friend(desk: Desk, send: bytes) -> None:
    """Silent, half a head, garbage, a wrong answer: a friend is in and answered within a second."""
    resource = pytest.importorskip("resource")
    soft, hard = resource.getrlimit(resource.RLIMIT_NOFILE)
    resource.setrlimit(resource.RLIMIT_NOFILE, (min(max(soft, 3000), hard), hard))
    stopping = threading.Event()
    dripping = threading.Thread(target=drips, args=(desk.server.address, stopping))
    crowd = [socket.socket(socket.AF_UNIX) for _ in range(1000)]
    dripping.start()
    try:
        before = threading.active_count()
        for stranger in crowd:
            stranger.connect(desk.server.address)
            with contextlib.suppress(OSError):
                stranger.sendall(send)
        began = time.monotonic()
        with desk.client() as friend:
            attached_s = time.monotonic() - began
            assert ask(friend, ECHO)["ok"]
            answered_s = time.monotonic() - began
        assert answered_s < LONGEST_S, f"attached after {attached_s:.3f} s"
        assert threading.active_count() - before <= server.MOST_STRANGERS + 8
    finally:
        stopping.set()
        dripping.join()
        for stranger in crowd:
            stranger.close()

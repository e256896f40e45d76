"""The control channel: local, with a key, JSON in and JSON out; it refuses strangers.

A message is one JSON object with the word ``ask``; the answer has ``ok`` and either what was
asked for or ``error``, one line. Nothing is unpickled. Each client has a thread of its own, so
that one that stalls holds up nobody. Whoever has not shown the key is a stranger: there are so
many at most, each has a short time for all of the handshake, and where more come the oldest make
room, once they have had the time that a friend needs.
"""

from __future__ import annotations

import contextlib
import json
import os
import socket
import struct
import threading
import time
from collections.abc import Callable, Mapping
from multiprocessing import AuthenticationError
from multiprocessing.connection import (
    Client,
    Connection,
    Listener,
    answer_challenge,
    deliver_challenge,
)
from typing import Final

from calibration.quantities.bounded_text import bounded_json
from calibration.quantities.printable import error_line
from recorder.acquisition.control.exchanges import Handler
from recorder.acquisition.control.requests import NotKeptYetError

__all__ = ["ControlServer", "limit_stalls"]

MOST_CLIENTS: Final = 32
MOST_STRANGERS: Final = 256
"""Who are at their handshake; others wait in the system's queue."""
QUEUE: Final = 1024
"""Of connections that nobody has looked at yet."""
HANDSHAKE_S: Final = 5.0
"""For all of the handshake, however its bytes come."""
FRIEND_S: Final = 0.15
"""A friend's handshake takes some milliseconds: no stranger makes room for another before this."""
MOST_BYTES: Final = 64 * 1024
"""Of one request."""
STALL_S: Final = 5.0
"""A client that began a message, or does not take its answer, is dropped after so long."""


class ControlServer:
    """Listens once made; answers with the handler of a request's word, in the client's thread."""

    def __init__(
        self,
        address: str,
        authkey: bytes,
        handlers: Mapping[str, Handler],
        *,
        on_bug: Callable[[Exception], None],
    ) -> None:
        """Raises ``OSError`` when the address cannot be had."""
        self.address = address
        self._family = "AF_PIPE" if os.name == "nt" else "AF_UNIX"
        self._authkey = authkey
        self._handlers = handlers
        self._on_bug = on_bug
        self._stopping = threading.Event()
        self._guard = threading.Condition()
        self._clients: dict[threading.Thread, Connection] = {}
        self._strangers: dict[threading.Thread, _Stranger] = {}
        self._told_short = False
        """It is told already that there is no thread for who comes."""
        # Without a key here: the handshake would hold up everybody in ``accept``.
        self._listener = Listener(address, family=self._family, backlog=QUEUE)
        if self._family == "AF_UNIX":
            os.chmod(address, 0o600)  # noqa: PTH101 - the address is a text
        self._thread = threading.Thread(target=self._accept, name="control", daemon=True)
        self._thread.start()
        self._reaper = threading.Thread(target=self._reap, name="control limits", daemon=True)
        self._reaper.start()

    def close(self) -> None:
        """Stop listening and end every client's thread."""
        self._stopping.set()
        self._wake()
        self._thread.join(STALL_S)
        self._reaper.join(STALL_S)
        with contextlib.suppress(FileNotFoundError):  # its address was taken away
            self._listener.close()
        with self._guard:
            for stranger in self._strangers.values():
                stranger.drop()
            threads = [*self._clients, *self._strangers]
        for thread in threads:
            thread.join(2 * STALL_S)

    def _wake(self) -> None:
        """Have the accepting thread look whether it is to end."""
        try:
            Client(self.address, family=self._family).close()
        except (OSError, EOFError):
            # The folder of sessions goes with the last log-in of its owner: nobody comes any more.
            if self._family == "AF_UNIX":
                listening = self._listener._listener._socket  # type: ignore[attr-defined]  # noqa: SLF001
                with contextlib.suppress(OSError):
                    listening.shutdown(socket.SHUT_RDWR)

    # ------------------------------------------------------------------ threads

    def _accept(self) -> None:
        while not self._stopping.is_set():
            try:
                connection = self._listener.accept()
            except (OSError, EOFError):
                # A client that was gone again at once; wait so that a real fault cannot spin.
                self._stopping.wait(0.05)
                continue
            with self._guard:
                self._make_room()
                if self._stopping.is_set():
                    connection.close()
                    continue
                short = self._begin(connection)
            if short is not None and not self._told_short:
                self._told_short = True
                self._on_bug(short)

    def _begin(self, connection: Connection) -> RuntimeError | None:
        """Give a stranger a thread; with the guard held. Else why there is none: who is turned
        away comes again, and nobody else is."""
        thread = threading.Thread(
            target=self._serve, args=(connection,), name="control client", daemon=True
        )
        self._strangers[thread] = _Stranger(connection)
        try:
            thread.start()
        except RuntimeError as error:
            del self._strangers[thread]
            connection.close()
            return error
        self._told_short = False
        return None

    def _make_room(self) -> None:
        """Wait for a place among the strangers; who has had a friend's time gives his up."""
        while len(self._strangers) >= MOST_STRANGERS and not self._stopping.is_set():
            self._drop_older(FRIEND_S)
            self._guard.wait(FRIEND_S / 8)

    def _drop_older(self, seconds: float) -> None:
        for stranger in self._strangers.values():
            if stranger.age_s > seconds:
                stranger.drop()

    def _reap(self) -> None:
        while not self._stopping.wait(HANDSHAKE_S / 20):
            with self._guard:
                self._drop_older(HANDSHAKE_S)

    def _serve(self, connection: Connection) -> None:
        try:
            limit_stalls(connection, STALL_S)
            if not self._known(connection) or not self._welcome(connection):
                return
            while not self._stopping.is_set():
                if connection.poll(0.2):
                    connection.send_bytes(self._answer(connection.recv_bytes(MOST_BYTES)))
        except (OSError, EOFError):
            return  # gone, stalled, or too long a message: there is no answer
        finally:
            with self._guard:
                # Before it is closed: its number may then be another connection's.
                self._strangers.pop(threading.current_thread(), None)
                self._clients.pop(threading.current_thread(), None)
                connection.close()
                self._guard.notify_all()

    def _welcome(self, connection: Connection) -> bool:
        """Let a stranger that has the key in, where there are not too many already."""
        with self._guard:
            self._strangers.pop(threading.current_thread(), None)
            if len(self._clients) >= MOST_CLIENTS:
                return False
            self._clients[threading.current_thread()] = connection
            self._guard.notify_all()
        return True

    def _known(self, connection: Connection) -> bool:
        """Both sides show that they have the key, without sending it."""
        try:
            deliver_challenge(connection, self._authkey)
            answer_challenge(connection, self._authkey)
        except (AuthenticationError, ValueError, AssertionError):
            return False
        return True

    def _answer(self, message: bytes) -> bytes:
        try:
            fields = bounded_json(message.decode("utf-8"))
            if not isinstance(fields, dict) or not isinstance(fields.get("ask"), str):
                return _refused("a message is a JSON object with the word ask")
            handler = self._handlers.get(fields["ask"])
            if handler is None:
                known = ", ".join(self._handlers)
                return _refused(f"unknown request {fields['ask']!r:.40}; known: {known}")
            return json.dumps({"ok": True, "answer": handler(fields)}).encode()
        except NotKeptYetError as error:
            return _refused(str(error), waits=True)
        except (ValueError, OSError) as error:
            return _refused(error_line(error))
        except Exception as bug:  # noqa: BLE001 - a client never brings the recording down
            self._on_bug(bug)
            return _refused(f"internal error: {type(bug).__name__}: {bug}")


class _Stranger:
    """A connection whose other end has not shown the key yet; used under the server's guard."""

    def __init__(self, connection: Connection) -> None:
        self._connection = connection
        self._since = time.monotonic()
        self._dropped = False

    @property
    def age_s(self) -> float:
        return time.monotonic() - self._since

    def drop(self) -> None:
        """End what its thread waits for; that thread closes it."""
        if self._dropped or os.name == "nt":
            return
        self._dropped = True
        with (
            contextlib.suppress(OSError),
            socket.socket(fileno=os.dup(self._connection.fileno())) as same,
        ):
            same.shutdown(socket.SHUT_RDWR)


def _refused(why: str, *, waits: bool = False) -> bytes:
    return json.dumps(
        {"ok": False, "error": why, **({"waits": True} if waits else {})}
    ).encode()


def limit_stalls(connection: Connection, seconds: float) -> None:
    """Let no read or write on a socket last longer; ``BlockingIOError`` where one would."""
    if os.name == "nt":
        return
    limit = struct.pack("@ll", int(seconds), int(seconds % 1 * 1e6))
    with socket.socket(fileno=os.dup(connection.fileno())) as same:
        same.setsockopt(socket.SOL_SOCKET, socket.SO_RCVTIMEO, limit)
        same.setsockopt(socket.SOL_SOCKET, socket.SO_SNDTIMEO, limit)

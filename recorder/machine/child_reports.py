"""What a child process of ours reports, and how: one JSON object a line, read into records.

Both ends of a child are made from one :class:`ReportTable`: the child writes records with a
:class:`ReportWriter` and takes :class:`Orders`; the parent's end is in ``child_process``.
"""

from __future__ import annotations

import json
import os
import select
import signal
import sys
import threading
import time
from collections.abc import Collection, Mapping
from dataclasses import asdict
from typing import Any, Final, Generic, Self, TypeVar

__all__ = ["Orders", "Report", "ReportError", "ReportTable", "ReportWriter"]

LAST_WORDS_S: Final = 5.0
"""How long a child that ends waits for a parent to take what it wrote last."""


class ReportError(ValueError):
    """A line that is no report of this table."""


class Report:
    """A frozen dataclass derives from this; override both where a field is not plain JSON."""

    __slots__ = ()

    def to_fields(self) -> dict[str, Any]:
        """JSON-ready."""
        # What derives from this is a dataclass; this itself is none.
        return asdict(self)  # type: ignore[call-overload, no-any-return]

    @classmethod
    def from_fields(cls, fields: Mapping[str, Any]) -> Self:
        """Inverse of :meth:`to_fields`; raises ``TypeError``, ``KeyError``, ``ValueError``."""
        return cls(**fields)


R = TypeVar("R", bound=Report)


class ReportTable(Generic[R]):
    """The reports of one kind of child: its word and record each.

    ``tag`` is the key the word goes under.
    """

    def __init__(self, kinds: Mapping[str, type[R]], *, tag: str = "kind") -> None:
        self._kinds = dict(kinds)
        self._words = {kind: word for word, kind in kinds.items()}
        self._tag = tag

    def to_json(self, report: R) -> str:
        """One line without its end."""
        return json.dumps({self._tag: self._words[type(report)], **report.to_fields()})

    def from_json(self, line: str | bytes) -> R:
        """Inverse of :meth:`to_json`; raises :class:`ReportError` on anything else."""
        try:
            fields = json.loads(line)
            return self._kinds[fields.pop(self._tag)].from_fields(fields)
        except (ValueError, KeyError, TypeError, AttributeError, RecursionError) as error:
            msg = f"not a report ({type(error).__name__}: {error})"
            raise ReportError(msg) from error


class ReportWriter(Generic[R]):
    """A child's reports on its standard output. Any thread may call; nothing is raised.

    A reader that is gone is written to no more. With ``wait`` False a reader that does not
    read is not waited for: what it has no room for is left out, a line begun is finished later.
    """

    def __init__(self, table: ReportTable[R], *, wait: bool = True) -> None:
        self._table = table
        self._guard = threading.Lock()
        self._pipe = sys.stdout.fileno()
        self._rest = b""
        self._gone = False
        if not wait and os.name == "posix":
            os.set_blocking(self._pipe, False)

    def __call__(self, report: R) -> None:
        """Write a report, at once."""
        with self._guard:
            self._write()
            if not self._rest:
                self._rest = self._line(report)
                self._write(begun=False)

    def finish(self, report: R) -> None:
        """The last report: the reader is given a while to take it, and what was begun."""
        until = time.monotonic() + LAST_WORDS_S
        with self._guard:
            self._rest += self._line(report)
            self._write()
            while self._rest and (left_s := until - time.monotonic()) > 0.0:
                select.select([], [self._pipe], [], left_s)
                self._write()

    def _line(self, report: R) -> bytes:
        return (self._table.to_json(report) + "\n").encode()

    def _write(self, *, begun: bool = True) -> None:
        while self._rest and not self._gone:
            try:
                written = os.write(self._pipe, self._rest)
            except BlockingIOError:
                # A line not begun is left out: half of it later would be no use to anybody.
                self._rest = self._rest if begun else b""
                return
            except OSError:
                self._gone = True
            else:
                self._rest = self._rest[written:]
                begun = True
        if self._gone:
            self._rest = b""


class Orders:
    """What the parent says on the standard input: the first of some words, or that it is gone.

    The end of input means that the parent is gone, however it went. A Ctrl-C at the keyboard
    reaches parent and child alike and is left to the parent. Made in the main thread.
    """

    def __init__(self, words: Collection[str]) -> None:
        """Listen, in a thread of its own."""
        self.given = threading.Event()
        """Set when a word has come, or the end of input."""
        self.word = ""
        """Which; empty at the end of input. Settled before ``given`` is set."""
        self._words = frozenset(words)
        signal.signal(signal.SIGINT, signal.SIG_IGN)
        threading.Thread(target=self._listen, name="orders", daemon=True).start()

    def _listen(self) -> None:
        held = b""
        # The raw descriptor: a buffered reader cannot be left blocked at the end of a process.
        while not self.word and (data := os.read(0, 4096)):
            *lines, held = (held + data).split(b"\n")
            known = (line.decode("utf-8", "replace").strip() for line in lines)
            self.word = next((word for word in known if word in self._words), "")
        self.given.set()

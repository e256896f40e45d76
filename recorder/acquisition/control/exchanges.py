"""Every exchange of the control channel: its word, its request, its answer, both as JSON.

The one table both ends are made from. A request is a JSON object with the word ``ask``; the
answer has ``ok`` and either ``answer`` or ``error``, one line; a mark that is not kept yet has
``waits`` beside it.
"""

from __future__ import annotations

import json
from collections.abc import Callable, Mapping
from dataclasses import asdict, dataclass, fields
from typing import Any, Final, Generic, TypeAlias, TypeVar

from calibration.quantities.bounded_text import bounded_json
from recorder.acquisition.control.requests import (
    Ask,
    KeyedMark,
    MarkRevision,
    NotKeptYetError,
    ShuntRequest,
    Since,
    StopRequest,
    ZeroRequest,
    ZeroRevision,
)
from recorder.acquisition.control.status import SessionStatus
from recorder.marks.mark import Mark
from recorder.run.checks.shunt_check import ShuntCheck
from recorder.run.checks.zero_line import Zero
from recorder.run.parts.event import Event
from recorder.run.parts.header import RunHeader

__all__ = [
    "EVENTS", "HEADER", "MARK", "MARKS", "REVISE", "REVISE_ZERO", "SHUNT", "STATUS", "STOP",
    "ZERO", "Exchange", "Handler", "RequestRefusedError",
]  # fmt: skip

R = TypeVar("R")
A = TypeVar("A")
Handler: TypeAlias = Callable[[Mapping[str, object]], object]
"""Fields of a request to the answer as JSON; raises ``ValueError`` when refused."""


class RequestRefusedError(ValueError):
    """The recording understood and refused; the text says why."""


@dataclass(frozen=True, slots=True)
class Exchange(Generic[R, A]):
    """One thing that can be asked."""

    word: str
    parse: Callable[[Mapping[str, object]], R]
    """The request of its fields; raises ``RequestError``."""
    dump_answer: Callable[[A], object]
    parse_answer: Callable[[Any], A]
    """The answer of its JSON; raises ``TypeError``, ``KeyError``, ``ValueError``."""

    def served_by(self, answer: Callable[[R], A]) -> tuple[str, Handler]:
        """The recording's end: word and handler, for the server's table."""
        return self.word, lambda fields: self.dump_answer(answer(self.parse(fields)))

    def message(self, request: R) -> bytes:
        """The client's end: a request (a dataclass) as it is sent."""
        # A request is a dataclass, which its type variable cannot say.
        names = [field.name for field in fields(request)]  # type: ignore[arg-type]
        sent = {name: getattr(request, name) for name in names}
        return json.dumps({"ask": self.word, **sent}, default=Mark.to_dict).encode()

    def answer_of(self, message: bytes) -> A:
        """The answer as it came.

        Raises
        ------
        RequestRefusedError
            Refused, or not an answer to this.
        NotKeptYetError
            Neither kept nor refused yet.
        """
        try:
            data = bounded_json(message)
            if data["ok"]:
                return self.parse_answer(data["answer"])
            why, waits = str(data["error"]), data.get("waits") is True
        except (ValueError, KeyError, TypeError, AttributeError, RecursionError) as error:
            why = f"not an answer to {self.word} ({type(error).__name__}: {error})"
            raise RequestRefusedError(why) from error
        if waits:
            raise NotKeptYetError(why)
        raise RequestRefusedError(why)


def _nothing(_answer: object) -> None:
    return None


def _dump_marks(marks: list[Mark]) -> object:
    return [mark.to_dict() for mark in marks]


def _dump_events(events: list[Event]) -> object:
    return [asdict(event) for event in events]


def _events(data: list[dict[str, Any]]) -> list[Event]:
    return [Event(**event) for event in data]


def _dump_zero(zero: Zero) -> object:
    return asdict(zero.to_event())


def _zero(data: dict[str, Any]) -> Zero:
    return Zero.from_event(Event(**data))


def _dump_zeros(zeros: list[Zero]) -> object:
    return [_dump_zero(zero) for zero in zeros]


def _zeros(data: list[dict[str, Any]]) -> list[Zero]:
    return [_zero(zero) for zero in data]


def _dump_shunt(check: ShuntCheck) -> object:
    return asdict(check.to_event())


def _shunt(data: dict[str, Any]) -> ShuntCheck:
    return ShuntCheck.from_event(Event(**data))


HEADER: Final = Exchange("header", Ask.parse, RunHeader.to_json, RunHeader.from_json)
STATUS: Final = Exchange("status", Ask.parse, SessionStatus.to_dict, SessionStatus.from_dict)
MARK: Final = Exchange("mark", KeyedMark.parse, Mark.to_dict, Mark.from_dict)
REVISE: Final = Exchange("revise", MarkRevision.parse, Mark.to_dict, Mark.from_dict)
MARKS: Final = Exchange(
    "marks", Since.parse, _dump_marks, lambda data: [Mark.from_dict(m) for m in data]
)
EVENTS: Final = Exchange("events", Since.parse, _dump_events, _events)
ZERO: Final = Exchange("zero", ZeroRequest.parse, _dump_zeros, _zeros)
REVISE_ZERO: Final = Exchange("revise_zero", ZeroRevision.parse, _dump_zero, _zero)
SHUNT: Final = Exchange("shunt_check", ShuntRequest.parse, _dump_shunt, _shunt)
STOP: Final = Exchange("stop", StopRequest.parse, _nothing, _nothing)

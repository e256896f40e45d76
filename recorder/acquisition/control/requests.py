"""What a client may ask of a running recording, each checked before it is done."""

from __future__ import annotations

import math
from collections.abc import Callable, Mapping
from dataclasses import asdict
from typing import TYPE_CHECKING, Any

from recorder.run.states import RunState

if TYPE_CHECKING:
    from recorder.acquisition.process.recording import Recording

__all__ = ["Requests"]


class Requests:
    """Answers clients; methods run in the clients' threads.

    Everything refused is a ``ValueError`` with one line for a person.
    """

    def __init__(self, recording: Recording) -> None:
        self._recording = recording
        self._known: dict[str, Callable[[Mapping[str, Any]], dict[str, Any]]] = {
            "header": self._header,
            "status": self._status,
            "mark": self._mark,
            "revise": self._revise,
            "marks": self._marks,
            "events": self._events,
            "zero": self._zero,
            "shunt_check": self._shunt,
            "stop": self._stop,
        }

    def answer(self, what: str, words: Mapping[str, Any]) -> dict[str, Any]:
        """Do what is asked and return what is to be said."""
        ask = self._known.get(what)
        if ask is None:
            msg = f"unknown request {what!r:.40}; known: {', '.join(self._known)}"
            raise ValueError(msg)
        return ask(words)

    def _header(self, _words: Mapping[str, Any]) -> dict[str, Any]:
        return {"header": self._recording.header.to_json()}

    def _status(self, _words: Mapping[str, Any]) -> dict[str, Any]:
        return {"status": self._recording.status().to_dict()}

    def _mark(self, words: Mapping[str, Any]) -> dict[str, Any]:
        return {"mark": self._recording.marks.take(words).to_dict()}

    def _revise(self, words: Mapping[str, Any]) -> dict[str, Any]:
        return {"mark": self._recording.marks.revise(words).to_dict()}

    def _marks(self, words: Mapping[str, Any]) -> dict[str, Any]:
        found = self._recording.marks.since(_whole(words, "since"))
        return {"marks": [mark.to_dict() for mark in found]}

    def _events(self, words: Mapping[str, Any]) -> dict[str, Any]:
        found = self._recording.telling.events[_whole(words, "since") :]
        return {"events": [asdict(event) for event in found]}

    def _zero(self, words: Mapping[str, Any]) -> dict[str, Any]:
        self._must_record()
        seconds, channel = _number(words, "seconds"), _text(words, "channel")
        events = self._recording.checks.take_zero(seconds, channel, when="during")
        return {"events": [asdict(event) for event in events]}

    def _shunt(self, words: Mapping[str, Any]) -> dict[str, Any]:
        self._must_record()
        event = self._recording.checks.shunt(
            _text(words, "channel"),
            _text(words, "when"),
            _text(words, "step"),
            _number(words, "seconds"),
        )
        return {"event": asdict(event)}

    def _stop(self, words: Mapping[str, Any]) -> dict[str, Any]:
        self._recording.stop(_text(words, "reason") or "asked by a client")
        return {}

    def _must_record(self) -> None:
        if self._recording.state is not RunState.RECORDING:
            msg = f"not now: the recording is {self._recording.state}"
            raise ValueError(msg)


def _whole(words: Mapping[str, Any], key: str) -> int:
    value = words.get(key, 0)
    if isinstance(value, bool) or not isinstance(value, int) or not 0 <= value < 2**31:
        msg = f"{key} must be a whole number from 0, got {value!r:.40}"
        raise ValueError(msg)
    return value


def _number(words: Mapping[str, Any], key: str) -> float:
    value = words.get(key)
    if (
        isinstance(value, bool)
        or not isinstance(value, int | float)
        or not math.isfinite(value)
    ):
        msg = f"{key} must be a number, got {value!r:.40}"
        raise ValueError(msg)
    return float(value)


def _text(words: Mapping[str, Any], key: str) -> str:
    value = words.get(key, "")
    if not isinstance(value, str) or len(value) > 200:
        msg = f"{key} must be text of at most 200 characters, got {value!r:.40}"
        raise ValueError(msg)
    return value

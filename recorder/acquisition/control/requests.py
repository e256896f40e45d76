"""What a client may ask of a running recording: one record a request, checked as it is read.

Everything refused here is a :class:`RequestError`: one line for a person.
"""

from __future__ import annotations

import math
import re
from collections.abc import Mapping
from dataclasses import dataclass, field
from enum import StrEnum
from typing import Final, TypeAlias, TypeVar

from recorder.marks.grammar import LONGEST_NOTE
from recorder.marks.mark import Mark
from recorder.run.checks.shunt_check import ShuntStep
from recorder.run.checks.zero_revision import ZeroEdit

__all__ = [
    "Ask",
    "KeyedMark",
    "MarkRevision",
    "NotKeptYetError",
    "RequestError",
    "ShuntRequest",
    "Since",
    "StopRequest",
    "ZeroRequest",
    "ZeroRevision",
]

Fields: TypeAlias = Mapping[str, object]
Extra: TypeAlias = Mapping[str, str | bool | int | float | None]
Word = TypeVar("Word", bound=StrEnum)

_ID: Final = re.compile(r"[0-9a-f]{32}\Z")
MAX_EXTRA: Final = 32
"""Entries beside a mark: a key press has a few numbers at most."""
MAX_TEXT: Final = 200
LARGEST: Final = 1e18
MAX_VALUE: Final = 4000
"""What the wire takes; what a kind of mark allows is shorter and says so itself."""


class RequestError(ValueError):
    """Not a request this recording understands; one line."""


class NotKeptYetError(ValueError):
    """A mark that was taken up and is not kept yet: it is tried again until it is.

    Neither kept nor refused: asked for again, with the same identity, it is the same mark.
    """


@dataclass(frozen=True, slots=True)
class Ask:
    """A request that says all with its name."""

    @classmethod
    def parse(cls, fields: Fields) -> Ask:  # noqa: ARG003 - as the others
        """Nothing to read."""
        return cls()


@dataclass(frozen=True, slots=True)
class Since:
    """A list from its entry of this number on."""

    number: int = 0

    @classmethod
    def parse(cls, fields: Fields) -> Since:
        """Raises :class:`RequestError`."""
        return cls(_whole(fields, "number", least=0, most=2**31))


@dataclass(frozen=True, slots=True, kw_only=True)
class KeyedMark:
    """A mark just keyed: what there is of it at the key-down."""

    mark_id: str
    """Made at the key-down; the same mark asked for again has the same one."""
    kind: str
    keyed_monotonic_ns: int
    """``machine.clocks.now_ns()`` at the key-down."""
    value: str = ""
    note: str = ""
    by: str = ""
    extra: Extra = field(default_factory=dict)

    @classmethod
    def parse(cls, fields: Fields) -> KeyedMark:
        """Raises :class:`RequestError`."""
        return cls(
            mark_id=_mark_id(fields),
            kind=_text(fields, "kind", 40),
            keyed_monotonic_ns=_whole(fields, "keyed_monotonic_ns", least=0, most=2**63),
            value=_text(fields, "value", MAX_VALUE),
            note=_text(fields, "note", LONGEST_NOTE),
            by=_text(fields, "by", 100),
            extra=_extra(fields),
        )


@dataclass(frozen=True, slots=True)
class MarkRevision:
    """The next revision of a mark, as :meth:`Mark.revised` makes it."""

    mark: Mark

    @classmethod
    def parse(cls, fields: Fields) -> MarkRevision:
        """Raises :class:`RequestError`."""
        data = fields.get("mark")
        if not isinstance(data, dict):
            msg = f"mark must be a table, got {type(data).__name__}"
            raise RequestError(msg)
        withdrawn = data.get("withdrawn", False)
        if not isinstance(withdrawn, bool):
            msg = f"withdrawn must be true or false, got {withdrawn!r:.40}"
            raise RequestError(msg)
        mark = Mark(
            mark_id=_mark_id(data),
            revision=_whole(data, "revision", least=1, most=2**31),
            kind=_text(data, "kind", 40),
            t_s=_number(data, "t_s"),
            value=_text(data, "value", MAX_VALUE),
            note=_text(data, "note", LONGEST_NOTE),
            withdrawn=withdrawn,
            by=_text(data, "by", 100),
            extra=dict(_extra(data)),
        )
        return cls(mark)


@dataclass(frozen=True, slots=True, kw_only=True)
class ZeroRequest:
    """Take the zero of a channel now, or of every force channel."""

    seconds: float
    channel: str = ""
    force: str = ""
    """Why it is to be accepted though its guards refuse it; empty: it is not."""
    by: str = ""

    @classmethod
    def parse(cls, fields: Fields) -> ZeroRequest:
        """Raises :class:`RequestError`."""
        return cls(
            seconds=_number(fields, "seconds"),
            channel=_text(fields, "channel"),
            force=_text(fields, "force").strip(),
            by=_text(fields, "by", 100),
        )


@dataclass(frozen=True, slots=True, kw_only=True)
class ZeroRevision:
    """Withdraw, restore or accept a zero of the run, named by channel and run time."""

    edit: ZeroEdit
    channel: str
    t_s: float
    reason: str
    by: str = ""

    @classmethod
    def parse(cls, fields: Fields) -> ZeroRevision:
        """Raises :class:`RequestError`."""
        return cls(
            edit=_one_of(ZeroEdit, fields, "edit"),
            channel=_text(fields, "channel"),
            t_s=_number(fields, "t_s"),
            reason=_text(fields, "reason"),
            by=_text(fields, "by", 100),
        )


@dataclass(frozen=True, slots=True, kw_only=True)
class ShuntRequest:
    """One step of a shunt check."""

    step: ShuntStep
    seconds: float
    channel: str = ""
    """Empty: the one whose certificate states a shunt value."""

    @classmethod
    def parse(cls, fields: Fields) -> ShuntRequest:
        """Raises :class:`RequestError`."""
        return cls(
            step=_one_of(ShuntStep, fields, "step"),
            seconds=_number(fields, "seconds"),
            channel=_text(fields, "channel"),
        )


@dataclass(frozen=True, slots=True)
class StopRequest:
    """Stop cleanly and seal."""

    reason: str

    @classmethod
    def parse(cls, fields: Fields) -> StopRequest:
        """Raises :class:`RequestError`."""
        return cls(_text(fields, "reason") or "asked by a client")


# ---------------------------------------------------------------------- fields


def _mark_id(fields: Fields) -> str:
    value = fields.get("mark_id")
    if not isinstance(value, str) or not _ID.match(value):
        msg = f"mark_id must be 32 hexadecimal digits, got {value!r:.60}"
        raise RequestError(msg)
    return value


def _whole(fields: Fields, key: str, *, least: int, most: int) -> int:
    value = fields.get(key)
    if isinstance(value, bool) or not isinstance(value, int) or not least <= value < most:
        msg = f"{key} must be a whole number from {least}, got {value!r:.40}"
        raise RequestError(msg)
    return value


def _number(fields: Fields, key: str) -> float:
    value = fields.get(key)
    # The limit also refuses what is not finite, and whole numbers beyond all floats.
    if (
        isinstance(value, bool)
        or not isinstance(value, int | float)
        or not abs(value) <= LARGEST
    ):
        msg = f"{key} must be a number, got {value!r:.40}"
        raise RequestError(msg)
    return float(value)


def _text(fields: Fields, key: str, most: int = MAX_TEXT) -> str:
    value = fields.get(key, "")
    if not isinstance(value, str):
        msg = f"{key} must be text, got {value!r:.40}"
        raise RequestError(msg)
    if len(value) > most:
        msg = f"{key} must be at most {most} characters, got {len(value)}"
        raise RequestError(msg)
    try:
        value.encode("utf-8")
    except UnicodeEncodeError as error:
        msg = f"{key} holds characters that cannot be written"
        raise RequestError(msg) from error
    return value


def _one_of(words: type[Word], fields: Fields, key: str) -> Word:
    value = _text(fields, key)
    if value not in list(words):
        msg = f"{key} must be {' or '.join(words)}, got {value!r}"
        raise RequestError(msg)
    return words(value)


def _extra(fields: Fields) -> Extra:
    value = fields.get("extra", {})
    if not isinstance(value, dict) or len(value) > MAX_EXTRA:
        msg = f"extra must be a table of at most {MAX_EXTRA} numbers or texts"
        raise RequestError(msg)
    for key, item in value.items():
        plain = item is None or isinstance(item, str | bool | int | float)
        if not plain or (isinstance(item, float) and not math.isfinite(item)):
            msg = f"extra {key!r:.40} must be a finite number, text, true or false"
            raise RequestError(msg)
    return value

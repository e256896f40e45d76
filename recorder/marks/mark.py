"""A mark: something a person of the crew keyed at an instant.

Nothing keyed is ever overwritten. A correction or a withdrawal is a new revision of the same
``mark_id``; readers show the highest revision and can list them all.
"""

from __future__ import annotations

import math
from collections.abc import Iterable, Mapping, Sequence
from dataclasses import dataclass, field, replace
from typing import Any, Final

from recorder.marks.grammar import MarkValue
from recorder.marks.kinds import Kind, kind_or_name
from recorder.marks.values import UnreadMark, read_kept

__all__ = ["CLOSE_S", "SINCE_LAST", "Mark", "by_mark", "current", "newest", "unread"]

CLOSE_S: Final = 0.2
"""Two marks of one kind nearer than this are kept, the second with a note: a shaking car bounces
keys (from experience)."""
SINCE_LAST: Final = "since_last_s"
"""In :attr:`Mark.extra` of the second of two such: seconds since the first."""


@dataclass(frozen=True, slots=True, kw_only=True)
class Mark:
    """One revision of one mark. Immutable."""

    mark_id: str
    """UUID in hex, the same for every revision."""
    revision: int = 0
    """0 as keyed; each correction adds one."""
    kind: Kind | str
    """A :class:`Kind`; a plain text only where a newer version wrote a kind not known here."""
    t_s: float
    """Run time of the key-down instant, seconds."""
    value: str = ""
    """The short value as text, as it is kept; :attr:`meaning` is what it means."""
    note: str = ""
    """Free words, typed afterwards."""
    withdrawn: bool = False
    by: str = ""
    """Who keyed this revision."""
    entered_utc_ns: int = 0
    """Wall clock when this revision was made, nanoseconds since 1970."""
    software: str = ""
    extra: dict[str, Any] = field(default_factory=dict)
    """Further numbers with their unit in the key, e.g. ``{SINCE_LAST: 0.11}``."""

    def __post_init__(self) -> None:
        object.__setattr__(self, "kind", kind_or_name(self.kind))

    @property
    def meaning(self) -> MarkValue | UnreadMark:
        """The typed value of :attr:`value`; with a reason where it does not read."""
        text = self.value
        if self.kind is Kind.WEATHER and self.note:
            # Windows of earlier versions parted the weather at its first semicolon.
            text = f"{text}; {self.note}" if text else self.note
        return read_kept(self.kind, text)

    @property
    def kind_label(self) -> str:
        """The kind as shown to a person."""
        return self.kind.label if isinstance(self.kind, Kind) else self.kind

    def to_dict(self) -> dict[str, Any]:
        """JSON-ready dictionary."""
        # One level is all there is; asdict copies in depth, which a mark on its way feels.
        return {**{name: getattr(self, name) for name in _TYPES}, "extra": dict(self.extra)}

    @classmethod
    def from_dict(cls, data: dict[str, Any]) -> Mark:
        """Inverse of :meth:`to_dict`; unknown keys of newer versions are kept in ``extra``.

        Raises
        ------
        TypeError, ValueError
            A field is missing, not of its type, or beyond what it can be; files may be damaged.
        """
        for name, wanted in _TYPES.items():
            if name in data and type(data[name]) not in wanted:
                msg = f"{name} of a mark is {data[name]!r:.60}"
                raise TypeError(msg)
        if not math.isfinite(data.get("t_s", 0.0)):
            msg = f"t_s of a mark is {data['t_s']!r}"
            raise ValueError(msg)
        for name, (least, most) in _WITHIN.items():
            if not least <= data.get(name, 0) <= most:
                msg = f"{name} of a mark is {data[name]}, {least} to {most} is allowed"
                raise ValueError(msg)
        extra = {**data.get("extra", {}), **{k: v for k, v in data.items() if k not in _TYPES}}
        return cls(
            **{k: v for k, v in data.items() if k in _TYPES and k != "extra"}, extra=extra
        )

    def revised(self, **changes: Any) -> Mark:  # noqa: ANN401 - passes fields through
        """The next revision with the given fields changed."""
        return replace(self, revision=self.revision + 1, **changes)


_TYPES: Final[Mapping[str, tuple[type, ...]]] = {
    "mark_id": (str,),
    "revision": (int,),
    "kind": (str, Kind),
    "t_s": (int, float),
    "value": (str,),
    "note": (str,),
    "withdrawn": (bool,),
    "by": (str,),
    "entered_utc_ns": (int,),
    "software": (str,),
    "extra": (dict,),
}


_WITHIN: Final[Mapping[str, tuple[int, int]]] = {
    "revision": (0, 2**31 - 1),
    "entered_utc_ns": (-(2**63), 2**63 - 1),
}
"""What the rows of a run file have room for; a time of entry beyond them is in no year that a
calendar has."""


def newest(revisions: Iterable[Mark]) -> dict[str, Mark]:
    """Highest revision of each mark by ``mark_id``, withdrawn ones too."""
    held: dict[str, Mark] = {}
    for mark in revisions:
        other = held.get(mark.mark_id)
        if other is None or mark.revision > other.revision:
            held[mark.mark_id] = mark
    return held


def current(revisions: Iterable[Mark]) -> list[Mark]:
    """Highest revision of each mark, in order of run time, withdrawn ones left out."""
    shown = (m for m in newest(revisions).values() if not m.withdrawn)
    return sorted(shown, key=lambda m: (m.t_s, m.mark_id))


def by_mark(revisions: Iterable[Mark]) -> list[Mark]:
    """Every revision, those of one mark together, in order of the run time first given."""
    held = sorted(revisions, key=lambda m: m.revision)
    first_s: dict[str, float] = {}
    for mark in held:
        first_s.setdefault(mark.mark_id, mark.t_s)
    return sorted(held, key=lambda m: (first_s[m.mark_id], m.mark_id, m.revision))


def unread(marks: Sequence[Mark]) -> list[str]:
    """One line for each mark whose value does not read; it is kept as text all the same."""
    return [
        f"mark at {mark.t_s:.1f} s does not read and is kept as text: {value.why}"
        for mark in marks
        if isinstance(value := mark.meaning, UnreadMark)
    ]

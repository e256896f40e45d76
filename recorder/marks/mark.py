"""A mark: something a person of the crew keyed at an instant.

Nothing keyed is ever overwritten. A correction or a withdrawal is a new revision of the same
``mark_id``; readers show the highest revision and can list them all.
"""

from __future__ import annotations

from dataclasses import asdict, dataclass, field, fields, replace
from typing import Any

__all__ = ["Mark", "current"]


@dataclass(frozen=True, slots=True, kw_only=True)
class Mark:
    """One revision of one mark. Immutable."""

    mark_id: str
    """UUID in hex, the same for every revision."""
    revision: int = 0
    """0 as keyed; each correction adds one."""
    kind: str
    """One of :data:`recorder.marks.kinds.KINDS`."""
    t_s: float
    """Run time of the key-down instant, seconds."""
    value: str = ""
    """The short value: milepost number, notch, signal aspect … as typed."""
    note: str = ""
    """Free words, typed afterwards."""
    withdrawn: bool = False
    by: str = ""
    """Who keyed this revision."""
    entered_utc_ns: int = 0
    """Wall clock when this revision was made, nanoseconds since 1970."""
    software: str = ""
    extra: dict[str, Any] = field(default_factory=dict)
    """Further numbers with their unit in the key, e.g. ``{"grade_pct": 0.8}``."""

    def to_dict(self) -> dict[str, Any]:
        """JSON-ready dictionary."""
        return asdict(self)

    @classmethod
    def from_dict(cls, data: dict[str, Any]) -> Mark:
        """Inverse of :meth:`to_dict`; unknown keys of newer versions are kept in ``extra``."""
        known = {f.name for f in fields(cls)}
        extra = {**data.get("extra", {}), **{k: v for k, v in data.items() if k not in known}}
        return cls(
            **{k: v for k, v in data.items() if k in known and k != "extra"}, extra=extra
        )

    def revised(self, **changes: Any) -> Mark:  # noqa: ANN401 - passes fields through
        """The next revision with the given fields changed."""
        return replace(self, revision=self.revision + 1, **changes)


def current(revisions: list[Mark]) -> list[Mark]:
    """Highest revision of each mark, in order of run time, withdrawn ones left out."""
    newest: dict[str, Mark] = {}
    for mark in revisions:
        held = newest.get(mark.mark_id)
        if held is None or mark.revision > held.revision:
            newest[mark.mark_id] = mark
    return sorted(
        (m for m in newest.values() if not m.withdrawn), key=lambda m: (m.t_s, m.mark_id)
    )

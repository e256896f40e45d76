"""What a run lost with a damaged journal, in words: extent and cause, as the file itself has it."""

from __future__ import annotations

from typing import TYPE_CHECKING, Any, Final

from calibration.quantities.written import many
from recorder.run.parts.event import EventKind
from recorder.run.parts.gap import Cause

if TYPE_CHECKING:
    from collections.abc import Iterator, Sequence

    from recorder.run.parts.event import Event
    from recorder.run.parts.gap import Gap

__all__ = ["damage_words"]

_WHAT: Final = {"marks": "mark", "events": "event", "batches": "commit"}


def damage_words(gaps: Sequence[Gap], events: Sequence[Event]) -> list[str]:
    """A line for each loss, of the gaps and events of a run; none where nothing was lost."""
    lost = [gap for gap in gaps if gap.cause is Cause.JOURNAL_DAMAGED]
    lines = [
        f"{many(gap.lost_records, 'record')} of {gap.device} missing, {_extent(gap)}"
        for gap in lost
    ]
    told = [event.data for event in events if event.kind == EventKind.JOURNAL_DAMAGE]
    return [*lines, *(line for data in told for line in _event_words(data))]


def _event_words(data: dict[str, Any]) -> Iterator[str]:
    table, row, last, why = (data.get(key) for key in ("table", "row", "last_row", "why"))
    if table == "log":
        yield f"the journal's log {why}"
    elif not isinstance(row, int) or row < 1 or table not in _WHAT:
        # The header has a copy: that one of them is damaged costs nothing.
        return
    elif not isinstance(last, int):
        yield f"{_WHAT[table]}s{_records(table)} from number {row} on {why}"
    else:
        n = many(last - row + 1, _WHAT[table])
        yield f"{n}{_records(table)} ({_rows(row, last)}){_between(data)} {why}"


def _extent(gap: Gap) -> str:
    if gap.t_end_s > gap.t_start_s:
        return f"from {gap.t_start_s:.2f} s to {gap.t_end_s:.2f} s"
    return f"from {gap.t_start_s:.2f} s on"


def _records(table: str) -> str:
    return " of records" if table == "batches" else ""


def _rows(row: int, last: int) -> str:
    return f"number {row}" if row == last else f"numbers {row} to {last}"


def _between(data: dict[str, Any]) -> str:
    from_s, to_s = data.get("from_s"), data.get("to_s")
    words = [
        f"{word} {t_s:.2f} s"
        for word, t_s in (("after", from_s), ("before", to_s))
        if isinstance(t_s, int | float)
    ]
    return f", {' and '.join(words)}," if words else ""

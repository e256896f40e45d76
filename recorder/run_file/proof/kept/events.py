"""Gaps and events of the sealed text against the rows written while the run was recorded."""

from __future__ import annotations

import json
from collections import Counter
from dataclasses import asdict
from typing import TYPE_CHECKING, Any, TypeAlias

from calibration.quantities.written import many
from recorder.run.parts.event import EventKind
from recorder.run.parts.gap import Cause, Gap
from recorder.run_file.hdf5.layout import EVENT_DTYPE, GAP_DTYPE
from recorder.run_file.hdf5.store import parsed
from recorder.run_file.hdf5.tables import rows_as_written, table_rows
from recorder.run_file.proof.parts.proof import Check, Proof, State, first_of

if TYPE_CHECKING:
    from collections.abc import Callable, Iterator, Sequence

    from recorder.run.parts.event import Event
    from recorder.run_file.proof.parts.held import Held

__all__ = ["prove_events"]

_Key: TypeAlias = tuple[object, ...]


def prove_events(held: Held, progress: Callable[[float], None]) -> Iterator[Proof]:
    """Every gap and event stands in both, as far as the rows have room for its words."""
    gaps, events = table_rows(held.store, "gaps"), table_rows(held.store, "events")
    progress(0.5)
    if not gaps and not events:
        words = "no rows were written while it was recorded: the run was made as a whole"
        yield _proof(State.NOT_PROVED, words)
        return
    # Rows lost with the journal move the others; the sealed text knows of all losses.
    moved = any(gap.cause is Cause.JOURNAL_DAMAGED for gap in held.gaps)
    wrong = [
        *_unlike(
            "gap",
            Counter(_gap_key(row, moved=moved) for row in _gaps_live(held, gaps)),
            Counter(
                _gap_key(row, moved=moved)
                for row in rows_as_written([asdict(gap) for gap in held.gaps], GAP_DTYPE)
            ),
        ),
        *_unlike("event", _event_keys(events), _event_keys(_as_rows(held.events))),
    ]
    if wrong:
        yield _proof(State.CONTRADICTED, first_of(wrong))
        return
    words = (
        f"{many(len(held.gaps), 'gap')} and {many(len(held.events), 'event')}, as they were"
        " written while it was recorded"
    )
    yield _proof(State.PROVED, words)


def _unlike(what: str, live: Counter[_Key], sealed: Counter[_Key]) -> Iterator[str]:
    for key in (live - sealed).elements():
        yield f"the {what} {_shown(key)} was written during the recording and is not in the seal's"
    for key in (sealed - live).elements():
        yield f"the {what} {_shown(key)} is in the seal's and was not written during the recording"


def _shown(key: _Key) -> str:
    return " ".join(str(part)[:40] for part in key if part != "")


def _gap_key(row: dict[str, Any], *, moved: bool) -> _Key:
    """What of a gap the seal leaves alone; its instants are refitted."""
    return (
        row["device"],
        row["cause"],
        f"{row['lost_records']} lost",
        "" if moved else f"before record {row['before_record']}",
        row["detail"],
        "cut short" if row["cut"] else "",
    )


def _gaps_live(held: Held, rows: list[dict[str, Any]]) -> list[dict[str, Any]]:
    """The rows with causes as this version knows them."""
    path = "gaps/table"
    read = [asdict(parsed(held.store.path, path, Gap.from_dict, row)) for row in rows]
    again = rows_as_written(read, GAP_DTYPE)
    return [
        {**known, "cut": known["cut"] or row["cut"]}
        for known, row in zip(again, rows, strict=True)
    ]


def _as_rows(events: Sequence[Event]) -> list[dict[str, Any]]:
    held = [
        {**asdict(event), "data": json.dumps(event.data, sort_keys=True, ensure_ascii=False)}
        for event in events
    ]
    return rows_as_written(held, EVENT_DTYPE)


def _event_keys(rows: Sequence[dict[str, Any]]) -> Counter[_Key]:
    """Events but for the health of channels, which is found at the seal, whatever was told live."""
    return Counter(
        (row["kind"], row["t_s"], row["data"], "cut short" if row["cut"] else "")
        for row in rows
        if row["kind"] != EventKind.CHANNEL_HEALTH
    )


def _proof(state: State, words: str) -> Proof:
    return Proof(check=Check.EVENTS, state=state, words=words)

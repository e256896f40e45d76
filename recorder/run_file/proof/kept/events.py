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
from recorder.run_file.hdf5.tables import cut_text, table_rows
from recorder.run_file.proof.parts.proof import Check, Proof, State, first_of

if TYPE_CHECKING:
    from collections.abc import Callable, Iterator

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
    # The health of channels is found at the seal, whatever was told live.
    wrong = [
        *_unlike(
            "gap",
            Counter(_gap_key(asdict(Gap.from_dict(row)), moved=moved) for row in gaps),
            Counter(_gap_key(asdict(gap), moved=moved) for gap in held.gaps),
        ),
        *_unlike(
            "event",
            Counter(
                (row["kind"], float(row["t_s"]), row["data"])
                for row in events
                if row["kind"] != EventKind.CHANNEL_HEALTH
            ),
            Counter(
                _event_key(e.kind, e.t_s, e.data)
                for e in held.events
                if e.kind != EventKind.CHANNEL_HEALTH
            ),
        ),
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
        _cut(row["device"], GAP_DTYPE["device"].itemsize),
        _cut(row["cause"], GAP_DTYPE["cause"].itemsize),
        f"{row['lost_records']} lost",
        "" if moved else f"before record {row['before_record']}",
        _cut(row["detail"], GAP_DTYPE["detail"].itemsize),
    )


def _event_key(kind: str, t_s: float, data: dict[str, Any]) -> _Key:
    text = json.dumps(data, sort_keys=True, ensure_ascii=False)
    return (
        _cut(kind, EVENT_DTYPE["kind"].itemsize),
        float(t_s),
        _cut(text, EVENT_DTYPE["data"].itemsize),
    )


def _cut(text: object, size: int) -> str:
    return cut_text(str(text), size)[0].decode("utf-8")


def _proof(state: State, words: str) -> Proof:
    return Proof(check=Check.EVENTS, state=state, words=words)

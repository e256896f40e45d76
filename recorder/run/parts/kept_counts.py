"""The journal's own counts: what was kept so far, kept with it, so that a lost end shows.

Events of health and of the stop carry them, and the row ``closed`` of ``meta`` at a clean end. A
journal of an earlier version has the counts of the status only, which run ahead of the commit.
"""

from __future__ import annotations

import math
from dataclasses import dataclass, replace
from typing import TYPE_CHECKING, Any, Final, Self

from recorder.run.parts.event import Event, EventKind
from recorder.run.parts.gap import Cause, Gap

if TYPE_CHECKING:
    from collections.abc import Iterable, Mapping, Sequence

__all__ = ["CLOSED", "COUNTED", "MOST_RECORDS", "Counts", "counts_of_status"]

CLOSED: Final = "closed"
"""Key of the row of ``meta`` with the counts at a clean end."""
COUNTED: Final = "journal"
"""Their name in the data of an event."""
MOST_RECORDS: Final = 2**53
"""Of a device in a run: a million in a second would take three centuries."""
TABLES: Final = ("batches", "marks", "events")
RUNS_AHEAD_S: Final = 2.0
"""A status counts what has come, which is kept only with the next commit."""


@dataclass(frozen=True, slots=True)
class Counts:
    """What had been kept."""

    rows: Mapping[str, int]
    """By table."""
    records: Mapping[str, tuple[int, float]]
    """By device: records, and the run time of the count."""
    run: str = ""
    t_s: float = 0.0
    """Run time of the newest event."""

    @classmethod
    def after(
        cls,
        run: str,
        first: Mapping[str, int],
        before: Mapping[str, int],
        come: Sequence[tuple[str, int]],
        n_events: int,
        ahead: tuple[int, int, float],
    ) -> Self:
        """Counts with a commit: its first rows by table, records before it and in each of its
        rows; ``ahead`` has marks and run time."""
        _, marks, t_s = ahead
        rows = {
            "batches": first["batches"] - 1 + len(come),
            "marks": marks,
            "events": first["events"] - 1 + n_events,
        }
        with_it = dict(before)
        for device, n in come:
            with_it[device] += n
        records = {device: (n, t_s) for device, n in with_it.items()}
        return cls(rows, records, run, t_s)

    def to_dict(self) -> dict[str, Any]:
        """As it is kept."""
        records = {name: n for name, (n, _) in self.records.items()}
        rows = dict(self.rows)
        return {"run": self.run, "rows": rows, "records": records, "t_s": self.t_s}

    @classmethod
    def of(cls, data: object) -> Self | None:
        """What :meth:`to_dict` gave, of any version and any damage; None where it is not that."""
        if not isinstance(data, dict):
            return None
        held = [data.get("rows"), data.get("records")]
        rows, records = map(_numbers, held)
        told_s = data.get("t_s")
        t_s = float(told_s) if isinstance(told_s, int | float) else 0.0
        whole = all(
            len(numbers) == len(part)
            for part, numbers in zip(held, (rows, records), strict=True)
            if isinstance(part, dict)
        )
        if not whole or not math.isfinite(t_s):
            return None
        return cls(
            {table: rows.get(table, 0) for table in TABLES},
            {name: (n, t_s) for name, n in records.items()},
            str(data.get("run", "")),
            t_s,
        )

    def told_by(self, event: Event) -> Event:
        """The event with these counts, if it is one that carries them."""
        if event.kind not in (EventKind.HEALTH, EventKind.STOP):
            return event
        return replace(event, data={**event.data, COUNTED: self.to_dict()})


def counts_of_status(events: Sequence[Event]) -> Counts:
    """What the events of an earlier version counted, as far as it must have been kept."""
    alive_s = max((event.t_s for event in events), default=0.0)
    come: dict[str, tuple[int, float]] = {}
    marks = 0
    for event in events:
        held: Mapping[str, int] = {}
        if event.kind == EventKind.STOP:
            held = _numbers(event.data.get("records"))
            marks = max(marks, _numbers(event.data).get("marks", 0))
        elif event.kind == EventKind.HEALTH and event.t_s <= alive_s - RUNS_AHEAD_S:
            held = _of_devices(event.data.get("devices"))
        for device, n in held.items():
            come[device] = max(come.get(device, (0, 0.0)), (n, event.t_s))
    lost = _lost_in_rings(events)
    kept = {name: (n - lost.get(name, 0), t_s) for name, (n, t_s) in come.items()}
    return Counts({"batches": 0, "marks": marks, "events": 0}, kept)


def _of_devices(data: object) -> dict[str, int]:
    if not isinstance(data, dict):
        return {}
    numbers = {name: _numbers(held).get("records") for name, held in data.items()}
    return {str(name): n for name, n in numbers.items() if n is not None}


def _lost_in_rings(events: Iterable[Event]) -> dict[str, int]:
    """Records that had come and were overwritten or damaged before they could be kept."""
    lost: dict[str, int] = {}
    for event in events:
        if event.kind != EventKind.GAP:
            continue
        try:
            gap = Gap.from_dict(event.data)
        except (KeyError, TypeError, ValueError):
            continue
        if gap.cause in (Cause.RING_OVERRUN, Cause.RING_DAMAGED):
            lost[gap.device] = lost.get(gap.device, 0) + gap.lost_records
    return lost


def _numbers(data: object) -> dict[str, int]:
    """The numbers among the values that can be counts."""
    if not isinstance(data, dict):
        return {}
    return {
        str(name): n
        for name, n in data.items()
        if isinstance(n, int) and not isinstance(n, bool) and 0 <= n < MOST_RECORDS
    }

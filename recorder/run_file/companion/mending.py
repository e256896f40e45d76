"""The entry that says that a companion was made anew, and what was wrong with the one before."""

from __future__ import annotations

import json
import time
from typing import TYPE_CHECKING, Final

from calibration.quantities.bounded_text import bounded_json
from recorder.run.time.utc import utc_text
from recorder.run_file.companion.entries import Entry, EntryKind

if TYPE_CHECKING:
    from collections.abc import Iterable, Sequence

__all__ = ["MENDED", "added_at", "mended_entry", "mended_words", "wrong_before"]

MENDED: Final = "mended"
"""Name of the entry."""
MOST_TOLD: Final = 20
"""Of what was wrong; of more their number."""
NOT_KNOWN: Final = "not known"


def mended_entry(wrong: Sequence[str], kept: int, file: str, *, by: str, version: str) -> Entry:
    """``wrong`` with the notes before, which lie in ``file``; ``kept`` entries are taken over."""
    more = len(wrong) - MOST_TOLD
    first = [*wrong[:MOST_TOLD], *([f"and {more:,} more"] if more > 0 else [])]
    told = {"kept": kept, "wrong": first, "file": file}
    return Entry(
        kind=EntryKind.RESULT.value,
        name=MENDED,
        text=json.dumps(told, sort_keys=True, ensure_ascii=False),
        utc_ns=time.time_ns(),
        by=by,
        version=version,
    )


def mended_words(entries: Iterable[Entry]) -> list[str]:
    """A line for each time that the notes were made anew, none where they never were."""
    return [
        f"mended at {added_at(entry)} by {entry.by or 'nobody named'}: {_taken_over(entry)};"
        f" {wrong_before(entry)}; those notes: {_told(entry).get('file', NOT_KNOWN)}"
        for entry in entries
        if entry.kind == EntryKind.RESULT and entry.name == MENDED
    ]


def wrong_before(entry: Entry) -> str:
    """What could not be had of the notes before."""
    wrong = _told(entry).get("wrong")
    why = "; ".join(map(str, wrong)) if isinstance(wrong, list) else NOT_KNOWN
    return f"wrong with the notes before: {why}"


def _taken_over(entry: Entry) -> str:
    kept = _told(entry).get("kept")
    if not isinstance(kept, int):
        return f"how many entries were taken over is {NOT_KNOWN}"
    return f"{'1 entry' if kept == 1 else f'{kept:,} entries'} taken over"


def _told(entry: Entry) -> dict[str, object]:
    try:
        told = bounded_json(str(entry.text))
    except ValueError:
        return {}
    return told if isinstance(told, dict) else {}


def added_at(entry: Entry) -> str:
    """When an entry was added, in words."""
    held = entry.utc_ns
    whole = isinstance(held, int) and 0 <= held < 2**62
    return utc_text(held) if whole else "a time not known"

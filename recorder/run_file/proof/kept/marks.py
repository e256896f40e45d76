"""The history of the marks: every revision there, in order, by somebody, after the fact."""

from __future__ import annotations

from collections import Counter
from itertools import pairwise
from typing import TYPE_CHECKING, Final, TypeAlias

from calibration.quantities.written import many
from recorder.marks.mark import by_mark
from recorder.run.parts.errors import RunFileError
from recorder.run.parts.event import EventKind
from recorder.run.parts.event_numbers import number
from recorder.run_file.companion.companion import Companion, companion_path
from recorder.run_file.hdf5.layout import MARK_DTYPE
from recorder.run_file.hdf5.stored_header import sealed_digest
from recorder.run_file.hdf5.tables import rows_as_written, table_rows
from recorder.run_file.proof.parts.proof import Check, Proof, State, first_of

if TYPE_CHECKING:
    from collections.abc import Callable, Iterator, Sequence
    from typing import Any

    from recorder.marks.mark import Mark
    from recorder.run_file.proof.parts.held import Held

__all__ = ["prove_marks"]

SLACK_S: Final = 5.0
"""By which a computer's clock may drift between the start and a key-down, and be put right in
steps too small to be told of: 60 ppm over a day (from experience)."""
NS: Final = 1e9
_Key: TypeAlias = tuple[object, ...]
_FIELDS: Final = MARK_DTYPE.names or ()
"""The first two say which revision it is."""


def prove_marks(held: Held, progress: Callable[[float], None]) -> Iterator[Proof]:
    """The revisions of the run file and of its companion."""
    path = companion_path(held.store.path)
    try:
        companion = Companion(path, held.header.run_id, sealed_digest(held.store))
        added = companion.revisions()
        wrong = list(companion.disagreements())
        unprotected, mended = companion.unprotected(), companion.mendings()
    except RunFileError as error:
        yield _proof(State.NOT_PROVED, f"the companion does not read: {error}")
        return
    progress(0.5)
    # What was lost then may have been a revision.
    yield from (_proof(State.NOT_PROVED, words) for words in mended)
    revisions = [*held.marks, *added]
    wrong += [*_as_recorded(held), *_history(revisions), *_instants(held)]
    if not revisions and not wrong:
        yield _proof(State.PROVED, "there are no marks")
        return
    yield _outcome(revisions, added, wrong)
    yield from _beyond_rows(held)
    yield from _doubtful(held, added)
    if unprotected:
        entries = "1 entry" if unprotected == 1 else f"{unprotected:,} entries"
        words = f"{entries} added after the seal by an earlier version, which kept no checks"
        yield _proof(State.NOT_PROVED, words)


def _outcome(revisions: Sequence[Mark], added: Sequence[Mark], wrong: list[str]) -> Proof:
    if wrong:
        return _proof(State.CONTRADICTED, first_of(wrong))
    marks = len({mark.mark_id for mark in revisions})
    moved = sorted({mark.by or "nobody named" for mark in _moved(revisions)})
    words = (
        f"{many(marks, 'mark')} in {many(len(revisions), 'revision')} ({len(added)} added after the"
        " seal): each history begins with what was keyed and has every revision once"
    )
    if moved:
        words += f"; moved to another instant: {len(_moved(revisions))}, by {', '.join(moved)}"
    return _proof(State.PROVED, words)


def _history(revisions: Sequence[Mark]) -> Iterator[str]:
    """Each mark's revisions rise by one from the first."""
    numbers: dict[str, list[int]] = {}
    for mark in by_mark(revisions):
        numbers.setdefault(mark.mark_id, []).append(mark.revision)
    for mark_id, held in numbers.items():
        if held == list(range(len(held))):
            continue
        if held[0] != 0:
            yield f"mark {mark_id[:8]} begins with revision {held[0]}: what was keyed is missing"
        else:
            told = ", ".join(str(n) for n in held)
            yield f"mark {mark_id[:8]} has revisions {told}; each is one more than the last"


def _moved(revisions: Sequence[Mark]) -> list[Mark]:
    """Revisions at another instant than the one before."""
    ordered = by_mark(revisions)
    return [
        mark
        for before, mark in pairwise(ordered)
        if mark.mark_id == before.mark_id and mark.t_s != before.t_s
    ]


def _instants(held: Held) -> Iterator[str]:
    """No revision of the run file was entered before its instant, by the clock of its computer."""
    if held.header.origin != "recorded":
        return
    slack_s = SLACK_S + sum(
        abs(number(event.data.get("step_s")))
        for event in held.events
        if event.kind == EventKind.WALL_CLOCK_STEP
    )
    latest: dict[str, Mark] = {}
    for mark in held.marks:
        entered_s = (mark.entered_utc_ns - held.header.started_utc_ns) / NS
        if entered_s < mark.t_s - slack_s:
            yield (
                f"revision {mark.revision} of mark {mark.mark_id[:8]} was entered"
                f" {mark.t_s - entered_s:.1f} s before its instant"
            )
        before = latest.get(mark.mark_id)
        if before is not None and mark.entered_utc_ns < before.entered_utc_ns - slack_s * NS:
            yield (
                f"revision {mark.revision} of mark {mark.mark_id[:8]} was entered before"
                f" revision {before.revision}"
            )
        latest[mark.mark_id] = mark


def _as_recorded(held: Held) -> Iterator[str]:
    """The full text of the seal against the rows written while the run was recorded."""
    rows = table_rows(held.store, "marks")
    if not rows and held.header.origin != "recorded":
        # Runs made from tables have the full text alone.
        return
    live = Counter(map(_key, rows))
    sealed = Counter(map(_key, _as_rows(held.marks)))
    unlike: dict[_Key, _Key] = {key[:2]: key for key in sealed - live}
    recorded = {key[:2] for key in live}
    for key in (live - sealed).elements():
        yield _otherwise(key, unlike.get(key[:2]))
    for mark_id, revision, *_ in (sealed - live).elements():
        if (mark_id, revision) not in recorded:
            yield (
                f"revision {revision} of mark {str(mark_id)[:8]} was not written during the"
                " recording"
            )


def _otherwise(written: _Key, sealed: _Key | None) -> str:
    """What of a revision is not as it was written, with both words."""
    head = f"revision {written[1]} of mark {str(written[0])[:8]}"
    if sealed is None:
        return f"a row of {head} was written during the recording and is not in the sealed text"
    told = [
        f"{name} {one!r:.40}, not {other!r:.40}"
        for name, one, other in zip(_FIELDS, written, sealed, strict=True)
        if one != other
    ]
    return (
        f"{head} was written otherwise during the recording than the sealed text has it:"
        f" {', '.join(told)}"
    )


def _as_rows(marks: Sequence[Mark]) -> list[dict[str, Any]]:
    return rows_as_written([mark.to_dict() for mark in marks], MARK_DTYPE)


def _key(row: dict[str, Any]) -> _Key:
    """All of a revision that its row has room for, and whether that was all."""
    return tuple(row[name] for name in _FIELDS)


def _beyond_rows(held: Held) -> Iterator[Proof]:
    """What of the marks was never in the rows, and so has nothing to be held against."""
    if not held.marks or not table_rows(held.store, "marks"):
        return
    cut = sum(bool(row["cut"]) for row in _as_rows(held.marks))
    further = sum(bool(mark.extra) for mark in held.marks)
    for n, what in (
        (cut, "words that are longer than the rows written during the recording have room for"),
        (further, "further numbers, for which those rows have no room"),
    ):
        if n:
            words = f"{many(n, 'revision')} with {what}: the sealed text alone has them in full"
            yield _proof(State.NOT_PROVED, words)


def _doubtful(held: Held, added: Sequence[Mark]) -> Iterator[Proof]:
    """What was entered afterwards was entered on a clock that the file knows nothing of."""
    early = [mark for mark in added if mark.entered_utc_ns < held.header.started_utc_ns]
    if early:
        words = (
            f"{many(len(early), 'revision')} added after the seal, with times of entry before the"
            " run began: the clock of one of the two computers was wrong"
        )
        yield _proof(State.NOT_PROVED, words)
    for what, unnamed in (
        ("a name of who made it", sum(not mark.by.strip() for mark in [*held.marks, *added])),
        (
            "the version that kept it",
            sum(not m.software.strip() for m in [*held.marks, *added]),
        ),
    ):
        if unnamed:
            yield _proof(State.NOT_PROVED, f"{many(unnamed, 'revision')} without {what}")


def _proof(state: State, words: str) -> Proof:
    return Proof(check=Check.MARKS, state=state, words=words)

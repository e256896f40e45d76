"""Whether every part of a sealed run reads: what does not read was not sealed so."""

from __future__ import annotations

from typing import TYPE_CHECKING

from recorder.run.parts.errors import RunFileError, UnreadableError
from recorder.run_file.proof.parts.proof import Check, Proof, State, first_of
from recorder.sheets.car import parse_car_sheet
from recorder.sheets.errors import SheetError
from recorder.sheets.trip import parse_trip_sheet
from recorder.track.route.route import parse_route
from recorder.track.route.rows import RouteError

if TYPE_CHECKING:
    from collections.abc import Callable, Iterator

    from recorder.run_file.proof.parts.held import Held

__all__ = ["prove_reads"]


def prove_reads(held: Held, progress: Callable[[float], None]) -> Iterator[Proof]:
    """Marks, gaps, events and ties, each for itself; then the sheets, by this version's grammar."""
    wrong = list(_parts(held))
    progress(0.5)
    sheets = list(_sheets(held))
    if sheets and not held.other_version:
        wrong += sheets
    if wrong:
        yield _proof(State.CONTRADICTED, first_of(wrong))
        return
    yield _proof(State.PROVED, "marks, gaps, events, ties of ticks and of UTC read")
    if sheets:
        by = (
            f"recorded by {held.other_version}, which may have known what this version does not"
        )
        yield _proof(State.NOT_PROVED, f"{first_of(sheets)} ({by})")


def _parts(held: Held) -> Iterator[str]:
    parts: tuple[Callable[[], object], ...] = (
        lambda: held.marks,
        lambda: held.gaps,
        lambda: held.events,
        lambda: held.ties,
        lambda: held.utc,
    )
    for read in parts:
        try:
            read()
        except UnreadableError as error:
            yield error.words
        except RunFileError as error:
            yield str(error)


def _sheets(held: Held) -> Iterator[str]:
    """What a run was begun with was read when it began."""
    header = held.header
    texts: tuple[tuple[str, str, Callable[[str], object]], ...] = (
        ("car sheet", header.car_sheet, lambda text: parse_car_sheet(text, source="it")),
        ("trip sheet", header.trip_sheet, lambda text: parse_trip_sheet(text, source="it")),
        ("route", header.route, lambda text: parse_route(text, source="it")),
    )
    for what, text, parse in texts:
        try:
            if text.strip():
                parse(text)
        except (SheetError, RouteError) as error:
            why = " ".join(str(error).split()).removeprefix("it: ")
            yield f"the {what} does not read: {why}"


def _proof(state: State, words: str) -> Proof:
    return Proof(check=Check.READS, state=state, words=words)

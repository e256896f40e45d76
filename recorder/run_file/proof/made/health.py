"""The health of every channel found again: its episodes, and the flags they set."""

from __future__ import annotations

from typing import TYPE_CHECKING, Final

from calibration.quantities.written import many
from recorder.run.parts.errors import RunFileError
from recorder.run.parts.event import EventKind
from recorder.run.values.calibrate import parse_certificates
from recorder.run_file.proof.parts.proof import Check, Proof, State

if TYPE_CHECKING:
    from collections.abc import Callable, Iterator

    from recorder.run.checks.channel_health import Episode
    from recorder.run_file.proof.parts.held import Held

__all__ = ["prove_health"]

SAME_S: Final = 1e-6
"""Instants of an episode closer than this are the same."""


def prove_health(held: Held, progress: Callable[[float], None]) -> Iterator[Proof]:
    """The episodes stored at the seal against those found again in the counts."""
    try:
        parse_certificates(held.header)
    except RunFileError as error:
        yield _proof(State.NOT_PROVED, f"it cannot be found again: {error}")
        return
    stored = [event for event in held.events if event.kind == EventKind.CHANNEL_HEALTH]
    found = [episode.to_event() for episode in held.health.episodes]
    progress(1.0)
    by = f" (sealed by {held.other_version})" if held.other_version else ""
    if len(stored) != len(found):
        words = (
            f"{many(len(stored), 'episode')} of a channel that was not sound stored, {len(found)}"
            f" found again{_first_of(held.health.episodes)}{by}"
        )
        yield _proof(State.NOT_PROVED if by else State.CONTRADICTED, words)
        return
    for one, other in zip(stored, found, strict=True):
        if abs(one.t_s - other.t_s) > SAME_S or one.data != other.data:
            words = (
                f"an episode at {one.t_s:.1f} s is stored as {one.data.get('text')!r}, found again"
                f" at {other.t_s:.1f} s as {other.data.get('text')!r}{by}"
            )
            yield _proof(State.NOT_PROVED if by else State.CONTRADICTED, words)
            return
    records = held.health.records
    if not records:
        words = "there is no record of a channel whose health can be looked at"
        yield _proof(State.NOT_PROVED, words)
        return
    words = (
        f"{many(len(found), 'episode')} of a channel that was not sound, found again alike in"
        f" {many(records, 'record')}"
    )
    yield _proof(State.PROVED, words)


def _first_of(episodes: list[Episode]) -> str:
    return f", the first: {episodes[0].words}" if episodes else ""


def _proof(state: State, words: str) -> Proof:
    return Proof(check=Check.HEALTH, state=state, words=words)

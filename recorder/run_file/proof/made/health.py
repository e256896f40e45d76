"""The health of every channel found again: its episodes, and the flags they set."""

from __future__ import annotations

from typing import TYPE_CHECKING, Final

import numpy as np

from recorder.run.checks.channel_health import HealthFault
from recorder.run.parts.errors import RunFileError
from recorder.run.parts.event import EventKind
from recorder.run.values.calibrate import parse_certificates
from recorder.run_file.proof.parts.proof import Check, Proof, State

if TYPE_CHECKING:
    from collections.abc import Callable, Iterator

    from numpy.typing import NDArray

    from recorder.run.checks.channel_health import Episode
    from recorder.run_file.proof.parts.held import Held
    from recorder.run_file.seal.final_health import FoundHealth

__all__ = ["health_flags", "prove_health"]

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
            f"{len(stored)} episodes of a channel that was not sound are stored, {len(found)} are"
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
    words = f"{len(found)} episodes of a channel that was not sound, found again alike"
    yield _proof(State.PROVED, words)


def _first_of(episodes: list[Episode]) -> str:
    return f", the first: {episodes[0].words}" if episodes else ""


def health_flags(
    found: FoundHealth, channel: str, start: int, stop: int
) -> NDArray[np.uint8] | np.uint8:
    """(stop − start,) bits that the seal adds to the flags of a channel; 0 where there is none."""
    flags: NDArray[np.uint8] | None = None
    for episode in found.episodes:
        low, high = max(episode.first_record, start), min(episode.stop_record, stop)
        whole = episode.fault.flag and episode.fault is not HealthFault.SPIKING
        if whole and channel in episode.channels and low < high:
            flags = np.zeros(stop - start, np.uint8) if flags is None else flags
            flags[low - start : high - start] |= np.uint8(episode.fault.flag)
    for spikes in found.spikes:
        low, high = np.searchsorted(spikes.records, [start, stop])
        if channel in spikes.channels and low < high:
            flags = np.zeros(stop - start, np.uint8) if flags is None else flags
            flags[spikes.records[low:high] - start] |= np.uint8(HealthFault.SPIKING.flag)
    return np.uint8(0) if flags is None else flags


def _proof(state: State, words: str) -> Proof:
    return Proof(check=Check.HEALTH, state=state, words=words)

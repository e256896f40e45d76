"""Run time tied to UTC again, from the sentences and pulses in the file."""

from __future__ import annotations

from typing import TYPE_CHECKING

import numpy as np

from calibration.quantities.written import many
from recorder.run_file.proof.made.ticks import COVERAGE, SAME_S, held_to
from recorder.run_file.proof.parts.proof import Check, Proof, State
from recorder.run_file.seal.final_times import duration_of, fit_utc_of

if TYPE_CHECKING:
    from collections.abc import Callable, Iterator

    from numpy.typing import NDArray

    from recorder.run.time.utc import UtcScale, UtcSource
    from recorder.run_file.proof.parts.held import Held

__all__ = ["prove_utc"]


def prove_utc(held: Held, progress: Callable[[float], None]) -> Iterator[Proof]:
    """The stored nodes of UTC against a fit to the same witnesses."""
    store = held.store
    nodes, stored = held.utc
    scale, source = fit_utc_of(
        store, held.header, held.lines, duration_of(store, held.events), held.events
    )
    progress(1.0)
    yield _judged(held, nodes, stored, scale, source)


def _judged(
    held: Held,
    nodes: NDArray[np.void],
    stored: UtcSource,
    scale: UtcScale,
    source: UtcSource,
) -> Proof:
    by = f" (tied by {held.other_version})" if held.other_version else ""
    if stored.source != source.source:
        words = (
            f"the file says UTC is from {stored.source!r}; its witnesses tied again give"
            f" {source.source!r}{f' ({source.why})' if source.why else ''}{by}"
        )
        return _proof(State.NOT_PROVED if by else State.CONTRADICTED, words)
    if (stored.fixes, stored.pulses) != (source.fixes, source.pulses):
        words = (
            f"the file says UTC was tied by {many(stored.fixes, 'sentence')} and"
            f" {many(stored.pulses, 'pulse')};"
            f" it holds {source.fixes:,} and {source.pulses:,} to tie it by{by}"
        )
        return _proof(State.NOT_PROVED if by else State.CONTRADICTED, words)
    if not by and not _same(stored, source):
        said = source.why or "all agree"
        words = f"what the file tells of its witnesses is not what they say: {said}"
        return _proof(State.CONTRADICTED, words)
    return _nodes_judged(nodes, scale, held.other_version) or _proof(
        *_alone(source, len(nodes))
    )


def _same(stored: UtcSource, made: UtcSource) -> bool:
    """Whether two judgements say the same, but for figures in their words."""
    one, other = stored.judgement, made.judgement
    if one is None or other is None:
        return one is other
    heard, again = (tuple((w.kind, w.standing) for w in j.witnesses) for j in (one, other))
    return (one.known, bool(one.why), heard) == (other.known, bool(other.why), again)


def _nodes_judged(nodes: NDArray[np.void], scale: UtcScale, version: str) -> Proof | None:
    """What the stored nodes show against the scale tied again; None: they are the same."""
    away_s = (nodes["utc_ns"] - scale.utc_ns(nodes["t_s"])) / 1e9
    u_stored, u_made = nodes["u_s"], scale.u_s(nodes["t_s"])
    # A node at no time is as far away as can be.
    far_s = np.nan_to_num(np.abs(away_s), nan=np.inf)
    i = int(np.argmax(far_s))
    worst_s = float(far_s[i])
    if worst_s > SAME_S:
        limit_s = max(SAME_S, COVERAGE * float(np.nanmax([u_stored[i], u_made[i], 0.0])))
        within, how = held_to(worst_s, limit_s, version)
        words = (
            f"UTC at {nodes['t_s'][i]:.1f} s is stored {away_s[i]:+.6f} s from where its"
            f" witnesses tied again put it{how}"
        )
        return _proof(State.NOT_PROVED if within else State.CONTRADICTED, words)
    if not np.allclose(u_stored, u_made, rtol=1e-3, atol=SAME_S, equal_nan=True):
        by = f" (tied by {version})" if version else ""
        k = int(np.argmax(~np.isclose(u_stored, u_made, 1e-3, SAME_S, equal_nan=True)))
        words = (
            f"the uncertainty of UTC at {nodes['t_s'][k]:.1f} s is stored as {u_stored[k]:.3g} s,"
            f" tied again it is {u_made[k]:.3g} s{by}"
        )
        return _proof(State.NOT_PROVED if by else State.CONTRADICTED, words)
    return None


def _alone(source: UtcSource, nodes: int) -> tuple[State, str]:
    """Agreement, and whether it shows anything."""
    judgement = source.judgement
    if judgement is not None and not judgement.known:
        return State.NOT_PROVED, f"UTC is not known: {judgement.why}"
    if not source.fixes:
        why = f" ({source.why})" if source.why else ""
        return State.NOT_PROVED, f"UTC is the {source.source} alone{why}: nothing to tie it to"
    told = many(source.fixes, "sentence") + (
        f" and {many(source.pulses, 'pulse')} of a second" if source.pulses else ""
    )
    words = f"{many(nodes, 'node')} of UTC, the same when tied again by {told}"
    if judgement is not None and judgement.contradicted:
        return (
            State.NOT_PROVED,
            f"{words}, but its witnesses contradict each other: {judgement.why}",
        )
    return State.PROVED, words


def _proof(state: State, words: str) -> Proof:
    return Proof(check=Check.UTC, state=state, words=words)

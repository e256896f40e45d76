"""Clocks against each other: devices, receiver and computer must keep one pace."""

from __future__ import annotations

from typing import TYPE_CHECKING

from recorder.run_file.proof.parts.proof import Check, Proof, State

if TYPE_CHECKING:
    from recorder.exchange.time_told import ClockOfRun

__all__ = ["prove_clocks"]


def prove_clocks(clock: ClockOfRun) -> Proof:
    """Whether the clocks of a run contradict each other; what is only told is not proved."""
    if clock.impossible:
        return _proof(State.CONTRADICTED, "; ".join(clock.impossible))
    if clock.simulated_speed is not None:
        return _proof(
            State.NOT_PROVED, "time was simulated: the computer's clock is no witness"
        )
    if clock.ticks:
        return _proof(State.NOT_PROVED, "; ".join(clock.ticks))
    if not clock.own_clocks:
        return _proof(State.NOT_PROVED, "no device was tied that has a clock of its own")
    names = " and ".join(clock.own_clocks)
    kept = "keeps" if len(clock.own_clocks) == 1 else "keep"
    return _proof(State.PROVED, f"{names} {kept} the computer's pace as nearly as crystals do")


def _proof(state: State, words: str) -> Proof:
    return Proof(check=Check.CLOCKS, state=state, words=words)

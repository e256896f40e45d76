"""The zeros of a run, told: a line each for a person, a record each for a program."""

from __future__ import annotations

import math
from typing import TYPE_CHECKING, Any

from recorder.run.checks.zero_line import ZeroTime
from recorder.run.checks.zero_worth import ZeroWorth, zero_worth
from recorder.run.time.utc import utc_text

if TYPE_CHECKING:
    from recorder.run_file.hdf5.reader import RunFile

__all__ = ["zero_facts", "zero_words", "zeros_in_run"]


def zeros_in_run(run: RunFile) -> list[ZeroWorth]:
    """Every zero of a run as its newest revision has it, with what it is worth.

    None of a run that is being recorded: its events are told in full at the seal.
    """
    if not run.complete:
        return []
    return zero_worth(run.zeros(), run.force_certificates)


def zero_words(worth: ZeroWorth) -> str:
    """One line."""
    zero = worth.zero
    known = math.isfinite(zero.counts)
    counts = f"{zero.counts:.1f} counts" if known else "no counts"
    sure = f" ± {worth.u_kN:.2g} kN" if math.isfinite(worth.u_kN) else ", u not known"
    moves = "" if zero.holds else "would move"
    moved = math.isfinite(worth.effect_kN)
    effect = f", {moves or 'moves'} the pull by {worth.effect_kN:+.3g} kN" if moved else ""
    by = f" (by {zero.by})" if zero.by else ""
    stood = "" if zero.when is ZeroTime.SHEET else f"; train at rest: {_stood(worth)}"
    return (
        f"zero {worth.number}: {zero.channel} at {zero.t_s:.1f} s, {zero.when}, {worth.state}:"
        f" {counts}{sure * known}{effect}{stood}" + (f"; {zero.why}{by}" if zero.why else "")
    )


def _stood(worth: ZeroWorth) -> str:
    return str(worth.zero.stood) if worth.zero.guards else "not asked"


def zero_facts(worth: ZeroWorth) -> dict[str, Any]:
    """Plain JSON; numbers that are not known are null."""
    zero = worth.zero
    entered = zero.entered_utc_ns
    return {
        "number": worth.number,
        "state": worth.state,
        "holds": zero.holds,
        "t_s": zero.t_s,
        "u_kN": worth.u_kN if math.isfinite(worth.u_kN) else None,
        "effect_kN": worth.effect_kN if math.isfinite(worth.effect_kN) else None,
        "stood": _stood(worth),
        **zero.to_event().data,
        "revised_utc": utc_text(entered) if entered else None,
    }

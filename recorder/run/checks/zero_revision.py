"""Revisions of a zero: withdraw one, restore it, accept one that was refused. Nothing is lost.

Live a revision is an event of the run, after the seal an entry of its companion; both are the
zero again with a higher number, and every reader shows its newest.
"""

from __future__ import annotations

import math
from collections.abc import Sequence
from dataclasses import dataclass, replace
from enum import StrEnum
from typing import TYPE_CHECKING, Final

from recorder.run.checks.zero_line import ZeroTime, current_zeros

if TYPE_CHECKING:
    from recorder.run.checks.zero_line import Zero

__all__ = ["RevisionMade", "ZeroEdit", "chosen_zeros", "revised_zero"]


class ZeroEdit(StrEnum):
    """What is done to a zero after it was taken."""

    WITHDRAW = "withdraw"
    """It is no zero after all: no figure is worked from it."""
    RESTORE = "restore"
    """It was withdrawn by mistake."""
    ACCEPT = "accept"
    """Its guards refused it, and the crew have a reason to take it all the same."""


_DONE: Final = {
    ZeroEdit.WITHDRAW: "withdrawn",
    ZeroEdit.RESTORE: "restored",
    ZeroEdit.ACCEPT: "accepted",
}


@dataclass(frozen=True, slots=True, kw_only=True)
class RevisionMade:
    """Who makes a revision, why and when."""

    reason: str
    by: str
    utc_ns: int
    software: str


def revised_zero(zero: Zero, edit: ZeroEdit, made: RevisionMade) -> Zero:
    """The next revision of a zero; ``zero`` is its newest.

    Raises
    ------
    ValueError
        No reason is given, or the zero is not one this can be done to.
    """
    if not made.reason.strip():
        msg = f"{edit}: no reason is given; say why, it is kept with the zero"
        raise ValueError(msg)
    if why := _not_possible(zero, edit):
        msg = f"{edit}: the zero of {zero.channel} at {zero.t_s:.1f} s {why}"
        raise ValueError(msg)
    reason = made.reason.strip()
    done = replace(
        zero,
        revision=zero.revision + 1,
        by=made.by,
        entered_utc_ns=made.utc_ns,
        software=made.software,
    )
    if edit is ZeroEdit.WITHDRAW:
        return replace(done, withdrawn=reason, restored="")
    if edit is ZeroEdit.RESTORE:
        return replace(done, withdrawn="", restored=reason)
    return replace(done, accepted=True, forced=reason)


def _not_possible(zero: Zero, edit: ZeroEdit) -> str:
    """Why this cannot be done to a zero; empty when it can."""
    if edit is ZeroEdit.RESTORE:
        return "" if zero.withdrawn else "is not withdrawn"
    if zero.withdrawn:
        return (
            "is withdrawn; restore it first"
            if edit is ZeroEdit.ACCEPT
            else "is withdrawn already"
        )
    if edit is ZeroEdit.WITHDRAW:
        return "" if zero.accepted else "was refused: no figure is worked from it"
    if zero.accepted:
        return "is accepted already"
    # The uncertainty that covers a doubt was worked out when the guards were asked.
    sure = math.isfinite(zero.counts) and math.isfinite(zero.u_counts) and zero.guards
    if not sure or zero.railed:
        return "holds nothing to go by: nothing came, a rail, or an earlier version took it"
    return ""


def chosen_zeros(
    zeros: Sequence[Zero], edit: ZeroEdit, *, number: int | None = None, channel: str = ""
) -> list[Zero]:
    """The zeros an edit is meant for: one by its number, or the newest it can be done to.

    ``zeros`` are all of the run with their revisions, in the order kept; numbers count them from
    1 as listed. Without a number, those of all channels that were taken together.

    Raises
    ------
    ValueError
        There is no such zero.
    """
    listed = current_zeros(zeros)
    if number is not None:
        if not 1 <= number <= len(listed):
            msg = f"zero {number}: the run has {len(listed)}; testcar zeros lists them"
            raise ValueError(msg)
        found = listed[number - 1]
        if channel and found.channel != channel:
            msg = f"zero {number} is of {found.channel}, not of {channel}"
            raise ValueError(msg)
        return [found]
    able = [
        zero
        for zero in listed
        if channel in ("", zero.channel)
        and not _not_possible(zero, edit)
        and (zero.when is not ZeroTime.SHEET or edit is not ZeroEdit.WITHDRAW)
    ]
    if not able:
        of = f" of {channel}" if channel else ""
        msg = f"no zero{of} can be {_DONE[edit]}; testcar zeros lists what there is"
        raise ValueError(msg)
    return [zero for zero in able if zero.t_s == able[-1].t_s]

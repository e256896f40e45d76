"""The brake as the crew marked it."""

from __future__ import annotations

from collections.abc import Iterable

from recorder.marks.handling import BrakeMark
from recorder.marks.kinds import Kind
from recorder.marks.mark import Mark

__all__ = ["brake_changes"]


def brake_changes(marks: Iterable[Mark]) -> list[tuple[float, bool]]:
    """Run time (s) of every brake mark, and whether it is a release, in the order given.

    A bare mark, and one whose value does not read, counts as an application: a pull measured
    with the brake on must not pass for one with the brake off.
    """
    return [
        (mark.t_s, isinstance(value := mark.meaning, BrakeMark) and value.released)
        for mark in marks
        if mark.kind is Kind.BRAKE
    ]

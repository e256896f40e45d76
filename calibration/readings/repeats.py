"""Steps taken again with a reason: the later reading stands where the first one stood.

The reading that is replaced stays in the table, marked as superseded, and nothing is worked out
from it. The one that replaces it follows it at once in the order of the readings, however much
later it was taken, so that its series, its zero and its direction are those of the step.
"""

from __future__ import annotations

import math
from bisect import bisect_left, bisect_right, insort
from collections.abc import Mapping, Sequence
from dataclasses import replace
from typing import Final

import numpy as np

from calibration.readings.readings import HOLD, Readings, ReadingsError

__all__ = ["take_repeats"]

SAME_STEP: Final = 0.02
"""Forces closer than this fraction of either are one step taken twice (from experience: a press
is set again to within a per cent or two)."""
SAME_STEP_OF_LARGEST: Final = 0.002
"""The same, as a fraction of the largest force: the least a level differs from the next."""

_Place = tuple[int, float, int, str]


def take_repeats(
    readings: Readings, *, reasons: Sequence[str], steps: Sequence[str] = ()
) -> Readings:
    """Mark what was taken again as superseded, and put each repeat in its place.

    ``reasons`` and ``steps`` have one text a reading. A reading with a reason repeats the last
    one of its step; where the step has no number, that of the nearest force in the same series,
    position, direction and kind.

    Raises
    ------
    ReadingsError
        A reason at a reading before which there is none that it could replace.
    """
    if not any(reasons):
        return readings
    search = _Search(readings, steps)
    superseded = readings.superseded.copy()
    root: dict[int, int] = {}
    followers: dict[int, list[int]] = {}
    for i, reason in enumerate(reasons):
        if reason:
            before = search.replaced_by(i)
            superseded[before] = True
            root[i] = root.get(before, before)
            followers.setdefault(root[i], []).append(i)
        search.add(i)
    order = [
        k for i in range(len(readings)) if i not in root for k in (i, *followers.get(i, ()))
    ]
    return replace(readings, superseded=superseded).take(np.array(order, dtype=np.intp))


class _Search:
    """The readings so far that none has replaced, by step and by force."""

    def __init__(self, readings: Readings, steps: Sequence[str]) -> None:
        self.readings = readings
        self.steps: Mapping[int, str] = {i: step for i, step in enumerate(steps) if step}
        self.by_step: dict[str, int] = {}
        self.by_place: dict[_Place, list[tuple[float, int]]] = {}
        self.largest = float(np.max(np.abs(readings.applied)))

    def place(self, i: int) -> _Place:
        r = self.readings
        position = float(r.position_deg[i])
        return (
            int(r.series[i]),
            -1.0 if math.isnan(position) else position,
            int(r.direction[i]),
            r.kind[i],
        )

    def add(self, i: int) -> None:
        if i in self.steps:
            self.by_step[self.steps[i]] = i
        insort(
            self.by_place.setdefault(self.place(i), []), (float(self.readings.applied[i]), i)
        )

    def replaced_by(self, i: int) -> int:
        """The reading that ``i`` takes the place of; it is not found a second time."""
        found = self.by_step.get(self.steps[i]) if i in self.steps else self.nearest(i)
        if found is None:
            raise self.nothing(i)
        entry = (float(self.readings.applied[found]), found)
        self.by_place[self.place(found)].remove(entry)
        return found

    def nearest(self, i: int) -> int | None:
        force = float(self.readings.applied[i])
        entries = self.by_place.get(self.place(i), [])
        at = bisect_right(entries, (force, len(self.readings)))
        near = [entries[k][0] for k in (at - 1, at) if 0 <= k < len(entries)]
        if not near:
            return None
        best = min(near, key=lambda other: abs(other - force))
        reach = max(SAME_STEP * abs(force), SAME_STEP_OF_LARGEST * self.largest)
        if abs(best - force) > reach:
            return None
        # A hold is read again from its beginning; of a step there is but one that stands.
        if self.readings.kind[i] == HOLD:
            return entries[bisect_left(entries, (best, -1))][1]
        return entries[bisect_right(entries, (best, len(self.readings))) - 1][1]

    def nothing(self, i: int) -> ReadingsError:
        r = self.readings
        series = f" in series {r.series_names[int(r.series[i])]}" if r.series_names else ""
        what = f"of step {self.steps[i]}" if i in self.steps else (
            f"of about {r.applied[i]:g} {r.force_unit}{series} with the same direction, position"
            " and kind"
        )  # fmt: skip
        msg = (
            f"{r.source} row {r.row[i]}: repeat_reason is given, but there is no earlier reading"
            f" {what} that it could replace; write the reason at the reading that was taken again"
        )
        return ReadingsError(msg)

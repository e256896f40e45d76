"""Readings held against the curve of the others: strays, exchanged pairs, series apart.

The curve is a polynomial of the force with terms of its own for the way down and for the gain
and the zero of each series, so that bend, loop, mounting and drift are nobody's fault.
"""

from __future__ import annotations

from collections.abc import Sequence
from itertools import combinations
from typing import TYPE_CHECKING, Final

import numpy as np

from calibration.doubts.doubt import Doubt, DoubtKind, plain
from calibration.doubts.likely_slip import likely_slip
from calibration.readings.load_series import LEVEL_TOLERANCE
from calibration.statistics.median_scatter import normal_sd
from calibration.statistics.strays import find_strays

if TYPE_CHECKING:
    from numpy.typing import NDArray

    from calibration.readings.load_series import LoadSeries
    from calibration.readings.readings import Readings

__all__ = ["curve_doubts"]

HIGHEST_DEGREE: Final = 4
FREE_ENOUGH: Final = 11
"""Readings left over beyond the terms of the curve, for the richest one to be tried."""
FEW: Final = 6
"""With fewer readings a straight line is all that can be held against them."""
MOST_SERIES: Final = 20
"""With more, no series has terms of its own."""
LEAST_OF_READING: Final = 0.001
"""Smaller residuals, as a share of the deflection, decide no class but the best ..."""
LEAST_OF_FULL_SCALE: Final = 0.0002
"""... nor, as a share of full scale, the budget (from experience, both)."""
MOST_COMPARED: Final = 100
"""Readings of a series that are held against the same forces of the others."""
SERIES_APART: Final = 0.02
"""Relative difference of a series from the others at the same forces; mountings of a cell differ
by tenths of a per cent, of a capsule by one (from experience)."""
SERIES_APART_ELSEWHERE: Final = 0.2
"""The same where no force is common, and those of the others lie on one side of its own."""
GROSS: Final = 0.3
"""Deflection for each unit of force, off by so much from nearly all others: no curve is needed,
and none could be fitted through it."""
NEARLY_ALIKE: Final = 0.05
LESS_GROSS: Final = 0.05
"""The same, where twenty times the scatter of the others is less, and ..."""
GROSS_OF_FULL_SCALE: Final = 0.005
"""... no zero moves so far."""


AT_ODDS: Final = 0.05
"""Difference of two readings of one force and direction, as a share of them, and ..."""
AT_ODDS_OF_FULL_SCALE: Final = 0.02
"""... of full scale: worse than any element that is worth a certificate (from experience)."""


class _Rows:
    """The loaded readings of one sense, as the curve needs them."""

    def __init__(self, loads: LoadSeries) -> None:
        self.loads = loads
        mask = (loads.readings.applied != 0.0) & ~loads.readings.held
        self.readings: Readings = loads.readings.pick(mask)
        self.force = np.abs(loads.force)
        self.deflection = loads.deflection * np.sign(loads.mean_at_levels()[-1] or 1.0)
        self.series = self.readings.series
        self.label = loads.level_of * 3 + loads.direction + 1
        self.ratio = self.deflection / self.force

    def __len__(self) -> int:
        return len(self.force)


def curve_doubts(loads: LoadSeries) -> list[Doubt]:
    """Every doubt that the readings under force of one sense cast on each other."""
    rows = _Rows(loads)
    found, left = _series_apart(rows)
    # What is grossly off would bend any curve towards itself.
    gross = left & _gross(rows, left)
    stray, expected = _strays(rows, left & ~gross)
    stray |= gross
    pairs = _exchanged(rows, np.flatnonzero(stray), expected)
    exchanged = {i for pair in pairs for i in pair}
    found += [_pair(rows, a, b) for a, b in pairs]
    single = [int(i) for i in np.flatnonzero(stray) if int(i) not in exchanged]
    found += [_single(rows, i, float(expected[i])) for i in single]
    return [*found, *_turned(rows, left & ~stray), *_at_odds(rows, left & ~stray)]


def _series_apart(rows: _Rows) -> tuple[list[Doubt], NDArray[np.bool_]]:
    """Series that lie off all others, and (n,) which readings are of none of them."""
    left = np.ones(len(rows), dtype=np.bool_)
    names = rows.readings.series_names
    present = np.unique(rows.series)
    if not rows.loads.has_zero or not 2 <= len(present) <= MOST_SERIES:
        return [], left
    off: dict[int, float] = {}
    for series in present:
        share = _against_others(rows, rows.series == series)
        if share is not None:
            off[int(series)] = share
    if len(present) == 2 and len(off) == 2:
        # Neither can be told from the other: the later one is named, beside the earlier.
        off.pop(int(present[0]))
    found = []
    for series, share in off.items():
        here = rows.series == series
        left &= ~here
        slip = likely_slip(1.0 + share, rows.readings)
        found.append(
            Doubt(
                kind=DoubtKind.SERIES,
                rows=tuple(rows.readings.row[here].tolist()),
                text=f"series {names[series]} ({_listed(rows.readings.row[here])}): its readings"
                f" lie {100.0 * share:+.3g} % off the other series{slip}",
                residual_pct=100.0 * share,
            )
        )
    return found, left


def _against_others(rows: _Rows, here: NDArray[np.bool_]) -> float | None:
    """Median relative difference from the other series; None where it is small or unknown."""
    if np.count_nonzero(here) < 3:
        return None
    # Of a table without end the first forces tell as much.
    others = [
        (i, np.median(rows.ratio[same]))
        for i in np.flatnonzero(here)[:MOST_COMPARED]
        for same in [(rows.label == rows.label[i]) & ~here]
        if np.any(same) and np.median(rows.ratio[same]) != 0.0
    ]
    if len(others) >= 3:
        each = np.array([rows.ratio[i] / other - 1.0 for i, other in others])
        limit = SERIES_APART
    elif len(each := _between_others(rows, here)) >= 3:
        limit = SERIES_APART
    else:
        middle = float(np.median(rows.ratio[~here]))
        each = rows.ratio[here] / middle - 1.0 if middle else np.zeros(1)
        limit = SERIES_APART_ELSEWHERE
    share = float(np.median(each))
    # The whole of it is off, not some rows.
    return share if abs(share) > max(limit, 3.0 * normal_sd(each - share)) else None


def _between_others(rows: _Rows, here: NDArray[np.bool_]) -> NDArray[np.float64]:
    """(k,) force that the others' readings on either side tell, over the force stated, less 1.

    Of the same direction, among as many as are compared at all.
    """
    found = [np.zeros(0)]
    for direction in np.unique(rows.loads.direction[here]):
        along = rows.loads.direction == direction
        other, mine = (
            np.flatnonzero(along & ~here),
            np.flatnonzero(along & here)[:MOST_COMPARED],
        )
        levels, place = np.unique(rows.loads.level_of[other], return_inverse=True)
        if len(levels) < 2:
            continue
        force = np.bincount(place, weights=rows.force[other]) / np.bincount(place)
        value = rows.deflection[other][np.argsort(place, kind="stable")]
        ends = np.cumsum(np.bincount(place))[:-1]
        middle = np.array([np.median(each) for each in np.split(value, ends)])
        if np.any(np.diff(middle) <= 0.0):
            continue
        own = rows.deflection[mine]
        inside = mine[(own >= middle[0]) & (own <= middle[-1])]
        told = np.interp(rows.deflection[inside], middle, force)
        found.append(told / rows.force[inside] - 1.0)
    return np.concatenate(found)


def _gross(rows: _Rows, left: NDArray[np.bool_]) -> NDArray[np.bool_]:
    middle = float(np.median(rows.ratio[left])) if np.any(left) else 0.0
    if not rows.loads.has_zero or middle == 0.0:
        return np.zeros(len(rows), dtype=np.bool_)
    share = rows.ratio / middle - 1.0
    scatter = normal_sd(share[left])
    alike = scatter < NEARLY_ALIKE
    limit = max(LESS_GROSS, 20.0 * scatter)
    far = np.abs(share) * rows.force > GROSS_OF_FULL_SCALE * rows.loads.largest
    return np.asarray(far & (np.abs(share) > min(limit, GROSS if alike else limit)))


def _strays(
    rows: _Rows, left: NDArray[np.bool_]
) -> tuple[NDArray[np.bool_], NDArray[np.float64]]:
    """(n,) which of the readings ``left`` are strays; (n,) expected deflection of all."""
    here = np.flatnonzero(left)
    stray = np.zeros(len(rows), dtype=np.bool_)
    expected = np.full(len(rows), np.nan)
    if not len(here):
        return stray, expected
    full = float(np.max(np.abs(rows.deflection[here])))
    step = 0.5 * (rows.readings.resolution or 0.0)
    design = _design(rows, here)
    found = find_strays(
        design[here], rows.deflection[here], rows.force[here],
        least=np.maximum(LEAST_OF_READING * np.abs(rows.deflection[here]),
                         LEAST_OF_FULL_SCALE * full),
        step=max(step, 1e-9 * full),
    )  # fmt: skip
    expected[here] = found.expected
    keep = here[~found.stray]
    outside = np.flatnonzero(~left)
    if len(outside):
        solution = np.linalg.lstsq(design[keep], rows.deflection[keep], rcond=None)[0]
        expected[outside] = design[outside] @ solution
    stray[_apart_from_its_like(rows, here[found.stray], here, expected)] = True
    return stray, expected


def _apart_from_its_like(
    rows: _Rows, strays: NDArray[np.intp], here: NDArray[np.intp], expected: NDArray[np.float64]
) -> list[int]:
    """Strays that readings of the same force and direction do not share: a curve may misfit."""
    away = rows.deflection - expected
    found = []
    for i in strays:
        like = here[(rows.label[here] == rows.label[i]) & (here != i)]
        shared = float(np.median(away[like])) if len(like) else 0.0
        if abs(away[i] - shared) >= 0.5 * abs(away[i]):
            found.append(int(i))
    return found


def _design(rows: _Rows, here: NDArray[np.intp]) -> NDArray[np.float64]:
    """(n, p) the richest curve that leaves the readings ``here`` enough to be judged by."""
    share = rows.force / float(np.max(rows.force[here]))
    levels = len(np.unique(rows.loads.level_of[here]))
    top = max(1, min(HIGHEST_DEGREE, levels - 2))
    falling = (rows.loads.direction < 0).astype(np.float64)
    loop = np.column_stack((falling, falling * share, falling * share**2))
    series = np.unique(rows.series[here])
    own = np.zeros((len(rows), 0))
    if 2 <= len(series) <= MOST_SERIES:
        member = (rows.series[:, None] == series[None, :]).astype(np.float64)
        own = np.column_stack((member * share[:, None], member))
    gains = own[:, : own.shape[1] // 2]
    tried = [(top, loop, own), (top, loop, gains), (min(top, 3), loop, gains),
             (min(top, 2), loop, gains), (min(top, 2), loop, own[:, :0]),
             (min(top, 2), loop[:, :1], own[:, :0])]  # fmt: skip
    if len(here) < FEW:
        tried = [(1, loop[:, :0], own[:, :0])]
    for degree, down, each in tried:
        curve = np.vander(share, degree + 1, increasing=True)
        design = np.column_stack((curve, down, each))
        if len(here) - np.linalg.matrix_rank(design[here]) >= FREE_ENOUGH:
            break
    return design


def _exchanged(
    rows: _Rows, strays: NDArray[np.intp], expected: NDArray[np.float64]
) -> list[tuple[int, int]]:
    """Pairs of one series of which each reads what is expected of the other."""
    value, found, used = rows.deflection, [], set[int]()
    for a, b in combinations((int(i) for i in strays), 2):
        gap = abs(expected[a] - expected[b])
        if (
            rows.series[a] == rows.series[b]
            and not {a, b} & used
            and abs(value[a] - expected[b]) < 0.1 * gap
            and abs(value[b] - expected[a]) < 0.1 * gap
        ):
            found.append((a, b))
            used |= {a, b}
    return found


def _turned(rows: _Rows, left: NDArray[np.bool_]) -> list[Doubt]:
    """Readings that fall from one force of a branch to a larger one; no curve is needed."""
    r, found = rows.readings, []
    branch = rows.series * 3 + rows.loads.direction + 1
    for own in np.unique(branch):
        here = np.flatnonzero(left & (branch == own))
        here = here[np.argsort(rows.force[here], kind="stable")]
        full = float(np.max(np.abs(rows.deflection[here]), initial=0.0))
        fall = np.diff(rows.deflection[here]) < -LEAST_OF_READING * full
        rise = np.diff(rows.force[here]) > LEVEL_TOLERANCE * rows.loads.largest
        for k in np.flatnonzero(fall & rise):
            a, b = here[k], here[k + 1]
            text = (
                f"rows {r.row[a]} and {r.row[b]}: {_where(rows, a)} reads {r.reading[a]:.9g}, the"
                f" larger {_where(rows, b)} {r.reading[b]:.9g}: the readings turn back"
            )
            both = (int(r.row[a]), int(r.row[b]))
            found.append(Doubt(kind=DoubtKind.SWAPPED, rows=both, text=text))
    return found


def _at_odds(rows: _Rows, left: NDArray[np.bool_]) -> list[Doubt]:
    """The two readings of one force and direction farthest apart, when no one cell gives both."""
    worst: tuple[float, int, int] | None = None
    full = rows.loads.full_scale
    value = rows.deflection * (rows.loads.largest / rows.force)
    order = np.flatnonzero(left)[np.argsort(rows.label[left], kind="stable")]
    for here in np.split(order, np.flatnonzero(np.diff(rows.label[order])) + 1):
        if len(here) < 2:
            continue
        a, b = here[np.argmin(value[here])], here[np.argmax(value[here])]
        apart = float(value[b] - value[a])
        bare = apart * float(rows.force[a]) / rows.loads.largest
        if apart > AT_ODDS * full and bare > AT_ODDS_OF_FULL_SCALE * full:
            worst = max(worst or (0.0, 0, 0), (bare, int(a), int(b)))
    if worst is None:
        return []
    r, (_, a, b) = rows.readings, worst
    first, second = sorted((a, b), key=lambda i: int(r.row[i]))
    text = (
        f"rows {r.row[first]} and {r.row[second]}: {_where(rows, first)} reads"
        f" {r.reading[first]:.9g} and {r.reading[second]:.9g}, {100.0 * worst[0] / full:.3g} % of"
        " full scale apart: hardly one cell in one setting"
    )
    both = (int(r.row[first]), int(r.row[second]))
    return [Doubt(kind=DoubtKind.SERIES, rows=both, text=text)]


def _where(rows: _Rows, i: int) -> str:
    r = rows.readings
    words = [f"series {r.series_names[int(r.series[i])]}"] if r.series_names else []
    words += {1: ["up"], -1: ["down"]}.get(int(r.direction[i]), [])
    place = f" ({', '.join(words)})" if words else ""
    return f"{plain(float(r.applied[i]))} {r.force_unit}{place}"


def _pair(rows: _Rows, a: int, b: int) -> Doubt:
    r = rows.readings
    text = (
        f"rows {r.row[a]} and {r.row[b]}: {_where(rows, a)} reads {r.reading[a]:.9g} and"
        f" {_where(rows, b)} reads {r.reading[b]:.9g}: each fits the other's force; exchanged"
    )
    return Doubt(kind=DoubtKind.SWAPPED, rows=(int(r.row[a]), int(r.row[b])), text=text)


def _single(rows: _Rows, i: int, expected: float) -> Doubt:
    r = rows.readings
    sign = float(np.sign(rows.loads.mean_at_levels()[-1]) or 1.0)
    residual = sign * float(rows.deflection[i] - expected)
    percent = 100.0 * residual / abs(expected) if expected else None
    shown = "" if percent is None else f" ({plain(percent, digits=3, sign='+')} %)"
    unit = "" if r.reading_unit == "reading" else f" {r.reading_unit}"
    slip = likely_slip(float(rows.deflection[i] / expected), r) if expected else ""
    text = (
        f"row {r.row[i]}: {_where(rows, i)} reads {r.reading[i]:.9g}, expected"
        f" {plain(float(r.reading[i]) - residual, digits=6)} by the others:"
        f" {plain(residual, sign='+')}{unit}{shown}{slip}"
    )
    return Doubt(
        kind=DoubtKind.READING,
        rows=(int(r.row[i]),),
        text=text,
        expected=float(r.reading[i]) - residual,
        residual=residual,
        residual_pct=percent,
    )


def _listed(row: NDArray[np.int64]) -> str:
    """``rows 3 to 12`` or ``rows 3, 5, 9``; a repeat stands out of turn."""
    ordered: Sequence[int] = sorted(row.tolist())
    if len(ordered) > 3:
        return f"rows {ordered[0]} to {ordered[-1]}"
    return "rows " + ", ".join(str(i) for i in ordered)

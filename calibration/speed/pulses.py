"""Wheel-pulse records put in order: edges in run time, odd counts, uneven encoders, distance.

A frame holds the count and the device tick of the last counted edge. Here the distinct edges of
one start of the device are found and laid on run time; counts that cannot be (a pulse missed or
counted twice) are found by their neighbours; and the encoder's own unevenness, which comes back
with every revolution, is worked out from the run itself.
"""

from __future__ import annotations

from dataclasses import dataclass
from typing import TYPE_CHECKING, Any, Final

import numpy as np

if TYPE_CHECKING:
    from numpy.typing import NDArray


__all__ = [
    "HALF_S",
    "STANDING_S",
    "UNEVEN_PULSE",
    "Edges",
    "columns",
    "encoder_pattern",
    "find_edges",
    "odd_steps",
]

HALF_S: Final = 0.25
"""Half the time over which a speed is taken, or to the next edge when that is further."""
STANDING_S: Final = 5.0
"""No edge for so long: standing."""
UNEVEN_PULSE: Final = 1.2
"""The longest way from one line of an encoder to the next, in pulses."""
OLDEST_EDGE_S: Final = 3600.0
"""An edge longer ago than this bears on nothing now."""
ODD: Final = 0.7
"""Pulses off what the neighbours lead to expect."""
ODD_NEAR_S: Final = 2.0
EVEN: Final = 0.15
"""Neighbours whose rates differ by less than this share run evenly."""
VISITS: Final = 20
"""Times each pulse of the wheel must have been seen before its spacing is believed."""
CHORDS: Final = 24
"""Chords laid around an edge, spread over a revolution to either side."""
BLOCK: Final = 1 << 14
MOST_BLOCKS: Final = 64
"""Of a longer run so many blocks, evenly spread, show the pattern as well as all of it."""


@dataclass(frozen=True, slots=True, kw_only=True)
class Edges:
    """Distinct last edges of one start of a device, in order."""

    t_s: NDArray[np.float64]
    """(k,) run time, rising."""
    count: NDArray[np.int64]
    """(k,) count after the edge."""
    line: NDArray[np.int64]
    """(k,) which line of the encoder passed: the count going forward, one more going back."""


def columns(
    records: NDArray[Any],
) -> tuple[NDArray[np.uint64], NDArray[np.uint64], NDArray[np.int64]]:
    """Ticks, edge ticks and counts of (n,) records, as whole columns."""
    return (
        np.ascontiguousarray(records["tick"], np.uint64),
        np.ascontiguousarray(records["edge_tick"], np.uint64),
        np.ascontiguousarray(records["count"], np.int64),
    )


def find_edges(
    tick: NDArray[np.uint64],
    edge_tick: NDArray[np.uint64],
    count: NDArray[np.int64],
    t_s: NDArray[np.float64],
) -> Edges:
    """Edges of (n,) records; ``t_s`` is the run time of ``tick``.

    An edge stamped after its frame, an hour before it, or out of order is left out. The edge in the
    first record counts when it is younger than five seconds.
    """
    none = np.empty(0, np.int64)
    if len(tick) < 2 or tick[-1] <= tick[0]:
        return Edges(t_s=np.empty(0), count=none, line=none)
    s_per_tick = (float(t_s[-1]) - float(t_s[0])) / float(tick[-1] - tick[0])
    age_s = (tick - edge_tick).view(np.int64) * s_per_tick
    fresh = np.empty(len(tick), np.bool_)
    fresh[1:] = count[1:] != count[:-1]
    # Tick 0 is where a counter's edge stands before there was one.
    fresh[0] = age_s[0] < STANDING_S and edge_tick[0] != 0
    fresh &= (age_s >= 0.0) & (age_s < OLDEST_EDGE_S)
    use = np.flatnonzero(fresh)
    if not len(use):
        return Edges(t_s=np.empty(0), count=none, line=none)
    when, held = t_s[use] - age_s[use], count[use]
    back = held < count[np.maximum(use - 1, 0)]
    kept = np.append(True, np.diff(np.maximum.accumulate(when)) > 0.0)
    when, held, back = when[kept], held[kept], back[kept]
    if use[0] == 0 and len(back) > 1:
        back[0] = back[1]
    # A line crossed backwards is the one that was crossed forwards: rocking is no way.
    return Edges(t_s=when, count=held, line=held + back)


def odd_steps(edge_s: NDArray[np.float64], line: NDArray[np.int64]) -> NDArray[np.int64]:
    """Pulses missed (−) or counted twice (+) at each of (k,) edges; mostly 0.

    An edge is odd when it is about a whole pulse off what the eight steps around it lead to
    expect, and those agree among themselves and run the same way.
    """
    odd = np.zeros(len(line), np.int64)
    if len(line) < 12:
        return odd
    step, took = np.diff(line).astype(np.float64), np.diff(edge_s)
    # Few are worth a look: those off a line from three edges before to three after.
    expect = np.zeros(len(step))
    lead = (line[6:] - line[:-6]) / (edge_s[6:] - edge_s[:-6])
    expect[3 : 2 + len(lead)] = 0.5 * (lead[1:] + lead[:-1]) * took[3 : 2 + len(lead)]
    look = np.flatnonzero((np.abs(step - expect) > 0.3) & (took < ODD_NEAR_S))
    look = look[(look >= 4) & (look < len(step) - 4)]
    if not len(look):
        return odd
    around = look[:, None] + np.array([-4, -3, -2, -1, 1, 2, 3, 4])
    rates = np.sort(step[around] / took[around], axis=1)
    middle = 0.5 * (rates[:, 3] + rates[:, 4])
    off = step[look] - middle * took[look]
    even = (rates[:, 5] - rates[:, 2]) < EVEN * np.abs(middle)
    # A reversal or a start is no missed pulse: the same way before and after.
    same_way = rates[:, 1] * rates[:, 6] > 0.0
    quick = (np.abs(middle) * 0.05 > 1.0) | (took[look] < 0.5)
    found = (np.abs(off) > ODD) & even & same_way & quick
    odd[look[found] + 1] = np.round(off[found]).astype(np.int64)
    return odd


def encoder_pattern(
    edge_s: NDArray[np.float64], line: NDArray[np.int64], pulses_per_revolution: int
) -> NDArray[np.float64] | None:
    """Place of each line of the encoder less its even place, in pulses, (pulses_per_revolution,).

    Every edge is held against chords laid evenly over a revolution to either side of it, in
    which the unevenness of all other lines averages out; the means over the run, by line, are
    the pattern, taken twice, the second time with the first taken off. ``None`` when the run
    does not show every line at least twenty times at an even speed.
    """
    ppr = pulses_per_revolution
    if len(edge_s) < VISITS * ppr or ppr < 2:
        return None
    pattern = np.zeros(ppr)
    step = BLOCK * max(len(edge_s) // (BLOCK * MOST_BLOCKS), 1)
    for _ in range(2):
        total, visits = np.zeros(ppr), np.zeros(ppr)
        for start in range(0, len(edge_s), step):
            part = slice(start, start + BLOCK)
            _fold(edge_s[part], line[part], pattern, total, visits)
        if visits.min() < VISITS:
            return None
        # A chord shows the edge short of its line by what the line stands ahead.
        pattern -= total / visits
        pattern -= pattern.mean()
    return pattern


def _fold(
    edge_s: NDArray[np.float64],
    line: NDArray[np.int64],
    pattern: NDArray[np.float64],
    total: NDArray[np.float64],
    visits: NDArray[np.float64],
) -> None:
    """Add what a block of edges shows to the sums by line."""
    ppr = len(pattern)
    turned = np.abs(np.diff(line))
    usual = float(np.median(turned)) if len(turned) else 0.0
    reach = round(ppr / usual) if usual > 0.0 else 0
    if not 1 <= reach <= len(line) // 4:
        return
    place = line + pattern[np.mod(line, ppr)]
    lags = np.round(np.linspace(0, reach, min(CHORDS, reach) + 1)).astype(np.int64)
    middle = slice(reach, len(line) - reach)
    t, s = edge_s[middle], place[middle]
    off = np.zeros(len(t))
    for lag in lags[1:].tolist():
        a = slice(reach - lag, len(line) - reach - lag)
        b = slice(reach + lag, len(line) - reach + lag)
        share = (t - edge_s[a]) / (edge_s[b] - edge_s[a])
        off += s - (place[a] + share * (place[b] - place[a]))
    off /= len(lags) - 1
    a, b = slice(0, len(line) - 2 * reach), slice(2 * reach, None)
    # Two revolutions there, within a tenth, and evenly run.
    even = np.abs(np.abs(line[b] - line[a]) / (2.0 * ppr) - 1.0) < 0.1
    before, after = t - edge_s[a], edge_s[b] - t
    even &= np.abs(before - after) < 0.1 * (before + after)
    even &= np.abs(off) < 0.5
    phase = np.mod(line[middle][even], ppr)
    total += np.bincount(phase, off[even], minlength=ppr)
    visits += np.bincount(phase, minlength=ppr)

"""Device ticks to run time, worked out afterwards from all receipt times."""

from __future__ import annotations

import math
from dataclasses import dataclass, replace
from typing import TYPE_CHECKING, Final

import numpy as np

from calibration.clock.local_smooth import interpolated
from calibration.clock.lower_edge import Edge, lower_edge
from calibration.clock.pace import fast_by, no_crystal, off_words
from calibration.clock.under_receipts import held_under

if TYPE_CHECKING:
    from numpy.typing import ArrayLike, NDArray

__all__ = ["U_LATENCY_S", "TickFit", "fit_ticks", "seen_resolution_s"]

U_LATENCY_S: Final = 1e-3
"""Standard uncertainty of a least latency nobody stated: what a driver, a converter at its
quickest and a scheduler take before the last byte is in hand (from experience)."""

MOST_POINTS: Final = 200_000
"""Of more blocks, the earliest arrival of every so many is taken: the edge is made of those."""
CHUNK: Final = 1 << 20
TOLD_HELD_UP_S: Final = 2.0
GRID_VALUES: Final = 2_000
LEAST_STEPS: Final = 50
LEAST_GRID_S: Final = 1e-4
GRID_U_S: Final = 1e-6


@dataclass(frozen=True, slots=True, kw_only=True)
class TickFit:
    """Run time of ticks as straight lines between knots."""

    tick0: int
    knots_tick: NDArray[np.float64]
    """(k,) ticks after ``tick0``, rising."""
    knots_s: NDArray[np.float64]
    """(k,) run time, rising."""
    u_s: float
    """Standard uncertainty of a time: edge, what it was lowered by to lie under every receipt,
    least latency and the host clock's resolution."""
    rate: float
    """Mean slope of lateness, s/s: what one second of the device takes more."""
    u_rate: float
    s_per_tick: float
    """Beyond the ends."""
    held_up_s: float = 0.0
    """How long receipts were held up: a line, or this computer, that stalled and drained."""
    floor_steps: tuple[tuple[float, float], ...] = ()
    """(run time, s): from then on the least latency was longer by so much."""

    @property
    def drift_ppm(self) -> float:
        """Mean rate error of the device's oscillator against the computer's; + runs fast."""
        return 1e6 * fast_by(self.rate)

    @property
    def u_drift_ppm(self) -> float:
        """Its standard uncertainty."""
        return 1e6 * self.u_rate

    @property
    def findings(self) -> tuple[str, ...]:
        """What must be told of this tie, in words; empty when all is as usual."""
        found = []
        if no_crystal(self.rate, self.u_rate):
            found.append(off_words(self.rate, self.u_rate))
        if self.held_up_s >= TOLD_HELD_UP_S:
            found.append(
                f"its records were held up for {self.held_up_s:.0f} s in all, on the line or by"
                " this computer; their times are by its ticks"
            )
        if self.floor_steps:
            at_s, step_s = max(self.floor_steps, key=lambda step: abs(step[1]))
            found.append(
                f"the least latency stepped {len(self.floor_steps)}"
                f" time{'s' * (len(self.floor_steps) > 1)}, most by {1e3 * step_s:+.1f} ms at"
                f" {at_s:.0f} s: the road changed or its clock jumped; the uncertainty covers it"
            )
        return tuple(found)

    def time_s(self, ticks: ArrayLike) -> NDArray[np.float64]:
        """Run time of (n,) unsigned 64-bit ticks, s; never falling with the tick."""
        steps = _steps(np.asarray(ticks, np.uint64), self.tick0)
        return interpolated(steps, self.knots_tick, self.knots_s, self.s_per_tick)


def fit_ticks(
    ticks: NDArray[np.uint64],
    received_s: NDArray[np.float64],
    *,
    tick_hz: float,
    latency_s: float = 0.0,
    u_latency_s: float = U_LATENCY_S,
    resolution_s: float = 0.0,
) -> TickFit:
    """Tie one start of a device to run time by the lower edge of its receipt times.

    No tick of a block is timed after the block's receipt (after the step of the clock that it was
    read from), however long reading stood still.

    Parameters
    ----------
    ticks : (n,) unwrapped, rising; of the last sample of each block.
    received_s : (n,) run time at which the block was in hand.
    latency_s, u_latency_s
        Least time from a sample to its being in hand, and its standard uncertainty. A road that is
        usually later than its least by much is less sure of its least: a twelfth root of that adds.
    resolution_s
        Step of the clock that receipts were read from; a coarser one that shows in the receipts
        themselves is taken instead. A reading lies up to one step before the instant.

    Raises
    ------
    ValueError
        Fewer than two blocks, times that are not finite, ticks that do not rise, or a tick rate
        that is not above zero.
    """
    ticks = np.asarray(ticks, np.uint64)
    received_s = np.asarray(received_s, np.float64)
    if len(ticks) < 2 or len(ticks) != len(received_s):
        msg = (
            "a clock fit needs at least two blocks, each with a tick and a receipt time, got"
            f" {len(ticks)} and {len(received_s)}"
        )
        raise ValueError(msg)
    if not (np.isfinite(tick_hz) and tick_hz > 0.0):
        msg = f"tick_hz must be above zero, got {tick_hz!r}"
        raise ValueError(msg)
    if not np.isfinite(received_s).all() or not (ticks[1:] > ticks[:-1]).all():
        msg = "a clock fit needs finite receipt times and rising ticks"
        raise ValueError(msg)
    chosen = _earliest(ticks, received_s, tick_hz)
    nominal_s = _steps(ticks[chosen], int(ticks[0])) / tick_hz
    edge = lower_edge(nominal_s, received_s[chosen] - nominal_s)
    seen_s = seen_resolution_s(received_s[chosen])
    # Where receipts keep step with the ticks it is the device that is even, not the clock.
    step_s = max(resolution_s, seen_s if edge.excess_s > seen_s / 10.0 else 0.0)
    u_s = math.sqrt(edge.u_s**2 + u_latency_s**2 + (edge.excess_s**2 + step_s**2) / 12.0)
    fit = _fit_of(edge, int(ticks[0]), tick_hz, u_s, 0.5 * step_s - latency_s)
    # A clock that steps may have been read up to a step before the instant.
    latest_s = received_s + step_s
    steps = _steps(ticks, fit.tick0)
    knots_s, lowered_s = held_under(
        fit.knots_tick, fit.knots_s, fit.s_per_tick, steps, latest_s
    )
    return replace(fit, knots_s=knots_s, u_s=math.hypot(u_s, lowered_s))


def _fit_of(edge: Edge, tick0: int, tick_hz: float, u_s: float, shift_s: float) -> TickFit:
    """The tie along an edge, moved by ``shift_s``."""
    began_s = float(edge.x_s[0] + edge.late_s[0])
    return TickFit(
        tick0=tick0,
        knots_tick=edge.x_s * tick_hz,
        # Receipts that fall, or all come at once, must not turn time round.
        knots_s=np.maximum.accumulate(edge.x_s + edge.late_s + shift_s),
        u_s=u_s,
        rate=edge.rate,
        u_rate=edge.u_rate,
        s_per_tick=max(1.0 + edge.rate, 0.0) / tick_hz,
        held_up_s=edge.held_up_s,
        floor_steps=tuple(
            (began_s + step.x_s * (1.0 + edge.rate), step.step_s) for step in edge.steps
        ),
    )


def seen_resolution_s(received_s: NDArray[np.float64]) -> float:
    """The step of the clock that (n,) receipts were read from, where they show it; else 0.

    Receipts that all lie whole multiples of one step apart, to a millionth of a second,
    were read from a clock that steps so.
    """
    apart = np.diff(received_s[:GRID_VALUES])
    apart = apart[apart > 0.0]
    if len(apart) < LEAST_STEPS:
        return 0.0
    # Steps of six and seven, as well as one of one, show the one.
    sizes = np.unique(np.round(apart, 7))
    sizes = np.concatenate([sizes, np.diff(sizes)])
    step = float(sizes[sizes > GRID_U_S].min())
    if step < LEAST_GRID_S:
        return 0.0
    off = np.abs(apart - step * np.round(apart / step))
    return step if float(np.mean(off < GRID_U_S)) > 0.95 else 0.0


def _steps(ticks: NDArray[np.uint64], tick0: int) -> NDArray[np.float64]:
    """Ticks after ``tick0``; differences are taken in whole numbers, exact at any tick."""
    return np.asarray((ticks - np.uint64(tick0)).view(np.int64), np.float64)


def _earliest(
    ticks: NDArray[np.uint64], received_s: NDArray[np.float64], tick_hz: float
) -> NDArray[np.int64]:
    """Indices of the blocks to fit: all, or the earliest arrival of every so many.

    The first and the last are always among them. Works chunk by chunk: memory stays flat.
    """
    n = len(ticks)
    if n <= MOST_POINTS:
        return np.arange(n)
    group = -(-n // MOST_POINTS)
    step = CHUNK // group * group
    found = [np.array([0])]
    for start in range(0, n, step):
        stop = min(start + step, n)
        late = received_s[start:stop] - _steps(ticks[start:stop], int(ticks[0])) / tick_hz
        table = np.full(-(-len(late) // group) * group, np.inf)
        table[: len(late)] = late
        rows = table.reshape(-1, group)
        found.append(start + np.arange(len(rows)) * group + np.argmin(rows, axis=1))
    return np.unique(np.concatenate([*found, [n - 1]]))

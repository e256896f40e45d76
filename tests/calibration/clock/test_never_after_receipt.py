"""No sample is timed after it was in hand, however long and often its reader stood still.

A reader that is stopped finds all that waited at once; what its port could not hold is lost, the
newest of it. Truth, rate, latency and stops are drawn.
"""

from __future__ import annotations

from dataclasses import dataclass

import numpy as np
import pytest
from hypothesis import given, settings
from hypothesis import strategies as st
from numpy.typing import NDArray

from calibration.clock.live_tick_clock import LiveTickClock
from calibration.clock.ticks_to_run_time import TickFit, fit_ticks

HZ = 1e6
READ_S = 1e-4
"""Between two reads of what waits."""
ROUNDING_S = 1e-9
RATES = (0.0, 1e-5, -8e-5, 2e-4, 0.005, -0.02, 0.05)


@dataclass(frozen=True)
class Read:
    """What a reader that stood still now and then has in hand."""

    t_s: NDArray[np.float64]
    """(n,) when each record was taken."""
    ticks: NDArray[np.uint64]
    received_s: NDArray[np.float64]
    """(n,) when each was in hand."""
    last: NDArray[np.int64]
    """(k,) the last record of each read."""

    @property
    def fit(self) -> TickFit:
        return fit_ticks(self.ticks[self.last], self.received_s[self.last], tick_hz=HZ)

    @property
    def live_s(self) -> NDArray[np.float64]:
        clock, found, first = LiveTickClock(HZ), np.empty(len(self.t_s)), 0
        for last in self.last.tolist():
            part = slice(first, last + 1)
            line = clock.update(int(self.ticks[last]), float(self.received_s[last]))
            found[part] = line.time_s(self.ticks[part])
            first = last + 1
        return found


def read(
    sent_s: NDArray[np.float64],
    arrived_s: NDArray[np.float64],
    stops: list[tuple[float, float]],
    *,
    rate: float,
    opened_s: float,
    most: int,
    held: int,
) -> Read:
    """Records as a reader takes them, ``most`` at a time, from a port that holds ``held``."""
    ends: list[int] = []
    received: list[float] = []
    kept: list[int] = []
    now, first, n = opened_s, 0, 0
    while first < len(sent_s):
        now = awake(max(now, float(arrived_s[first])), stops)
        came = int(np.searchsorted(arrived_s, now, side="right"))
        waits = range(first, min(came, first + held))
        for i in range(0, len(waits), most):
            part = waits[i : i + most]
            now = awake(now + READ_S, stops)
            n += len(part)
            kept.extend(part)
            received.extend([now] * len(part))
            ends.append(n - 1)
        first = came
    t_s = sent_s[np.array(kept)]
    ticks = np.floor(t_s * (1.0 + rate) * HZ).astype(np.uint64) + np.uint64(10**6)
    return Read(t_s, ticks, np.array(received), np.array(ends))


def awake(now_s: float, stops: list[tuple[float, float]]) -> float:
    for begin, end in stops:
        if begin <= now_s < end:
            now_s = end
    return now_s


def drawn_stops(rng: np.random.Generator, span_s: float) -> list[tuple[float, float]]:
    """One long stop, stops at even steps for most of the time, or any, some of them long."""
    match int(rng.integers(3)):
        case 0:
            begin = float(rng.uniform(0.0, 0.6 * span_s))
            return [(begin, begin + float(rng.uniform(0.05, 0.66) * span_s))]
        case 1:
            every = float(rng.uniform(0.2, 8.0))
            lasts = float(rng.uniform(0.3, 0.95)) * every
            begins = np.arange(float(rng.uniform(0.0, every)), span_s, every)
            return [(b, b + lasts) for b in begins.tolist()]
    begins = np.cumsum(rng.exponential(4.0, 40))
    lasts_s = np.minimum(0.3 * rng.pareto(1.2, 40), 40.0)
    at = begins + np.concatenate([[0.0], np.cumsum(lasts_s)[:-1]])
    return list(zip(at.tolist(), (at + lasts_s).tolist(), strict=True))


def drawn(rng: np.random.Generator) -> Read:
    span_s = float(rng.choice([20.0, 60.0, 120.0]))
    every_s = float(rng.choice([0.01, 0.02, 0.1]))
    t_s = np.arange(0.0, span_s, every_s) + rng.uniform(0.0, every_s)
    late_s = rng.exponential(float(rng.choice([2e-4, 2e-3])), len(t_s))
    return read(
        t_s, np.maximum.accumulate(t_s + late_s), drawn_stops(rng, span_s),
        rate=float(rng.choice(RATES)),
        opened_s=float(rng.choice([0.0, 0.3 * span_s]) * rng.random()),
        most=int(rng.choice([20, 500, 10**6])),
        held=int(rng.choice([10, 40, 10**6])),
    )  # fmt: skip


@settings(max_examples=25, deadline=None)
@given(st.integers(0, 2**32))
def test_no_time_lies_after_the_receipt_live_or_final(seed: int) -> None:
    had = drawn(np.random.default_rng(seed))
    live_s = had.live_s
    assert np.all(live_s <= had.received_s + ROUNDING_S)
    assert np.all(np.diff(live_s) >= 0.0)
    if len(had.last) > 1:
        final_s = had.fit.time_s(had.ticks)
        assert np.all(final_s <= had.received_s + ROUNDING_S)
        assert np.all(np.diff(final_s) >= 0.0)


def test_forty_of_sixty_seconds_stopped_from_the_first_record_on() -> None:
    t_s = np.arange(0.0, 60.0, 0.01) + 0.01
    stop = [(0.0, 40.0)]
    had = read(t_s, t_s + 1e-4, stop, rate=0.0, opened_s=0.0, most=500, held=10**6)
    assert np.all(had.live_s <= had.received_s + ROUNDING_S)
    assert np.abs(had.live_s - t_s)[t_s > 40.1].max() < 0.01
    assert np.abs(had.fit.time_s(had.ticks) - t_s).max() <= 2.0 * had.fit.u_s < 0.01


def test_few_late_records_hold_the_line_down() -> None:
    """One early receipt among late ones is the truth, however smooth a line above it."""
    ticks = (np.arange(1, 41) * HZ).astype(np.uint64)
    received_s = np.arange(1.0, 41.0) + 0.5
    received_s[20] = 21.001
    fit = fit_ticks(ticks, received_s, tick_hz=HZ)
    assert np.all(fit.time_s(ticks) <= received_s + ROUNDING_S)
    assert abs(float(fit.time_s(ticks[20:21])[0]) - 21.0) <= 2.0 * fit.u_s


@pytest.mark.slow
def test_the_stated_interval_holds_the_truth_through_stops() -> None:
    held = []
    for seed in range(60):
        had = drawn(np.random.default_rng(seed))
        if len(had.last) < 20 or float(np.ptp(had.received_s)) < 5.0:
            continue  # a recording gives such a start no fitted times
        off_s = np.abs(had.fit.time_s(had.ticks) - had.t_s)
        held.append(bool(np.mean(off_s <= 2.0 * had.fit.u_s) >= 0.95))
    assert len(held) > 40
    assert np.mean(held) >= 0.95

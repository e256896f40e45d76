"""A wheel whose count stops at once, as no train stops: told without a receiver."""

from __future__ import annotations

import math
from dataclasses import dataclass, replace
from typing import TYPE_CHECKING, Final

from calibration.quantities.receiver import RECEIVER_REST_M_S
from recorder.run.checks.channel_health import Episode, HealthFault
from recorder.run.parts.quantities import FASTEST_M_S

if TYPE_CHECKING:
    from recorder.run.checks.channel_seconds import Approach, Second
    from recorder.run.checks.watches import Source, Tell

__all__ = ["LOOKS_BACK_S", "DeadStopWatch"]

LOOKS_BACK_S: Final = (0.25, 1.0)
"""Over which the speed before the last pulse is taken: the shorter for a wheel of many pulses, the
longer for one of few."""
MOST_M_S2: Final = 3.0
"""No train's retardation: an emergency brake reaches half of it (from experience)."""
LEAST_M_S: Final = 1.5
"""Coupling on, and buffer stops, bring a vehicle that goes slower to rest within less than any
brake (from experience)."""
SILENT_S: Final = 3.0
"""Without a pulse, before it is told."""
APART_S: Final = 2.5
"""Two rows further apart are a gap, and the pulses in it are not known."""
DITHERS: Final = 2.0
"""Pulses that an edge under the sensor counts to and fro: no sign that it counts again."""


@dataclass(slots=True)
class DeadStopWatch:
    """One wheel of counts, by its own pulses.

    A train at the speed v that is still to stop with retardation a needs v² / 2a; between the last
    pulse and the next there is no more than the metres of one pulse. In the T seconds before its
    last pulse it comes no further than √(2 a · pulse) T + a T² / 2 (uniform retardation, any
    textbook of mechanics). A wheel that came further and does not count any more has not stopped
    as a train does: it is locked, or counts no more.
    """

    source: Source
    m_per_count: float
    tell: Tell
    open: Episode | None = None
    """That goes on, as it is by now."""
    _from: Second | None = None
    """The second in which it counted last, from a speed that no train stops from."""
    _speed_m_s: float = 0.0
    _before: Second | None = None

    def second(self, row: Second, receiver_m_s: float) -> None:
        """Take up the next second that has samples; the receiver's speed, NaN: it tells nothing."""
        before, self._before = self._before, row
        if self.open is not None and not self._over(row):
            self.open = self._extended(self.open, row)
            return
        apart = before is not None and row.t_first_s - before.t_last_s > APART_S
        if self._from is None or row.changes or apart:
            self._from = row if row.changes and self._impossible(row) else None
        elif receiver_m_s < RECEIVER_REST_M_S:
            # It has stopped all the same: against something.
            self._from = None
        elif row.t_last_s - self._from.still_s >= SILENT_S:
            text = (
                f"the count stopped at once from {self._speed_m_s:.1f} m/s, which no train does:"
                " the wheel is locked, or its drive or counter has failed"
            )
            begun = self.source.episode(HealthFault.STUCK, row, text)
            self.open = self._extended(begun, row)
            self.tell.begun(self.open)

    def finish(self) -> None:
        """The run is over."""
        if self.open is not None:
            self.tell.ended(self.open)
        self.open = self._from = None

    def _impossible(self, row: Second) -> bool:
        """Whether no train that had come so fast could be at rest by the next pulse."""
        for seen in row.approach:
            speed = abs(seen.moved) * self.m_per_count / seen.took_s
            if LEAST_M_S <= speed <= FASTEST_M_S and self._too_far(seen):
                self._speed_m_s = speed
                return True
        return False

    def _too_far(self, seen: Approach) -> bool:
        # One jump of a counter that began anew is no way; nor is one pulse more or less.
        way_m = (abs(seen.moved) - seen.largest) * self.m_per_count
        at_last_m_s = math.sqrt(2.0 * MOST_M_S2 * self.m_per_count)
        return way_m > at_last_m_s * seen.took_s + MOST_M_S2 * seen.took_s**2 / 2.0

    def _over(self, row: Second) -> bool:
        """Whether it counts again; if so, what was is told up to the first pulse."""
        held, stood = self.open, self._from
        assert held is not None
        assert stood is not None
        if abs(row.last - stood.last) <= DITHERS and abs(row.first - stood.last) <= DITHERS:
            return False
        stop_s = row.change_s if row.changes else row.t_first_s
        stop = max(row.change_record if row.changes else row.first_record, held.stop_record)
        samples = stop - held.first_record
        self.tell.ended(replace(held, t_stop_s=stop_s, stop_record=stop, samples=samples))
        self.open = self._from = None
        return True

    def _extended(self, held: Episode, row: Second) -> Episode:
        stood = self._from
        assert stood is not None
        return replace(
            held,
            t_start_s=stood.still_s,
            first_record=stood.still_record,
            t_stop_s=row.t_last_s,
            stop_record=row.stop_record,
            samples=row.stop_record - stood.still_record,
        )

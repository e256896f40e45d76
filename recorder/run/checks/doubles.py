"""The measuring wheel and the receiver: two witnesses of one speed, held against each other."""

from __future__ import annotations

import math
from collections import deque
from dataclasses import dataclass, field, replace
from typing import TYPE_CHECKING, Final, NamedTuple

from calibration.quantities.receiver import RECEIVER_GOES_M_S, RECEIVER_U_M_S
from recorder.run.checks.channel_health import Episode, HealthFault

if TYPE_CHECKING:
    from recorder.run.checks.channel_seconds import Second
    from recorder.run.checks.watches import Source, Tell

__all__ = ["RECEIVER_M_S", "RECEIVER_SHARE", "DoubleWatch"]

RECEIVER_M_S: Final = 2.0 * RECEIVER_U_M_S
RECEIVER_SHARE: Final = 0.01
"""A receiver's speed is within 0.2 m/s and 1 % of it (k = 2; common practice)."""
RECEIVER_LATE_S: Final = 2.0
"""And tells of some time before it is in hand: while it changes, so much of the change."""
WINDOW: Final = 30
"""Seconds of both that are held against each other; a shorter slip is told by the slip's check."""
WINDOW_S: Final = 45.0
"""That they may be spread over."""
MOSTLY: Final = 27
"""Of them beyond the limits, all to one side."""
BACK: Final = 5
"""Seconds within the limits, one after the other, after which they agree again."""
STANDS_S: Final = 10.0
"""A wheel whose count does not change at all for so long while the receiver goes has stopped
counting, or slides."""


class _Pair(NamedTuple):
    wheel: Second
    receiver: Second
    wheel_m_s: float
    receiver_m_s: float
    limit_m_s: float

    @property
    def side(self) -> int:
        away = self.wheel_m_s - self.receiver_m_s
        return 0 if abs(away) <= self.limit_m_s else (1 if away > 0.0 else -1)


@dataclass(slots=True)
class DoubleWatch:
    """One wheel against one receiver, second by second."""

    wheel: Source
    receiver: Source
    u_wheel: float
    """Relative standard uncertainty of the wheel's circumference."""
    counts: bool
    """Whether the wheel's rows are of counts, which stand when nothing is counted."""
    tell: Tell
    _stands: Episode | None = None
    _fastest: float = 0.0
    _going: int = 0
    _went: Second | None = None
    _pairs: deque[_Pair] = field(default_factory=lambda: deque(maxlen=WINDOW))
    _speeds: deque[tuple[int, float]] = field(default_factory=lambda: deque(maxlen=3))
    _open: tuple[Episode, Episode] | None = None
    _agree: int = 0

    @property
    def open(self) -> tuple[Episode, ...]:
        """Those that go on, as they are by now."""
        stands = () if self._stands is None else (self._stands,)
        return (*stands, *(self._open or ()))

    @property
    def ill(self) -> bool:
        """Whether one of the two is wrong, nobody knows which."""
        return bool(self.open)

    def second(
        self, wheel: Second, receiver: Second, wheel_m_s: float, receiver_m_s: float
    ) -> None:
        """Take up a second of which both tell; speeds without sign, NaN: not known."""
        if not (math.isfinite(wheel_m_s) and math.isfinite(receiver_m_s)):
            return
        self._speeds.append((receiver.second, receiver_m_s))
        if self.counts:
            self._standing(wheel, receiver_m_s)
        if self._stands is not None:
            self._pairs.clear()
            return
        limit = self._limit(receiver_m_s)
        pair = _Pair(wheel, receiver, wheel_m_s, receiver_m_s, limit)
        if self._open is not None:
            self._go_on(pair, self._open)
        else:
            self._pairs.append(pair)
            self._judge()

    def finish(self) -> None:
        """The run is over."""
        for episode in self.open:
            self.tell.ended(episode)
        self._stands = self._open = None

    # ------------------------------------------------------------------ stands

    def _standing(self, row: Second, receiver_m_s: float) -> None:
        changed = bool(row.changes)
        if changed or receiver_m_s < RECEIVER_GOES_M_S:
            if self._stands is not None:
                self.tell.ended(self._stands)
            self._stands, self._going, self._fastest = None, 0, 0.0
            return
        if not self._going:
            self._went = row
        self._going += 1
        self._fastest = max(self._fastest, receiver_m_s)
        first = self._went
        assert first is not None
        if self._stands is None and row.t_last_s - first.t_first_s < STANDS_S:
            return
        text = (
            f"the count stands while the receiver goes at up to {self._fastest:.1f} m/s:"
            " the wheel slides, its drive or counter has failed, or the receiver is wrong"
        )
        begun = self._stands is None
        self._stands = replace(
            self.wheel.episode(HealthFault.STUCK, row, text),
            t_start_s=first.t_first_s,
            first_record=first.first_record,
            samples=row.stop_record - first.first_record,
        )
        if begun:
            self.tell.begun(self._stands)

    # ------------------------------------------------------------------ disagrees

    def _limit(self, receiver_m_s: float) -> float:
        (t0, v0), (t1, v1) = self._speeds[0], self._speeds[-1]
        rate = abs(v1 - v0) / (t1 - t0) if t1 > t0 else 0.0
        own = RECEIVER_M_S + RECEIVER_SHARE * receiver_m_s
        return own + 2.0 * self.u_wheel * receiver_m_s + RECEIVER_LATE_S * rate

    def _judge(self) -> None:
        pairs = list(self._pairs)
        if len(pairs) < WINDOW or pairs[-1].wheel.second - pairs[0].wheel.second > WINDOW_S:
            return
        sides = [pair.side for pair in pairs]
        side = 1 if sides.count(1) >= MOSTLY else -1
        if sides.count(side) < MOSTLY:
            return
        bad = [pair for pair in pairs if pair.side == side]
        wheel, receiver = (
            sum(values) / len(bad)
            for values in ([p.wheel_m_s for p in bad], [p.receiver_m_s for p in bad])
        )
        allowed = sum(p.limit_m_s for p in bad) / len(bad)
        text = (
            f"the wheel says {wheel:.2f} m/s where the receiver says {receiver:.2f} m/s,"
            f" {allowed:.2f} m/s apart is allowed: one of the two is wrong"
        )
        self._open = (
            _over(self.wheel, [p.wheel for p in bad], text),
            _over(self.receiver, [p.receiver for p in bad], text),
        )
        self._agree = 0
        self._pairs.clear()
        for episode in self._open:
            self.tell.begun(episode)

    def _go_on(self, pair: _Pair, held: tuple[Episode, Episode]) -> None:
        if not pair.side:
            self._agree += 1
            if self._agree >= BACK:
                for episode in held:
                    self.tell.ended(episode)
                self._open = None
            return
        self._agree = 0
        wheel, receiver = held
        self._open = _longer(wheel, pair.wheel), _longer(receiver, pair.receiver)


def _over(source: Source, rows: list[Second], text: str) -> Episode:
    first = source.episode(HealthFault.DISAGREES, rows[0], text)
    return _longer(first, rows[-1])


def _longer(held: Episode, row: Second) -> Episode:
    return replace(
        held,
        t_stop_s=row.t_last_s,
        stop_record=row.stop_record,
        samples=row.stop_record - held.first_record,
    )

"""The measuring wheel and the receiver: two witnesses of one speed, held against each other."""

from __future__ import annotations

import math
import statistics
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
"""One speed of a receiver is within 0.2 m/s and 1 % of it (k = 2; from experience)."""
MEAN_M_S: Final = 0.05
"""Of the 0.2 m/s what is in all speeds of a receiver alike and leaves no mean of them (k = 2): a
Doppler speed's own bias of a few centimetres a second (from memory). The rest is scatter."""
ALIKE_S: Final = 3.0
"""Over which its filter makes one scatter of neighbours (from experience)."""
RECEIVER_LATE_S: Final = 2.0
"""And tells of some time before it is in hand: while it changes, so much of the change."""
WINDOW: Final = 30
"""Seconds of both that are held against each other; a shorter slip is told by the slip's check."""
WINDOW_S: Final = 45.0
"""That they may be spread over."""
MOSTLY: Final = 27
"""Of them beyond the limits, all to one side."""
BACK: Final = 20
"""Of so many seconds the middle one within the limits, and less than half of what was told, and
they agree again: at the limit itself the scatter would end it and begin it anew."""
MIDDLE: Final = 1.25
"""Standard deviation of a median, as one of the mean of normal scatter (√(π/2); any textbook of
statistics)."""
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
    def away_m_s(self) -> float:
        return self.wheel_m_s - self.receiver_m_s

    def side(self, limit_m_s: float) -> int:
        away = self.away_m_s
        return 0 if abs(away) <= limit_m_s else (1 if away > 0.0 else -1)


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
    _told_m_s: float = 0.0
    """How far apart they were when it was found."""
    _last: deque[_Pair] = field(default_factory=lambda: deque(maxlen=BACK))

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
        """Of one second."""
        (t0, v0), (t1, v1) = self._speeds[0], self._speeds[-1]
        rate = abs(v1 - v0) / (t1 - t0) if t1 > t0 else 0.0
        return RECEIVER_M_S + self._share * receiver_m_s + RECEIVER_LATE_S * rate

    @property
    def _share(self) -> float:
        return RECEIVER_SHARE + 2.0 * self.u_wheel

    def _mean_limit(self, pairs: list[_Pair]) -> float:
        """Of the middle of some seconds one after the other, without its scatter.

        A delay moves the mean by what the speed changed from first to last, and by nothing else.
        Near rest a receiver holds still or wanders, and all of them alike.
        """
        speeds = [pair.receiver_m_s for pair in pairs]
        took_s = pairs[-1].receiver.second - pairs[0].receiver.second
        rate = abs(speeds[-1] - speeds[0]) / took_s if took_s else 0.0
        own = MEAN_M_S if min(speeds) >= RECEIVER_GOES_M_S else RECEIVER_M_S
        return own + self._share * statistics.fmean(speeds) + RECEIVER_LATE_S * rate

    def _judge(self) -> None:
        pairs = list(self._pairs)
        if len(pairs) < WINDOW or pairs[-1].wheel.second - pairs[0].wheel.second > WINDOW_S:
            return
        for bad, allowed in (self._each(pairs), self._mean(pairs)):
            if len(bad) >= MOSTLY:
                self._begin(bad, allowed)
                return

    def _each(self, pairs: list[_Pair]) -> tuple[list[_Pair], float]:
        """Those beyond the limits of a second by itself."""
        bad = _one_side(pairs, [pair.limit_m_s for pair in pairs])
        return bad, statistics.fmean(p.limit_m_s for p in bad) if bad else math.nan

    def _mean(self, pairs: list[_Pair]) -> tuple[list[_Pair], float]:
        """Those that are beyond half of the limit of their middle, if that is beyond it.

        Half, so that no slip of some seconds by itself moves the middle of half a minute.
        """
        speeds = [pair.receiver_m_s for pair in pairs]
        scatter = MIDDLE * 2.0 * RECEIVER_U_M_S * math.sqrt(ALIKE_S / len(pairs))
        limit = self._mean_limit(pairs) + scatter
        middle = statistics.median(pair.away_m_s for pair in pairs)
        if min(speeds) < RECEIVER_GOES_M_S or abs(middle) <= limit:
            return [], limit
        return _one_side(pairs, [limit / 2.0] * len(pairs)), limit

    def _begin(self, bad: list[_Pair], allowed_m_s: float) -> None:
        wheel = statistics.fmean(p.wheel_m_s for p in bad)
        receiver = statistics.fmean(p.receiver_m_s for p in bad)
        text = (
            f"the wheel says {wheel:.2f} m/s where the receiver says {receiver:.2f} m/s,"
            f" {allowed_m_s:.2f} m/s apart is allowed: one of the two is wrong"
        )
        self._open = (
            _over(self.wheel, [p.wheel for p in bad], text),
            _over(self.receiver, [p.receiver for p in bad], text),
        )
        self._told_m_s = abs(wheel - receiver)
        self._last.clear()
        self._last.extend(bad)
        self._pairs.clear()
        for episode in self._open:
            self.tell.begun(episode)

    def _go_on(self, pair: _Pair, held: tuple[Episode, Episode]) -> None:
        self._last.append(pair)
        last = list(self._last)
        limit = self._mean_limit(last)
        middle = abs(statistics.median(p.away_m_s for p in last))
        if middle <= limit and middle < self._told_m_s / 2.0:
            for episode in held:
                self.tell.ended(episode)
            self._open = None
        elif pair.side(limit):
            wheel, receiver = held
            self._open = _longer(wheel, pair.wheel), _longer(receiver, pair.receiver)


def _one_side(pairs: list[_Pair], limits_m_s: list[float]) -> list[_Pair]:
    """Those beyond their limits to the side that most are on."""
    sides = [pair.side(limit) for pair, limit in zip(pairs, limits_m_s, strict=True)]
    side = 1 if sides.count(1) >= sides.count(-1) else -1
    return [pair for pair, its in zip(pairs, sides, strict=True) if its == side]


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

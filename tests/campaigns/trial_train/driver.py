"""What the driver does second by second, and everything of it a crew could key."""

from __future__ import annotations

from dataclasses import dataclass, field
from enum import StrEnum

import numpy as np

__all__ = ["Driver", "Easing", "Event", "Habits", "Why"]

NOTCHES = 8


class Easing(StrEnum):
    """How a driver keeps below a speed limit."""

    PROPORTIONAL = "proportional"
    STEPWISE = "stepwise"


class Why(StrEnum):
    """Why a handle was moved: crews key some of it and not the rest."""

    DRIVE = "start, close, brake"
    LIMIT = "eased at a limit"
    QUIET = "quiet notch-down"
    SHORT = "short easing"


@dataclass(frozen=True)
class Event:
    """One thing done at one instant."""

    t_s: float
    kind: str
    value: str
    why: Why
    share: float


@dataclass(frozen=True)
class Habits:
    """How this driver drives."""

    easing: Easing = Easing.STEPWISE
    quiet: int = 0
    """Times a notch is taken off unsaid."""
    short: int = 0
    """Times the throttle is eased for 10 to 30 s unsaid."""
    leg_s: tuple[float, float] = (480.0, 1100.0)


@dataclass
class Driver:
    """A small machine of states; ``handle`` is the share of full, ``brake`` in m/s²."""

    rng: np.random.Generator
    habits: Habits
    total_s: float
    steam: bool = False
    handle: float = 0.0
    brake: float = 0.0
    events: list[Event] = field(default_factory=list)
    _state: str = "stand"
    _until: float = 40.0
    _leg_end: float = 0.0
    _notch: int = 0
    _stepped: float = -100.0
    _said: float = 0.0
    _why: Why = Why.DRIVE
    _factor: float = 1.0
    _factor_until: float = 0.0
    _plan: list[tuple[float, Why]] = field(default_factory=list)

    def __post_init__(self) -> None:
        lot = [Why.QUIET] * self.habits.quiet + [Why.SHORT] * self.habits.short
        times = self.rng.uniform(200.0, max(self.total_s - 300.0, 300.0), len(lot))
        self._plan = sorted(zip(times.tolist(), lot, strict=True))

    def look(self, t: float, v: float, a: float, limit: float, ahead: float) -> None:
        """Once a second: speed, acceleration, limit here, and the lowest one that must be
        braked for from here (all SI).
        """
        if self._state == "stand":
            self._stand(t)
        elif self._state == "pull":
            self._pull(t, v, a, limit, ahead)
        elif self._state == "slow":
            self._slow(t, v, min(limit, ahead))
        elif self._state == "coast" and t >= self._until:
            self._state = "stop"
            self._set_brake(t, self.rng.uniform(0.25, 0.5))
        elif self._state == "stop" and v <= 0.0:
            self._state, self._until = "stand", t + self.rng.uniform(50.0, 110.0)
            self._leg_end = 0.0
        self._apply(t)

    def _stand(self, t: float) -> None:
        if t < self._until:
            return
        if self.brake:
            self._set_brake(t, 0.0)
            self._until = t + 15.0
            return
        self._state, self._leg_end = "pull", t + self.rng.uniform(*self.habits.leg_s)
        self._stepped = t
        self._move(t, 2, Why.DRIVE)

    def _pull(self, t: float, v: float, a: float, limit: float, ahead: float) -> None:
        if t > min(self._leg_end, self.total_s - 150.0):
            self._close(t)
            self._state, self._until = "coast", t + self.rng.uniform(25.0, 70.0)
        elif v > ahead + 0.3 or v > limit + 0.8:
            self._close(t)
            self._state = "slow"
            self._set_brake(t, 0.25)
        elif 0 < self._notch < NOTCHES and self._why is Why.DRIVE:
            # A start: notch by notch up to full.
            if t - self._stepped >= 4.0:
                self._move(t, self._notch + 1, Why.DRIVE)
        elif self.habits.easing is Easing.PROPORTIONAL:
            self._governed(t, v, limit)
        else:
            self._stepwise(t, v, a, limit)

    def _slow(self, t: float, v: float, limit: float) -> None:
        if self.brake and v < limit - 2.5:
            self._set_brake(t, 0.0)
            self._until = t + 25.0
        elif not self.brake and t >= self._until:
            self._state, self._stepped = "pull", t
            self._move(t, 3, Why.DRIVE)
        elif not self.brake and v > limit + 0.8:
            self._set_brake(t, 0.25)

    def _governed(self, t: float, v: float, limit: float) -> None:
        wanted = float(np.clip((limit - 0.3 - v) / 0.8, 0.03, 1.0))
        self.handle = wanted
        if (wanted >= 0.995) != (self._said >= 0.995) or abs(wanted - self._said) > 0.1:
            self._said = wanted
            self._why = Why.LIMIT if wanted < 0.995 else self._why
            text = "full" if wanted >= 0.995 else f"{100 * wanted:.0f} %"
            self._factor = 1.0 if wanted >= 0.995 else self._factor
            self.events.append(Event(t, "throttle", text, Why.LIMIT, wanted))

    def _stepwise(self, t: float, v: float, a: float, limit: float) -> None:
        if v > limit - 0.4 and a > -0.01 and t - self._stepped > 6.0 and self._notch > 1:
            self._move(t, self._notch - 1, Why.LIMIT)
        elif (
            self._notch < NOTCHES and v < limit - 1.5 and a < 0.02 and t - self._stepped > 10.0
        ):
            self._move(t, self._notch + 1, Why.LIMIT)

    def _close(self, t: float) -> None:
        self._move(t, 0, Why.DRIVE)

    def _move(self, t: float, notch: int, why: Why) -> None:
        self._notch, self._stepped, self._why = notch, t, why
        self.handle = self._said = notch / NOTCHES
        if why is Why.DRIVE or notch == NOTCHES:
            self._factor = 1.0
        self.events.append(Event(t, "throttle", self._words(notch), why, self.handle))

    def _words(self, notch: int) -> str:
        if notch == NOTCHES:
            return "full"
        if notch == 0:
            return "closed"
        return f"{100 * notch // NOTCHES} %" if self.steam else f"notch {notch}"

    def _set_brake(self, t: float, brake: float) -> None:
        self.brake = brake
        word = "on" if brake else "release"
        self.events.append(Event(t, "brake", word, Why.DRIVE, self.handle))

    def _apply(self, t: float) -> None:
        """Quiet notch-downs and short easings, only where the throttle is really full."""
        if self._factor < 1.0 and t >= self._factor_until:
            self._factor = 1.0
            self.events.append(Event(t, "throttle", "full", Why.SHORT, 1.0))
        full = self._state == "pull" and self.handle >= 0.995 and self._factor == 1.0
        if not (self._plan and full and t >= self._plan[0][0] and t - self._stepped > 60.0):
            return
        _, why = self._plan.pop(0)
        if why is Why.QUIET:
            self._factor, self._factor_until = float(self.rng.uniform(0.80, 0.90)), np.inf
            text = "notch 7"
        else:
            self._factor = float(self.rng.uniform(0.5, 0.85))
            self._factor_until = t + float(self.rng.uniform(10.0, 30.0))
            text = f"{100 * self._factor:.0f} %"
        self.events.append(Event(t, "throttle", text, why, self._factor))

    @property
    def share(self) -> float:
        """Of the full effort, as the handle truly stands."""
        return self.handle * self._factor

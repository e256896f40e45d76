"""The crew of the trial day: what a good crew keys of what it sees, each a human moment late.

The day is known before it is recorded (:mod:`simulated_feeds.outing.trial_day`), and the crew
do not drive: so all they do is a list, the same for the same seed, and whoever records the day
hands each act on at its instant.
"""

from __future__ import annotations

from dataclasses import dataclass, replace
from typing import TYPE_CHECKING, Final

import numpy as np

from calibration.quantities.constants import KM_H_PER_M_S
from recorder.marks.kinds import Kind
from recorder.run.checks.zero_line import ZeroTime
from simulated_feeds.outing.stores import coal_kg, water_L

if TYPE_CHECKING:
    from collections.abc import Callable, Iterator

    from numpy.typing import NDArray

    from simulated_feeds.outing.trial_day import TrialDay

__all__ = ["Act", "Corrected", "Keyed", "ZeroTaken", "crew_acts"]


@dataclass(frozen=True, slots=True, kw_only=True)
class Keyed:
    """A mark; ``t_s`` is the instant of its key, simulated time."""

    t_s: float
    kind: Kind
    value: str
    note: str = ""
    number: int = -1
    """By which a correction knows it."""


@dataclass(frozen=True, slots=True, kw_only=True)
class Corrected:
    """A mark put right at ``t_s``; its own instant stays."""

    t_s: float
    number: int
    value: str
    note: str = ""


@dataclass(frozen=True, slots=True, kw_only=True)
class ZeroTaken:
    """A zero is taken from ``t_s`` on; the train stands for as long as it takes."""

    t_s: float
    when: ZeroTime


Act = Keyed | Corrected | ZeroTaken

LATE_S: Final = (0.2, 0.6)
"""From what is seen to the key."""
CONFIRM_S: Final = (170.0, 260.0)
"""Between two confirmations of an open throttle."""
NEAR_S: Final = (22.0, 30.0)
"""The same near a posted limit, where only the crew's word counts."""
NEAR_KM_H: Final = 6.5
OPEN: Final = 0.995
GAUGE_S: Final = 420.0
"""Between two looks at the boiler's gauge."""
ZERO_AFTER_S: Final = 60.0
"""Standing, with the slack out and nothing left to swing."""
WRONG_POST: Final = 14
"""Of the posts passed: keyed one too high, seen and put right."""
ZERO_STATION: Final = 2
"""Of the stations stopped at: there a zero is taken in between."""
_SIGNALS: Final = ("clear", "clear", "caution", "clear", "clear", "clear", "caution", "clear")


def crew_acts(day: TrialDay) -> list[Act]:
    """All that the crew do, by time."""
    crew = _Crew(day)
    keyed = sorted(
        (act for part in crew.parts for act in part() if 0.0 < act.t_s < day.seconds - 5.0),
        key=lambda act: act.t_s,
    )
    numbered = [replace(act, number=i) for i, act in enumerate(keyed)]
    return sorted(
        [*numbered, *crew.corrections(numbered), *crew.zeros()], key=lambda act: act.t_s
    )


class _Crew:
    """Eyes on the road, hands on the keys."""

    def __init__(self, day: TrialDay) -> None:
        self._day = day
        ride = day.motion
        self._t, self._s, self._v = ride.t_s, ride.s_m, ride.v_m_s
        self._step_s = float(self._t[1] - self._t[0])
        self._throttle, self._brake, self._slip = ride.throttle, ride.brake, ride.slip_m_s
        self._rng = np.random.default_rng(np.random.SeedSequence([day.scenario.seed, 0xC8E3]))
        moving = np.append(False, self._v[1:] != 0.0)
        self._started = np.flatnonzero(np.diff(moving.astype(np.int8)) > 0)
        self._stopped = np.flatnonzero(np.diff(moving.astype(np.int8)) < 0) + 1
        self.parts: tuple[Callable[[], Iterator[Keyed]], ...] = (
            self._papers, self._throttle_words, self._brakes, self._posts, self._sights,
            self._halts, self._slips, self._gauge, self._stores, self._trouble,
        )  # fmt: skip

    def _late(self) -> float:
        return float(self._rng.uniform(*LATE_S))

    def _seen(self, at: int, kind: Kind, value: str, note: str = "") -> Keyed:
        return Keyed(t_s=float(self._t[at]) + self._late(), kind=kind, value=value, note=note)

    def _said(self, t_s: float, kind: Kind, value: str, note: str = "") -> Keyed:
        return Keyed(t_s=t_s + self._late(), kind=kind, value=value, note=note)

    def _passes(self, s_m: float) -> int:
        """Row at which the coupler passes a place."""
        return int(np.searchsorted(self._s, s_m))

    def _papers(self) -> Iterator[Keyed]:
        """Weather and wind, as the day goes."""
        wet_s = self._day.scenario.journey.wet_from_s
        yield self._said(40.0, Kind.WEATHER, "dry, clear; wind 3 m/s from 240; 14 C")
        yield self._said(0.5 * wet_s, Kind.WEATHER, "dry, cloud; wind 4 m/s from 230; 13 C")
        yield self._said(wet_s, Kind.WEATHER, "rain, rail wet; wind 6 m/s from 220; 10 C")

    def _throttle_words(self) -> Iterator[Keyed]:
        """Open, again every few minutes and near a limit, and each setting when it is left."""
        limit = self._limits_m_s()
        held, due_s = 0.0, np.inf
        yield self._said(42.0, Kind.THROTTLE, "closed")
        at = round(60.0 / self._step_s)
        last = self._t.size - 20
        while at < last:
            t, now = float(self._t[at]), float(self._throttle[at])
            said = self._setting(at, held)
            near = limit[at] - self._v[at] < NEAR_KM_H / KM_H_PER_M_S
            if held >= OPEN and said is None:
                due_s = min(due_s, t + float(self._rng.uniform(*NEAR_S))) if near else due_s
                if t >= due_s:
                    yield self._seen(at, Kind.THROTTLE, "full")
                    due_s = t + float(self._rng.uniform(*CONFIRM_S))
            if said is not None:
                yield self._seen(at, Kind.THROTTLE, said)
                held = 0.0 if said == "closed" else now
                due_s = t + float(self._rng.uniform(*CONFIRM_S))
                at += 10
            at += 1

    def _setting(self, at: int, held: float) -> str | None:
        """What is keyed of the throttle at a row; None while it stands as it was keyed."""
        now, ahead = float(self._throttle[at]), self._throttle[at : at + 10]
        if now >= OPEN:
            return "full" if held < OPEN and bool((ahead >= OPEN).all()) else None
        if held >= OPEN:
            return _share(float(ahead[5])) if now < 0.97 else None
        if held == 0.0:
            return _share(now) if now > 0.1 else None
        if now <= 0.01:
            return "closed"
        steady = float(np.ptp(self._throttle[max(at - 20, 0) : at + 1])) < 0.03
        return _share(now) if steady and abs(now - held) > 0.12 else None

    def _limits_m_s(self) -> NDArray[np.float64]:
        table = self._day.scenario.told.line.limit_table(10.0)
        at = np.clip((self._s / 10.0).astype(int), 0, table.size - 1)
        return np.asarray(table[at])

    def _brakes(self) -> Iterator[Keyed]:
        """Applied when it bites, released when it has been off for a while."""
        on = self._brake > 0.01
        ends = np.flatnonzero(np.diff(on.astype(np.int8)))
        yield self._said(45.0, Kind.BRAKE, "on")
        release = None
        for at in (ends + 1).tolist():
            if on[at]:
                if release is not None and self._t[at] - self._t[release] < 8.0:
                    release = None
                    continue
                if release is not None:
                    yield self._seen(release, Kind.BRAKE, "release")
                if float(self._t[at]) > 60.0:
                    yield self._seen(at, Kind.BRAKE, "apply")
            release = None if on[at] else at
        if release is not None:
            yield self._seen(release, Kind.BRAKE, "release")

    def _posts(self) -> Iterator[Keyed]:
        """Every milepost; one of them wrongly."""
        line = self._day.scenario.journey.line
        ahead = [p for p in line.posts if self._s[0] < p.s_m < self._s[-1]]
        for i, post in enumerate(ahead):
            label = str(post.number + (i == WRONG_POST))
            yield self._seen(self._passes(post.s_m), Kind.MILEPOST, label)

    def _sights(self) -> Iterator[Keyed]:
        """Signals before and after each station, at which the next aspect stands."""
        number = 101
        for i, station in enumerate(self._day.scenario.told.line.stations[1:]):
            for k, s_m in enumerate((station.s_m - 2600.0, station.s_m - 900.0)):
                aspect = _SIGNALS[(2 * i + k) % len(_SIGNALS)] if k == 0 else "caution"
                yield self._seen(self._passes(s_m), Kind.SIGNAL, f"{number} {aspect}")
                number += 2

    def _halts(self) -> Iterator[Keyed]:
        """Stops and starts, with the station's name."""
        names = [s.name for s in self._day.scenario.told.line.stations]
        yield self._said(48.0, Kind.STATION, names[0])
        for at in self._started.tolist():
            yield self._seen(at, Kind.START, "")
        for at, name in zip(self._stopped.tolist(), names[1:], strict=False):
            yield self._seen(at, Kind.STOP, "station stop")
            yield self._said(float(self._t[at]) + 4.0, Kind.STATION, name)

    def _slips(self) -> Iterator[Keyed]:
        """Each slip of the drivers, and the sand that follows."""
        slips = self._slip > 0.3
        for at in (np.flatnonzero(np.diff(slips.astype(np.int8)) > 0) + 1).tolist():
            yield self._seen(at, Kind.SLIP, "drivers slipped, greasy rail")
            yield self._said(float(self._t[at]) + 3.0, Kind.SAND, "on")
            yield self._said(float(self._t[at]) + 45.0, Kind.SAND, "off")

    def _gauge(self) -> Iterator[Keyed]:
        """Boiler pressure by the gauge, to 5 kPa."""
        for k in range(int(self._day.seconds / GAUGE_S)):
            kPa = 5.0 * round((1305.0 + float(self._rng.uniform(-20.0, 5.0))) / 5.0)
            yield self._said(60.0 + GAUGE_S * k, Kind.STEAM, f"{kPa:.0f} kPa")

    def _stores(self) -> Iterator[Keyed]:
        """Coal and water, dipped before the start and at the end."""
        ride = self._day.motion
        for at_s in (90.0, self._day.arrived_s + 30.0):
            coal = 9000.0 - coal_kg(ride, at_s) + float(self._rng.normal(0.0, 40.0))
            water = 26_000.0 - water_L(ride, at_s) + float(self._rng.normal(0.0, 100.0))
            yield self._said(at_s, Kind.FUEL, f"level {coal:.0f} kg ± 40")
            yield self._said(at_s + 6.0, Kind.WATER, f"level {water:.0f} L ± 100")

    def _trouble(self) -> Iterator[Keyed]:
        """What the crew say of a link that was lost."""
        for fault in self._day.faults:
            found_s = fault.at_s + fault.lasts_s + 8.0
            yield self._said(
                found_s, Kind.REMARK, f"link of the {fault.device} was lost, plug seated again"
            )

    def corrections(self, keyed: list[Keyed]) -> Iterator[Corrected]:
        """The wrong milepost, put right at the next look."""
        posts = [act for act in keyed if act.kind is Kind.MILEPOST]
        wrong = posts[WRONG_POST]
        yield Corrected(
            t_s=wrong.t_s + 9.0 + self._late(), number=wrong.number,
            value=str(int(wrong.value) - 1), note="keyed one too high",
        )  # fmt: skip

    def zeros(self) -> Iterator[ZeroTaken]:
        """One before the start, one at a station, one at the end."""
        yield ZeroTaken(t_s=5.0, when=ZeroTime.BEFORE)
        stood = float(self._t[self._stopped[ZERO_STATION - 1]])
        yield ZeroTaken(t_s=stood + ZERO_AFTER_S, when=ZeroTime.DURING)
        yield ZeroTaken(t_s=self._day.arrived_s + ZERO_AFTER_S, when=ZeroTime.AFTER)


def _share(throttle: float) -> str:
    """As a crew reads a quadrant: to five in a hundred."""
    per_cent = 5 * round(20.0 * throttle)
    return "closed" if per_cent <= 0 else f"{min(per_cent, 95)} %"

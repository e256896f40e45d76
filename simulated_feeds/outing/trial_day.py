"""The trial day: two hours and 60 km, true by construction.

What is true of line, train and instruments is drawn by the very uncertainties that sheets and
certificates state of them; the locomotive truly pulls 2.5 % more than its builder promised.
"""

from __future__ import annotations

from dataclasses import dataclass, replace
from datetime import UTC, datetime, timedelta
from functools import cached_property
from typing import TYPE_CHECKING, Final

import numpy as np

from simulated_feeds.devices.emission import DeviceName
from simulated_feeds.devices.fault_kinds import FaultKind, FeedFault
from simulated_feeds.devices.gnss import GnssLaw
from simulated_feeds.devices.load_cell import FrontEnd
from simulated_feeds.devices.wheel import WheelLaw
from simulated_feeds.outing.promise import Promise
from simulated_feeds.outing.scenario import (
    STATED_M,
    U_WHEEL,
    Scenario,
    Stated,
    Sureness,
    demo_engine,
    draw_cell,
    draw_clock,
    drawn,
    freight_train,
)
from simulated_feeds.physics.coarse_train import CoarseTrain
from simulated_feeds.physics.day_line import as_it_lies, day_line
from simulated_feeds.physics.driving import StationStop
from simulated_feeds.physics.motion import Journey, joined
from simulated_feeds.physics.played_ride import PlayedRide
from simulated_feeds.physics.vehicles import SimulatedTrain

if TYPE_CHECKING:
    from simulated_feeds.physics.motion import Motion

__all__ = ["MARGIN", "PROMISED", "TrialDay", "trial_day"]

MARGIN: Final = 0.025
"""By how much the locomotive truly pulls more than was promised."""
PROMISED: Final = Promise(
    part=1.0 / (1.0 + MARGIN),
    speeds_km_h=tuple(20.0 + 2.5 * i for i in range(21)),
    starting_part=0.75,
    dry_rail=True,
)
"""At points so near each other that straight lines between them hardly lie above the curve."""
SURE: Final = Sureness(
    mass_rel=0.003, rotary=0.005, grade=1e-4, grade_length_m=500.0, curve_rel=0.25
)
CARS: Final = 20
BEGINS_HOUR: Final = 13
"""Of the day, UTC: a wet afternoon is to come."""
DEPART_S: Final = 150.0
"""Time for a zero, and for the crew to key what they start with."""
AFTER_S: Final = 120.0
"""At the end, standing, for the last zero."""
DWELL_S: Final = 260.0
WET_FROM_S: Final = 5150.0
WET_LEFT: Final = 0.62
GREASY_M: Final = ((45_900.0, 45_960.0, 0.50),)
"""Where the drivers slip on the climb out of the third station."""
LINK_LOST_M: Final = 21_900.0
LINK_LOST_S: Final = 45.0
_ADVANCE: Final = 200


@dataclass(frozen=True)
class TrialDay:
    """The day as it is set up, and as it will truly go."""

    scenario: Scenario

    @cached_property
    def motion(self) -> Motion:
        """The whole day, ten instants a second, until the last zero has been taken."""
        train = CoarseTrain(self.scenario.journey)
        parts = [train.advance(_ADVANCE)]
        while not train.arrived:
            parts.append(train.advance(_ADVANCE))
        left = AFTER_S - (float(parts[-1].t_s[-1]) - self._rest_s(parts[-1]))
        if left > 0.0:
            parts.append(train.advance(round(left / train.step_s)))
        return joined(parts)

    @staticmethod
    def _rest_s(motion: Motion) -> float:
        """When the train came to its last rest."""
        moving = np.flatnonzero(motion.v_m_s != 0.0)
        return float(motion.t_s[moving[-1] if moving.size else 0])

    def mover(self) -> PlayedRide:
        """The day once more, in fine steps, for the devices."""
        return PlayedRide(self.scenario.journey, self.motion)

    @property
    def seconds(self) -> float:
        """Length of the day."""
        return float(self.motion.t_s[-1])

    @property
    def arrived_s(self) -> float:
        """When the train came to its last rest."""
        return self._rest_s(self.motion)

    @property
    def faults(self) -> tuple[FeedFault, ...]:
        """The link of the measuring wheel is lost once."""
        at = int(np.searchsorted(self.motion.s_m, LINK_LOST_M))
        return (
            FeedFault(
                kind=FaultKind.UNPLUG, device=DeviceName.WHEEL, at_s=float(self.motion.t_s[at]),
                lasts_s=LINK_LOST_S,
            ),
        )  # fmt: skip


def trial_day(seed: int = 1, *, utc0_ns: int | None = None) -> TrialDay:
    """Draw a day; ``utc0_ns`` at simulated time 0, None: today at one o'clock."""
    rng = np.random.default_rng(np.random.SeedSequence([seed, 0xDA1]))
    line = day_line()
    train, groups = freight_train(CARS)
    stops = tuple(StationStop(s_m=s.s_m, dwell_s=DWELL_S) for s in line.stations[1:])
    stated = Journey(
        line=line, train=train, engine=demo_engine(), stops=stops,
        start_s_m=line.stations[0].s_m, depart_t_s=DEPART_S, greasy_m=GREASY_M,
        wet_from_s=WET_FROM_S, wet_left=WET_LEFT,
    )  # fmt: skip
    true = replace(
        stated,
        line=as_it_lies(line, rng, u_grade=SURE.grade, length_m=SURE.grade_length_m),
        train=_as_it_is(train, [n for n, _ in groups], rng),
    )
    wheel = WheelLaw(
        circumference_m=STATED_M * (1.0 + drawn(rng, U_WHEEL)), pps=True, frame_s=0.1
    )
    return TrialDay(
        Scenario(
            seed=seed, utc0_ns=_begins_ns() if utc0_ns is None else utc0_ns, journey=true,
            cell=draw_cell(rng), front=FrontEnd(channels=2, samples=20, sample_rate_hz=200),
            wheel=wheel, gnss=GnssLaw(), name="Trial day", cars=tuple(groups),
            stated=Stated(circumference_m=STATED_M, u_circumference_m=U_WHEEL * STATED_M),
            cell_clock=draw_clock(rng), wheel_clock=draw_clock(rng),
            stated_journey=stated, sure=SURE, promise=PROMISED,
        )
    )  # fmt: skip


def _as_it_is(
    train: SimulatedTrain, counts: list[int], rng: np.random.Generator
) -> SimulatedTrain:
    """The train with the errors of its weighing, and of what is assumed of it."""
    weighed = 1.0 + np.array([drawn(rng, SURE.mass_rel) for _ in range(2 + len(counts))])
    of = [0, 1, *np.repeat(np.arange(len(counts)) + 2, counts).tolist()]
    turning = [drawn(rng, SURE.rotary) for _ in range(2)]
    vehicles = tuple(
        replace(
            vehicle, tare_t=vehicle.tare_t * weighed[k], load_t=vehicle.load_t * weighed[k],
            rotary_allowance=vehicle.rotary_allowance + turning[min(i, 1)],
        )
        for i, (vehicle, k) in enumerate(zip(train.vehicles, of, strict=True))
    )  # fmt: skip
    curve = train.curve_N_per_kN_m * (1.0 + drawn(rng, SURE.curve_rel))
    return replace(train, vehicles=vehicles, curve_N_per_kN_m=curve)


def _begins_ns() -> int:
    today = datetime.now(UTC).date()
    begins = datetime(today.year, today.month, today.day, tzinfo=UTC) + timedelta(
        hours=BEGINS_HOUR
    )
    return int(begins.timestamp()) * 10**9

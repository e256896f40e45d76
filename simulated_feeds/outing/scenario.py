"""One simulated outing: line, train, schedule, and instruments with their true faults.

All that is random comes from one seed; parts draw from their own streams, so that changing one
leaves the others as they were.
"""

from __future__ import annotations

import time
from dataclasses import dataclass, field, replace
from typing import TYPE_CHECKING, Final

import numpy as np

from simulated_feeds.devices.gnss import GnssClock, GnssLaw
from simulated_feeds.devices.load_cell import CellLaw, FrontEnd, LoadCell
from simulated_feeds.devices.oscillator import Oscillator
from simulated_feeds.devices.wheel import MeasuringWheel, WheelLaw
from simulated_feeds.outing.promise import PROMISE, Promise
from simulated_feeds.physics.driving import StationStop
from simulated_feeds.physics.locomotive import Diesel, Steam
from simulated_feeds.physics.motion import Journey
from simulated_feeds.physics.scenery import demo_line
from simulated_feeds.physics.vehicles import LOCOMOTIVE, SimulatedTrain, Vehicle

if TYPE_CHECKING:
    from simulated_feeds.devices.emission import SimulatedDevice
    from simulated_feeds.physics.line import SimulatedLine

__all__ = [
    "STATED_M",
    "U_WHEEL",
    "Scenario",
    "Stated",
    "Sureness",
    "demo_engine",
    "draw_cell",
    "draw_clock",
    "drawn",
    "freight_train",
    "make_scenario",
]


STATED_M: Final = 2.6389
"""Circumference of the measuring wheel as its certificate has it."""
U_WHEEL: Final = 5.0e-4
"""Standard uncertainty of that, relative."""


@dataclass(frozen=True, slots=True, kw_only=True)
class Stated:
    """What certificates and sheets say, as opposed to what is true."""

    circumference_m: float
    u_circumference_m: float
    u_zero_kN: float = 0.06
    """Standard uncertainty of the cell near zero."""
    u_relative: float = 4.0e-4
    """And in proportion to force."""


@dataclass(frozen=True, slots=True, kw_only=True)
class Sureness:
    """Standard uncertainties that a trip sheet states of what no instrument of a run measures."""

    mass_rel: float
    """Of each weighing: locomotive, test car, every group of cars."""
    rotary: float
    """Absolute, of the rotary allowances of locomotive and train."""
    grade: float
    """Of a surveyed slope, rise over run."""
    grade_length_m: float
    """Over which an error of it is one and the same."""
    curve_rel: float
    """Relative, of the curve resistance."""


@dataclass(frozen=True, slots=True, kw_only=True)
class Scenario:
    """Everything a run of the simulated world needs."""

    seed: int
    utc0_ns: int
    """UTC at simulated time 0."""
    journey: Journey
    cell: CellLaw
    front: FrontEnd
    wheel: WheelLaw
    gnss: GnssLaw
    stated: Stated
    cell_clock: Oscillator
    wheel_clock: Oscillator
    name: str = "Trial of the day"
    cars: tuple[tuple[int, Vehicle], ...] = field(default=())
    """The consist as groups, front to rear, without locomotive and test car, as stated."""
    stated_journey: Journey | None = None
    """Line and train as they were surveyed and weighed; None: as they are."""
    sure: Sureness | None = None
    """What the trip sheet states of that; None: nothing."""
    promise: Promise = PROMISE
    """What the builder promised."""

    @property
    def told(self) -> Journey:
        """Line and train as the sheets have them."""
        return self.journey if self.stated_journey is None else self.stated_journey

    def streams(self) -> tuple[np.random.SeedSequence, ...]:
        """Seeds of cell, wheel and clock."""
        return tuple(np.random.SeedSequence([self.seed, 0xDE]).spawn(3))

    def load_cell(self) -> LoadCell:
        """The front end of the load cell."""
        seed = self.streams()[0]
        return LoadCell(self.cell, self.cell_clock, self.front, seed=seed)

    def measuring_wheel(self) -> MeasuringWheel:
        """The pulse counter."""
        return MeasuringWheel(
            self.wheel,
            self.wheel_clock,
            seed=self.streams()[1],
            utc0_ns=self.utc0_ns,
        )

    def gnss_clock(self) -> GnssClock:
        """The GNSS receiver."""
        return GnssClock(
            self.gnss,
            self.journey.line,
            seed=self.streams()[2],
            utc0_ns=self.utc0_ns,
        )

    def devices(self) -> list[SimulatedDevice]:
        """The three instruments, fresh."""
        return [self.load_cell(), self.measuring_wheel(), self.gnss_clock()]


def demo_engine(effort_factor: float = 1.0) -> Steam:
    """A two-cylinder freight engine of our own drawing."""
    return Steam(
        boiler_pressure_Pa=1.31e6, bore_m=0.620, stroke_m=0.711, driver_diameter_m=1.524,
        adhesive_mass_t=96.0, boiler_power_kW=1550.0, effort_factor=effort_factor,
    )  # fmt: skip


def demo_locomotive() -> Vehicle:
    """The vehicle around :func:`demo_engine`, with its tender."""
    return Vehicle(
        name="No. 61 with tender", tare_t=206.0, length_m=24.6, axles=10, rotary_allowance=0.06,
        area_m2=10.5, law=LOCOMOTIVE, brake_ratio=0.11,
    )  # fmt: skip


TEST_CAR: Final = Vehicle(
    name="test car", tare_t=54.0, length_m=18.6, axles=4, rotary_allowance=0.03, area_m2=9.5
)


def freight_train(
    cars: int = 17, **couplings: float
) -> tuple[SimulatedTrain, list[tuple[int, Vehicle]]]:
    """A mixed freight of so many cars, and its groups from front to rear."""
    kinds = (
        Vehicle(
            name="box cars", tare_t=21.5, load_t=26.0, length_m=13.2, rotary_allowance=0.05
        ),
        Vehicle(name="hoppers", tare_t=22.5, load_t=44.0, length_m=12.4, rotary_allowance=0.04),
        Vehicle(name="flats", tare_t=19.0, load_t=14.0, length_m=14.6, rotary_allowance=0.06),
    )
    shares = (0.36, 0.42)
    first, second = round(shares[0] * cars), round(shares[1] * cars)
    counts = (first, second, cars - first - second)
    groups = [(n, kind) for n, kind in zip(counts, kinds, strict=True) if n > 0]
    behind = [vehicle for n, vehicle in groups for _ in range(n)]
    return SimulatedTrain(vehicles=(demo_locomotive(), TEST_CAR, *behind), **couplings), groups


def make_scenario(
    seed: int = 1,
    *,
    utc0_ns: int | None = None,
    line: SimulatedLine | None = None,
    cars: int = 17,
    engine: Steam | Diesel | None = None,
    stops: tuple[StationStop, ...] | None = None,
    start_s_m: float | None = None,
    depart_t_s: float = 8.0,
    channels: int = 4,
    sample_rate_hz: int = 2000,
    samples_per_frame: int = 20,
    wheel_scale_error: float | None = None,
    u_wheel: float = U_WHEEL,
    pps: bool = False,
    slips: tuple[tuple[float, float, float], ...] = (),
    slides: tuple[tuple[float, float, float], ...] = (),
    outages: tuple[tuple[float, float], ...] = (),
) -> Scenario:
    """Draw a scenario from a seed.

    Parameters
    ----------
    utc0_ns
        UTC at simulated time 0; None: now, by the wall clock.
    line, cars, engine, stops, start_s_m
        None: the demo's; the train then stops at every second station.
    wheel_scale_error
        True circumference over the certificate's, minus 1; None: drawn within ``u_wheel``.
    u_wheel
        Standard uncertainty the wheel's certificate states, relative.
    slips, slides, outages
        See ``Journey.slips``, ``WheelLaw.slides``, ``GnssLaw.outages``.
    """
    rng = np.random.default_rng(np.random.SeedSequence([seed, 0x5CE]))
    line = line or demo_line()
    train, groups = freight_train(cars)
    start = line.stations[0].s_m if start_s_m is None else start_s_m
    stops = _station_stops(line, start) if stops is None else stops
    journey = Journey(line=line, train=train, engine=engine or demo_engine(), slips=slips,
                      stops=stops, start_s_m=start, depart_t_s=depart_t_s)  # fmt: skip
    error = drawn(rng, u_wheel) if wheel_scale_error is None else wheel_scale_error
    stated = Stated(circumference_m=STATED_M, u_circumference_m=u_wheel * STATED_M)
    return Scenario(
        seed=seed, utc0_ns=time.time_ns() if utc0_ns is None else utc0_ns, journey=journey,
        cell=draw_cell(rng), cars=tuple(groups),
        front=_front_end(channels, samples_per_frame, sample_rate_hz),
        wheel=WheelLaw(circumference_m=STATED_M * (1.0 + error), pps=pps, slides=slides),
        gnss=GnssLaw(outages=outages), stated=stated,
        cell_clock=draw_clock(rng), wheel_clock=draw_clock(rng),
    )  # fmt: skip


def _front_end(channels: int, samples: int, sample_rate_hz: int) -> FrontEnd:
    return FrontEnd(channels=channels, samples=samples, sample_rate_hz=sample_rate_hz)


def _station_stops(line: SimulatedLine, start_s_m: float) -> tuple[StationStop, ...]:
    """Every second station ahead of the start, and the last one."""
    stations = [station.s_m for station in line.stations]
    later = [s for s in stations[2::2] if s > start_s_m] or [stations[-1]]
    if stations[-1] not in later and stations[-1] > start_s_m:
        later.append(stations[-1])
    return tuple(StationStop(s_m=s, dwell_s=75.0) for s in later)


def still(scenario: Scenario) -> Scenario:
    """The same, with perfect instruments: no noise, drift, jitter or clock error."""
    clean = replace(scenario.cell, noise_counts=0.0, zero_drift_per_h=0.0, zero_swing=0.0)
    wheel = replace(
        scenario.wheel, circumference_m=scenario.stated.circumference_m, eccentricity=0.0,
        line_error_turns=0.0, edge_jitter_s=0.0,
    )  # fmt: skip
    return replace(
        scenario, cell=clean, wheel=wheel,
        cell_clock=replace(scenario.cell_clock, ppm=0.0, wander_ppm=0.0),
        wheel_clock=replace(scenario.wheel_clock, ppm=0.0, wander_ppm=0.0),
    )  # fmt: skip


def drawn(rng: np.random.Generator, sd: float) -> float:
    """A normal error, never beyond 1.7 standard deviations: a demo is no lottery."""
    return float(np.clip(rng.normal(0.0, sd), -1.7 * sd, 1.7 * sd))


def draw_cell(rng: np.random.Generator) -> CellLaw:
    """A cell with a bow, a noise and a drift of its own."""
    return CellLaw(
        counts_per_kN=9800.0 * (1.0 + float(rng.uniform(-0.02, 0.02))),
        bow=float(rng.uniform(-4e-3, 4e-3)), bend=float(rng.uniform(-2e-3, 2e-3)),
        skew=float(rng.uniform(-4e-3, 4e-3)), zero_counts=float(rng.uniform(18_000, 26_000)),
        zero_drift_per_h=float(rng.uniform(-900.0, 900.0)),
        zero_swing=float(rng.uniform(60.0, 200.0)),
        noise_counts=float(rng.uniform(250.0, 420.0)),
    )  # fmt: skip


def draw_clock(rng: np.random.Generator) -> Oscillator:
    """A clock with a rate and a wander of its own."""
    return Oscillator(
        tick_hz=1_000_000, ppm=float(rng.uniform(-30.0, 30.0)),
        wander_ppm=float(rng.uniform(0.1, 0.5)), phase=float(rng.uniform(0.0, 6.28)),
        tick0=int(rng.integers(10**6, 2 * 10**9)),
    )  # fmt: skip

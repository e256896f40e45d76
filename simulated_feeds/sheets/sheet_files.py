"""The folder a crew would have: car sheet, trip sheet, route and certificates of a scenario."""

from __future__ import annotations

from dataclasses import dataclass, replace
from datetime import UTC, date, datetime, timedelta
from typing import TYPE_CHECKING, Any, Final

import numpy as np
import tomli_w

from calibration.certificates.certificate import dump_certificate
from calibration.certificates.force import ForceCertificate
from calibration.certificates.wheel import WheelCertificate
from simulated_feeds.outing.scenario import drawn
from simulated_feeds.physics.locomotive import Steam

if TYPE_CHECKING:
    from collections.abc import Mapping
    from pathlib import Path

    from simulated_feeds.outing.scenario import Scenario, Sureness
    from simulated_feeds.physics.locomotive import Diesel
    from simulated_feeds.physics.vehicles import Vehicle

__all__ = [
    "SheetFiles",
    "car_sheet",
    "day_of",
    "force_certificate",
    "trip_sheet",
    "write_sheets",
]

DRIVERS: Final = {
    "drawbar": "load-cell-frames",
    "wheel": "wheel-pulses",
    "clock": "nmea-0183",
}
"""Driver of each of the three devices."""
CAR: Final = "car.toml"
TRIP: Final = "trip.toml"
ROUTE: Final = "route.csv"
PULL_CERTIFICATE: Final = "pull.cert.json"
WHEEL_CERTIFICATE: Final = "wheel.cert.json"


@dataclass(frozen=True, slots=True, kw_only=True)
class SheetFiles:
    """Paths of what was written."""

    car: Path
    trip: Path
    route: Path
    pull_certificate: Path
    wheel_certificate: Path


def day_of(scenario: Scenario) -> date:
    """The day of a scenario, UTC."""
    return datetime.fromtimestamp(scenario.utc0_ns / 1e9, UTC).date()


def force_certificate(scenario: Scenario) -> ForceCertificate:
    """The certificate a bench would give the scenario's cell.

    Force as a cubic of deflection through zero, by least squares, each sense alone; its gain is
    off the true one by an error drawn from the uncertainty it states.
    """
    law, stated = scenario.cell, scenario.stated
    rng = np.random.default_rng(np.random.SeedSequence([scenario.seed, 0xCE]))
    off = drawn(rng, stated.u_relative)
    curves = []
    for sense in (1.0, -1.0):
        force = sense * np.linspace(0.0, law.capacity_kN, 61)
        counts = law.deflection(force)
        scale = float(np.abs(counts).max())
        powers = np.arange(1, 4)
        design = (counts[:, None] / scale) ** powers
        fitted, *_ = np.linalg.lstsq(design, force, rcond=None)
        curves.append((0.0, *((1.0 + off) * fitted / scale**powers).tolist()))
    day = day_of(scenario)
    return ForceCertificate.from_coefficients(
        curves[0], compression=curves[1], capacity_kN=law.capacity_kN,
        nominal_zero_counts=float(round(law.zero_counts, -3)), u_zero_kN=stated.u_zero_kN,
        u_relative=stated.u_relative, certificate_id=f"SIM-F-{scenario.seed:04d}",
        cell="simulated coupler cell, 600 kN, four-arm bridge",
        issued=day - timedelta(days=40), expires=day + timedelta(days=325),
        zero_limit_counts=float(round(0.005 * law.capacity_kN * law.counts_per_kN)),
        details={"simulated": "drawn with the simulated cell; no bench stood behind it"},
    )  # fmt: skip


def _measured(scenario: Scenario) -> tuple[ForceCertificate, WheelCertificate]:
    # Only the demo evaluates readings: other feeds do not wait for the libraries of that.
    from simulated_feeds.sheets.bench_cell import bench_certificate
    from simulated_feeds.sheets.rolled_wheel import rolled_wheel_certificate

    day = day_of(scenario)
    return bench_certificate(scenario, day), rolled_wheel_certificate(scenario, day)


def _drawn(scenario: Scenario) -> tuple[ForceCertificate, WheelCertificate]:
    return force_certificate(scenario), wheel_certificate(scenario)


def wheel_certificate(scenario: Scenario) -> WheelCertificate:
    """What the crew believes of the measuring wheel."""
    day = day_of(scenario)
    return WheelCertificate(
        certificate_id=f"SIM-W-{scenario.seed:04d}",
        issued=day - timedelta(days=12),
        expires=day + timedelta(days=353),
        wheel="simulated: unbraked axle of the test car, left side",
        circumference_m=scenario.stated.circumference_m,
        u_circumference_m=scenario.stated.u_circumference_m,
        pulses_per_revolution=scenario.wheel.pulses_per_revolution,
    )


def car_sheet(
    scenario: Scenario,
    ports: Mapping[str, str],
    *,
    speed: float = 1.0,
    serial: str = "",
    wheel_serial: str = "",
) -> dict[str, Any]:
    """The car sheet as TOML values; ``ports`` by device name, ``speed`` times real time,
    ``serial`` and ``wheel_serial`` of cell and wheel where their certificates have one.
    """
    return {
        "car": {
            "name": "Dynamometer car Plumbline",
            "number": "D 2",
            "time_zone": "UTC",
            "units": "metric",
            "remarks": "Simulated: its devices speak, but no car stands behind them.",
        },
        "recording": {
            "zero_seconds": 3.0,
            **({} if speed == 1.0 else {"simulated_speed": speed}),
        },
        "devices": _devices(scenario, ports, serial, wheel_serial),
        "pens": {
            "pull": {"low": -100.0, "high": 300.0},
            "speed": {"low": 0.0, "high": 25.0},
        },
    }


def _devices(
    scenario: Scenario, ports: Mapping[str, str], serial: str, wheel_serial: str
) -> dict[str, Any]:
    front = scenario.front
    return {
        "drawbar": {
            "driver": DRIVERS["drawbar"],
            "port": ports["drawbar"],
            "expected_hz": float(front.sample_rate_hz),
            "options": {"channels": front.channels},
            "channels": {
                "ch0": {
                    "name": "pull",
                    "quantity": "pull",
                    "certificate": PULL_CERTIFICATE,
                    "role": "drawbar pull, tension +",
                    **({"serial": serial} if serial else {}),
                }
            },
        },
        "wheel": _wheel(scenario, ports["wheel"], wheel_serial),
        "clock": {
            "driver": DRIVERS["clock"],
            "port": ports["clock"],
            "silence_limit_s": 5.0,
            "expected_hz": 3.0,
            "timing": {"delay_s": 0.085, "u_delay_s": 0.02},
            "channels": {
                "latitude": {"quantity": "latitude"},
                "longitude": {"quantity": "longitude"},
                "gnss_speed": {"quantity": "gnss_speed"},
            },
        },
    }


def _wheel(scenario: Scenario, port: str, serial: str) -> dict[str, Any]:
    return {
        "driver": DRIVERS["wheel"],
        "port": port,
        "expected_hz": 1.0 / scenario.wheel.frame_s,
        "certificate": WHEEL_CERTIFICATE,
        **({"serial": serial} if serial else {}),
        "timing": {"pulses_checked": True},
        "channels": {"distance": {"quantity": "distance"}, "speed": {"quantity": "speed"}},
    }


TITLE_BLOCK: Final = {
    "report_number": "D 2-1",
    "object": "Does the locomotive make the pull and power its builder promised at the drawbar?",
    "signatures": ["chief of the car", "motive power"],
}
"""What the report's title block says beyond what is recorded."""


def trip_sheet(scenario: Scenario) -> dict[str, Any]:
    """The trip sheet as TOML values."""
    journey, sure = scenario.told, scenario.sure
    car = journey.train.vehicles[1]
    posts = [p for p in journey.line.posts if p.s_m > journey.start_s_m]
    sheet: dict[str, Any] = {
        "trip": {
            "name": f"{scenario.name}, {journey.line.name}",
            "line": journey.line.name,
            "date": day_of(scenario),
            "crew": ["chief of the car", "second observer"],
            "operator": "the simulated crew",
            "planned_hours": 2.0,
            **TITLE_BLOCK,
        },
        "route": {
            "file": ROUTE, "direction": "increasing", "start_chainage_m": journey.start_s_m,
            **_surveyed(sure),
        },
        "locomotive": {
            **_locomotive(journey.engine, journey.train.vehicles[0]),
            **_weighed(sure, journey.train.vehicles[0].mass_t), **_turning(sure),
        },
        "test_car": {
            "mass_t": car.mass_t, "length_m": car.length_m, "axles": car.axles,
            "rotary_allowance": car.rotary_allowance, **_weighed(sure, car.mass_t),
        },
        "consist": {
            **_turning(sure),
            "cars": [
                {**_cars(n, vehicle), **_weighed(sure, vehicle.mass_t)}
                for n, vehicle in scenario.cars
            ],
        },
        "specification": _specification(scenario),
    }  # fmt: skip
    if posts:
        sheet["mileposts"] = {"first": float(posts[0].number), "step": 1.0}
    return sheet


def _weighed(sure: Sureness | None, mass_t: float) -> dict[str, Any]:
    return {} if sure is None else {"u_mass_t": round(sure.mass_rel * mass_t, 3)}


def _turning(sure: Sureness | None) -> dict[str, Any]:
    return {} if sure is None else {"u_rotary_allowance": sure.rotary}


def _surveyed(sure: Sureness | None) -> dict[str, Any]:
    if sure is None:
        return {}
    return {
        "u_grade_pct": 100.0 * sure.grade, "grade_error_length_m": sure.grade_length_m,
        "u_curve_pct": 100.0 * sure.curve_rel,
    }  # fmt: skip


def _locomotive(engine: Steam | Diesel, front: Vehicle) -> dict[str, Any]:
    sheet: dict[str, Any] = {
        "name": front.name, "kind": "steam" if isinstance(engine, Steam) else "diesel",
        "mass_t": front.mass_t, "adhesive_mass_t": engine.adhesive_mass_t,
        "length_m": front.length_m, "axles": front.axles,
        "rotary_allowance": front.rotary_allowance, "resistance": _resistance(front.davis),
    }  # fmt: skip
    if isinstance(engine, Steam):
        sheet["rated_power_kW"] = engine.boiler_power_kW
        sheet["steam"] = {
            "cylinders": engine.cylinders, "bore_mm": round(1000.0 * engine.bore_m, 3),
            "stroke_mm": round(1000.0 * engine.stroke_m, 3),
            "driver_diameter_m": engine.driver_diameter_m,
            "boiler_pressure_kPa": round(engine.boiler_pressure_Pa / 1000.0, 3),
        }  # fmt: skip
    else:
        sheet["rated_power_kW"] = engine.power_kW
    return sheet


def _cars(count: int, vehicle: Vehicle) -> dict[str, Any]:
    return {
        "count": count, "name": vehicle.name, "mass_t": vehicle.tare_t, "load_t": vehicle.load_t,
        "length_m": vehicle.length_m, "axles": vehicle.axles,
        "rotary_allowance": vehicle.rotary_allowance,
    }  # fmt: skip


def _resistance(davis: tuple[float, float, float]) -> list[float]:
    return [float(f"{x:.6g}") for x in davis]


def _specification(scenario: Scenario) -> dict[str, Any]:
    """What was promised: an engine of ``effort_factor`` 1 keeps it."""
    engine, front = scenario.journey.engine, scenario.journey.train.vehicles[0]
    good = replace(engine, effort_factor=1.0)
    promise = scenario.promise
    points = promise.points(good, front)
    return {
        "name": "builder's promise at the drawbar, level tangent",
        "starting_pull_kN": promise.starting_kN(good),
        **({"rail": "dry"} if promise.dry_rail else {}),
        "points": [{"speed_km_h": v, "pull_kN": pull} for v, pull in points],
    }


def write_sheets(
    folder: Path,
    scenario: Scenario,
    ports: Mapping[str, str],
    *,
    speed: float = 1.0,
    from_bench: bool = False,
) -> SheetFiles:
    """Write the whole folder; made when it is not there, files of the same names replaced.

    ``from_bench``: the pull's certificate is issued over readings of a simulated bench, and the
    wheel's over lengths rolled out, which they hold; else both are drawn, with exactly the
    uncertainty that the scenario states.

    Raises
    ------
    OSError
        The folder cannot be written.
    """
    folder.mkdir(parents=True, exist_ok=True)
    files = SheetFiles(
        car=folder / CAR,
        trip=folder / TRIP,
        route=folder / ROUTE,
        pull_certificate=folder / PULL_CERTIFICATE,
        wheel_certificate=folder / WHEEL_CERTIFICATE,
    )
    pull, wheel = (_measured if from_bench else _drawn)(scenario)
    texts = {
        files.pull_certificate: dump_certificate(pull),
        files.wheel_certificate: dump_certificate(wheel),
        files.route: scenario.told.line.to_csv(),
        files.trip: tomli_w.dumps(trip_sheet(scenario)),
        files.car: tomli_w.dumps(
            car_sheet(
                scenario, ports, speed=speed, serial=pull.serial, wheel_serial=wheel.serial
            )
        ),
    }
    for path, text in texts.items():
        path.write_text(text, encoding="utf-8", newline="\n")
    return files

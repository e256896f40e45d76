"""A simulated bench: the scenario's own cell under an invented press, certified from readings."""

from __future__ import annotations

from datetime import date, timedelta
from typing import TYPE_CHECKING, Final

import numpy as np

from calibration.bench.plan import make_plan
from calibration.evaluation.evaluation import evaluate
from calibration.evaluation.issue import issue_certificate
from calibration.readings.bench_settings import BenchSettings
from calibration.readings.readings_csv import parse_readings

if TYPE_CHECKING:
    from calibration.bench.plan import PlanStep
    from calibration.certificates.force import ForceCertificate
    from simulated_feeds.outing.scenario import Scenario

__all__ = ["SERIAL", "bench_certificate"]

SERIAL: Final = "SIM-600-0417"
"""Of the cell; invented."""
REFERENCE_U_PCT: Final = 0.02
"""Expanded, k = 2: what a force standard machine by comparison states (from experience)."""
MOUNTING: Final = 4e-5
"""Standard deviation of the gain from mounting to mounting: a good cell (from experience)."""
ZERO_COUNTS: Final = 40.0
"""Standard deviation of the zero from series to series, counts."""
WALK_COUNTS: Final = 8.0
"""The same from reading to reading."""
READING_S: Final = 10.0
"""Length of one reading."""
STEP_S: Final = 45.0
"""From one force to the next: more than the 30 s of ISO 376 (from memory)."""
TURN_S: Final = 240.0
"""To unload, rotate the cell and load again: more than the 3 min of ISO 376 (from memory)."""
ROOM_C: Final = 20.5
SOFTWARE: Final = "simulated bench"


def bench_certificate(scenario: Scenario, day: date) -> ForceCertificate:
    """The certificate that an invented laboratory issues over readings of the scenario's cell.

    ``day`` is that of the run; it was issued 40 days before. The reference standard is off by an
    error drawn from its own uncertainty, each mounting and each zero by its own.
    """
    plan = make_plan(
        capacity_kN=scenario.cell.capacity_kN, senses=("tension", "compression"), creep=True
    )
    readings = parse_readings(_table(scenario, plan), source="simulated-bench.csv")
    return issue_certificate(
        evaluate(readings, _settings(scenario, day - timedelta(days=40))), software=SOFTWARE
    )


def _table(scenario: Scenario, plan: tuple[PlanStep, ...]) -> str:
    law = scenario.cell
    rng = np.random.default_rng(np.random.SeedSequence([scenario.seed, 0xBE]))
    truly = 1.0 + float(rng.normal(0.0, REFERENCE_U_PCT / 200.0))
    gains = {step.position_deg: 1.0 + float(rng.normal(0.0, MOUNTING)) for step in plan}
    noise = law.noise_counts / np.sqrt(READING_S * scenario.front.sample_rate_hz)
    lines = [
        "series,position_deg,direction,applied_kN,reading_counts,temperature_C,time_s,kind"
    ]
    clock_s, held_s, series, zero = 0.0, 0.0, "", law.zero_counts
    for step in plan:
        if step.series != series:
            zero = law.zero_counts + float(rng.normal(0.0, ZERO_COUNTS))
            clock_s += TURN_S if series else 0.0
            series = step.series
            held_s = 0.0
        clock_s += max(STEP_S, step.settle_s - held_s)
        held_s = step.settle_s
        zero += float(rng.normal(0.0, WALK_COUNTS))
        deflection = float(law.deflection(step.applied_kN * truly)) * gains[step.position_deg]
        counts = zero + deflection + float(rng.normal(0.0, noise))
        celsius = ROOM_C + 0.1 * np.sin(clock_s / 5000.0)
        lines.append(
            f"{step.series},{step.position_deg:g},{step.direction},{step.applied_kN:.10g},"
            f"{counts:.1f},{celsius:.2f},{clock_s:.0f},{step.kind}"
        )
    return "\n".join(lines) + "\n"


def _settings(scenario: Scenario, issued: date) -> BenchSettings:
    """What the invented laboratory states."""
    return BenchSettings.from_document({
        "cell": "simulated coupler cell, 600 kN, four-arm bridge",
        "capacity_kN": scenario.cell.capacity_kN,
        "certificate_id": f"SIM-F-{scenario.seed:04d}",
        "issued": issued.isoformat(),
        "operator": "the simulated bench",
        "place": "invented press hall",
        "reference": "invented build-up system, 1 MN",
        "reference_U_pct": REFERENCE_U_PCT,
        "reference_temperature_coefficient_pct_per_K": 0.002,
        "reference_temperature_C": 20.0,
        "room_temperature_C": ROOM_C,
        "service_temperature_C": [10.0, 30.0],
        "stability_pct": 0.04,
        "zero_limit_pct": 0.5,
        "forces_measured": True,
        "readings_stood_still": True,
        "remarks": "Simulated: no press, no cell and no laboratory stood behind it.",
        "standard": _standard(issued),
        "data_sheet": {
            "source": "invented data sheet of the simulated cell",
            "temperature_zero_pct_per_K": 0.002,
            "temperature_span_pct_per_K": 0.002,
        },
        "laboratory": _laboratory(issued),
    })  # fmt: skip


def _standard(issued: date) -> dict[str, object]:
    """The invented reference."""
    return {
        "serial": "SIM-R-12",
        "certificate": "SIM-R-2026-03",
        "issued_by": "invented national laboratory",
        "calibrated": (issued - timedelta(days=120)).isoformat(),
        "valid_until": (issued + timedelta(days=610)).isoformat(),
        "traceability": "an invented realisation of the newton by dead weights",
        "drift_pct": 0.005,
    }


def _laboratory(issued: date) -> dict[str, object]:
    """Laboratory, customer and item."""
    return {
        "name": "Invented Force Laboratory",
        "address": "No Street 1, Nowhere",
        "customer": "Dynamometer car Plumbline",
        "customer_address": "Simulated siding",
        "cell_maker": "simulated",
        "cell_type": "four-arm bridge, 600 kN",
        "cell_serial": SERIAL,
        "indicator": "simulated front end, 24 bits",
        "cable": "simulated, six wires",
        "received": (issued - timedelta(days=6)).isoformat(),
        "condition": "as new",
        "adjustments": "none: as found and as left are the same",
        "began": (issued - timedelta(days=2)).isoformat(),
        "ended": (issued - timedelta(days=1)).isoformat(),
        "humidity_pct": [42.0, 48.0],
        "method": "the plan of the guided session, after ISO 376, from memory",
        "deviations": "none",
        "authorised_by": "nobody: simulated",
    }

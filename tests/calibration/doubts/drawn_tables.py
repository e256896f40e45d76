"""Honest tables of cells, capsules and springs, drawn: what nobody should doubt."""

from __future__ import annotations

import math

import numpy as np

from calibration.readings.readings import Readings
from calibration.readings.readings_csv import parse_readings
from tests.calibration.elements.made_elements import MadeElement

__all__ = ["HEAD", "honest", "rows_of", "table_of"]

HEAD = "series,position_deg,direction,applied_kN,reading,temperature_C,time_s"

Row = list[str]


def honest(rng: np.random.Generator) -> str:
    """The table of an honest calibration: cell, capsule or spring; full programme or less."""
    kind = rng.random()
    if kind < 0.12:
        return _capsule(rng)
    if kind < 0.18:
        return _spring(rng)
    return _cell(rng)


def _cell(rng: np.random.Generator) -> str:
    levels = int(rng.integers(5, 13))
    capacity = float(rng.choice((50.0, 200.0, 500.0, 2000.0)))
    full = float(rng.choice((20_000.0, 400_000.0, 4_000_000.0)))
    sign = float(rng.choice((1.0, 1.0, -1.0)))
    noise = full * 10.0 ** rng.uniform(-5.3, -3.3)
    share_noise = 10.0 ** rng.uniform(-5.0, -3.5) * float(rng.random() < 0.5)
    bend, third = rng.normal(0.0, 2e-3), rng.normal(0.0, 5e-4)
    loop = abs(rng.normal(0.0, 2e-3))
    gains = 1.0 + rng.normal(0.0, 10.0 ** rng.uniform(-4.5, -2.7), 3)
    measured = float(rng.random() < 0.5) * 10.0 ** rng.uniform(-4.0, -2.5)
    programme = rng.choice(("whole", "whole", "rising", "two", "one"))
    series = {"whole": 4, "rising": 4, "two": 2, "one": 1}[str(programme)]
    lines, clock, zero, warm = [HEAD], 0.0, full * rng.normal(0.0, 0.01), 21.0

    def add(name: str, position: int, word: str, share: float) -> None:
        nonlocal clock, zero, warm
        clock += 30.0
        zero += full * rng.normal(0.0, 1e-5)
        warm += rng.normal(0.0, 0.1)
        force = sign * capacity * round(share * (1.0 + rng.normal(0.0, measured)), 6)
        true = abs(force) / capacity
        falling = loop * 4.0 * true * (1.0 - true) if word == "down" else 0.0
        deflection = true * (1.0 + bend * true + third * true**2 + falling)
        deflection *= gains[position // 120] * (1.0 + rng.normal(0.0, share_noise))
        counts = round(zero + sign * full * deflection + rng.normal(0.0, noise))
        lines.append(f"{name},{position},{word},{force:g},{counts},{warm:.1f},{clock:g}")

    for k in range(series):
        name, position = f"X{k + 1}", 120 * max(0, k - 1)
        add(name, position, "up", 0.0)
        for i in range(1, levels + 1):
            add(name, position, "up", i / levels)
        if position and programme == "whole":
            for i in range(levels - 1, 0, -1):
                add(name, position, "down", i / levels)
        add(name, position, "down", 0.0)
    return "\n".join(lines) + "\n"


def _capsule(rng: np.random.Generator) -> str:
    made = MadeElement(
        kN_per_unit=0.02, friction_kN=rng.uniform(0.0, 1.5),
        friction_share=rng.uniform(0.0, 0.02), noise=rng.uniform(0.2, 8.0),
        mounting=rng.uniform(0.0, 0.004), bend=rng.normal(0.0, 0.002),
    )  # fmt: skip
    return made.table(rng, levels=int(rng.integers(6, 13)))


def _spring(rng: np.random.Generator) -> str:
    made = MadeElement(
        kN_per_unit=2e3, friction_kN=rng.uniform(0.0, 6.0),
        friction_share=rng.uniform(0.0, 0.05), preload_kN=rng.uniform(0.0, 20.0),
        noise=1e-5, mounting=rng.uniform(0.0, 0.003),
    )  # fmt: skip
    return made.table(rng, levels=int(rng.integers(8, 13)), digits=lambda v: round(v, 6))


def rows_of(text: str) -> list[Row]:
    """The table's cells, header first."""
    return [line.split(",") for line in text.strip().splitlines()]


def table_of(rows: list[Row]) -> Readings:
    """Readings from cells."""
    return parse_readings("\n".join(",".join(row) for row in rows) + "\n")


def loaded(rows: list[Row], rng: np.random.Generator, *, lowest: float = 0.0) -> int:
    """Index of a row under force, of at least so large a share of the largest."""
    at = rows[0].index("applied_kN")
    force = [0.0, *(abs(float(row[at])) for row in rows[1:])]
    largest = max(force)
    fit = [i for i, f in enumerate(force) if f > 0.0 and f >= lowest * largest]
    return int(rng.choice(fit))


def zero_of(rows: list[Row], i: int) -> float:
    """Reading of the last zero before row ``i``."""
    at, reading = rows[0].index("applied_kN"), rows[0].index("reading")
    zeros = [float(row[reading]) for row in rows[1:i] if float(row[at]) == 0.0]
    return zeros[-1] if zeros else math.nan

"""Tables for the bench tests: published sets, and cells made from known coefficients.

The published tables lie in ``data/``; each test names the source beside its check.
"""

from __future__ import annotations

import csv
from collections.abc import Iterator
from pathlib import Path
from typing import Any

import numpy as np
from numpy.typing import NDArray

from calibration.readings.bench_settings import BenchSettings

DATA = Path(__file__).with_name("data")


def stated(**facts: object) -> BenchSettings:
    """Everything stated that a class asks for; ``facts`` beat it."""
    standard = {
        "serial": "R 17", "certificate": "F-2025-031", "issued_by": "the national laboratory",
        "calibrated": "2025-06-01", "valid_until": "2027-06-01",
        "traceability": "national standard of force, dead weights",
    }  # fmt: skip
    document = {
        "issued": "2026-05-04", "reference_U_pct": 0.005, "standard": standard,
        "forces_measured": True, "readings_stood_still": True,
    }  # fmt: skip
    return BenchSettings.from_document({**document, **facts})


def rows(name: str) -> list[dict[str, str]]:
    """A table of ``data/``."""
    with (DATA / name).open(newline="", encoding="utf-8") as file:
        return list(csv.DictReader(file))


def pontius_csv() -> str:
    """NIST StRD dataset Pontius as bench readings."""
    lines = [f"{r['load_x']},{r['deflection_y']}" for r in rows("nist_pontius.csv")]
    return "applied_lbf,reading\n" + "\n".join(lines) + "\n"


def three_runs_csv() -> str:
    """NIST/SEMATECH e-Handbook LOADCELL.DAT as bench readings, three series."""
    lines = [
        f"{r['run']},{r['load_level_x']},{r['response_y']}"
        for r in rows("nist_loadcell_3runs.csv")
    ]
    return "series,applied_klbf,reading\n" + "\n".join(lines) + "\n"


def _iso_steps(
    forces: NDArray[np.float64], preloads: int
) -> Iterator[tuple[str, int, str, float, str]]:
    """Series, which position, direction, force and kind of every step."""
    for name, place in (("X1", 0), ("X2", 0), ("X3", 1), ("X5", 2)):
        for _ in range(0 if name == "X2" else min(1, preloads) if place else preloads):
            yield f"P{name}", place, "up", float(forces[-1]), "preload"
        yield name, place, "up", 0.0, "zero"
        for force in forces:
            yield name, place, "up", float(force), "step"
        if place:
            for force in forces[-2::-1]:
                yield name, place, "down", float(force), "step"
        yield name, place, "down", 0.0, "zero"


def iso_csv(
    *,
    levels: int = 10,
    capacity: float = 500.0,
    gain: float = 8000.0,
    bend: float = 0.0,
    noise: float = 0.0,
    rotation: tuple[float, float, float] = (0.0, 0.0, 0.0),
    loop: float = 0.0,
    zero_shift: float = 0.0,
    seed: int = 1,
    sign: float = 1.0,
    positions: tuple[int, int, int] = (0, 120, 240),
    preloads: int = 0,
) -> str:
    """The whole ISO programme of a made-up cell; with 3 ``preloads`` one after each turn as well.

    ``rotation`` is the relative change of gain at 0°, 120°, 240°; ``loop`` the relative excess
    of falling readings at mid-load; ``zero_shift`` counts between zero before and after.
    """
    rng = np.random.default_rng(seed)
    lines = ["series,position_deg,direction,applied_kN,reading,temperature_C,time_s"]
    lines[0] += ",kind" if preloads else ""
    forces = capacity * np.arange(1, levels + 1) / levels
    clock = 0.0
    for name, place, word, force, kind in _iso_steps(forces, preloads):
        clock += 180.0 if preloads and (kind, word) == ("zero", "up") else 30.0
        share = force / capacity
        excess = loop * 4.0 * share * (1.0 - share) if word == "down" else 0.0
        scale = sign * (1.0 + rotation[place]) * (1.0 + excess)
        counts = scale * (gain * force + bend * force**2)
        if kind == "zero" and word == "down":
            counts += zero_shift
        if kind != "preload":
            counts += rng.normal(0.0, noise or 1e-12)
        lines.append(
            f"{name},{positions[place]},{word},{sign * force:g},{round(1000.0 + counts)},21.0,"
            f"{clock:g}" + (f",{kind}" if preloads else "")
        )
    return "\n".join(lines) + "\n"


def class_csv(**made: Any) -> str:
    """The same with its preloads: every condition of a class is kept."""
    return iso_csv(**{"preloads": 3, **made})

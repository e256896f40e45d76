"""Tables for the bench tests: published sets, and cells made from known coefficients.

The published tables lie in ``data/``; each test names the source beside its check.
"""

from __future__ import annotations

import csv
from pathlib import Path

import numpy as np

DATA = Path(__file__).with_name("data")


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
) -> str:
    """The whole ISO programme of a made-up cell.

    ``rotation`` is the relative change of gain at 0°, 120°, 240°; ``loop`` the relative excess
    of falling readings at mid-load; ``zero_shift`` counts between zero before and after.
    """
    rng = np.random.default_rng(seed)
    lines = ["series,position_deg,direction,applied_kN,reading,temperature_C,time_s"]
    clock = 0.0

    def add(series: str, position: int, word: str, force: float, counts: float) -> None:
        nonlocal clock
        clock += 30.0
        value = round(1000.0 + counts + rng.normal(0.0, noise or 1e-12))
        lines.append(f"{series},{position},{word},{sign * force:g},{value},21.0,{clock:g}")

    forces = capacity * np.arange(1, levels + 1) / levels
    for name, place in (("X1", 0), ("X2", 0), ("X3", 1), ("X5", 2)):
        position = 120 * place
        scale = sign * (1.0 + rotation[place])
        add(name, position, "up", 0.0, 0.0)
        for force in forces:
            add(name, position, "up", force, scale * (gain * force + bend * force**2))
        if place:
            for force in forces[-2::-1]:
                share = force / capacity
                counts = (1.0 + loop * 4.0 * share * (1.0 - share)) * scale
                add(name, position, "down", force, counts * (gain * force + bend * force**2))
        add(name, position, "down", 0.0, zero_shift)
    return "\n".join(lines) + "\n"

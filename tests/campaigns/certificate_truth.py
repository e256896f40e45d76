"""Drawn force cells of known errors, their bench readings and their uses on the road.

Written apart from the evaluation: nothing of it is imported here. Shares are of the capacity
unless a name says of force; temperatures are differences from the bench's.
"""

from __future__ import annotations

from dataclasses import dataclass, field, replace

import numpy as np
from numpy.typing import NDArray

__all__ = ["CAPACITY_KN", "DATA", "SCENARIOS", "Cell", "Uses", "bench_table", "draw", "uses"]

CAPACITY_KN = 500.0
GAIN = 8000.0
ZERO = 1500.0
FULL = CAPACITY_KN * GAIN
BENCH_C = 20.0
DATA = ("full", "rising only", "X1+X2 only", "one position")


@dataclass(frozen=True, kw_only=True)
class Cell:
    """Sizes of errors; a standard deviation where drawn anew each time, else the value."""

    sense: int = 1
    noise: float = 2.5e-7
    mounting_of_force: float = 0.0
    zero: float = 0.0
    loop: float = 0.0
    """Widest falling less rising."""
    loop_low: float = 1.0
    """Below 1 the loop is widest at low, above at high load."""
    bend: tuple[float, float] = (0.0, 0.0)
    """Of the sensitivity, linear and quadratic in load."""
    warm_zero: float = 0.0
    """Per K."""
    warm_span: float = 0.0
    """Of force, per K."""
    creep_of_force: float = 0.0
    """From 30 s to 300 s."""
    reference_U: float = 1e-5
    """Of force, k = 2."""
    drift_of_force: float = 0.0
    """Largest until the certificate expires."""


SCENARIOS = (
    "noise", "mounting", "zero shifts", "loop", "creep", "reference", "drift", "nonlinearity",
    "temperature", "mixed", "mixed, loop dominates",
)  # fmt: skip


def draw(scenario: str, rng: np.random.Generator) -> Cell:
    """A cell of class 2 or better whose one error, or every error, is drawn by size and shape."""
    cell = Cell(sense=int(rng.choice((-1, 1))))
    lean = float(rng.uniform(0.7, 1.4))
    bend = (float(rng.normal(0.0, 2e-3)), float(rng.normal(0.0, 1e-3)))
    warm_zero, warm_span = (float(rng.uniform(-4e-5, 4e-5)) for _ in range(2))

    def some(low: float, high: float) -> float:
        return float(rng.uniform(low, high))

    alone = {
        "noise": replace(cell, noise=some(2e-5, 2e-4)),
        "mounting": replace(cell, mounting_of_force=some(2e-4, 1e-3)),
        "zero shifts": replace(cell, zero=some(5e-5, 4e-4)),
        "loop": replace(cell, loop=some(3e-4, 1.5e-3), loop_low=lean),
        "creep": replace(cell, creep_of_force=some(2e-4, 1.5e-3)),
        "reference": replace(cell, reference_U=some(1e-4, 1e-3)),
        "drift": replace(cell, drift_of_force=some(2e-4, 1e-3)),
        "nonlinearity": replace(cell, bend=bend, noise=2e-5),
        "temperature": replace(cell, warm_zero=warm_zero, warm_span=warm_span),
    }
    if scenario in alone:
        return alone[scenario]
    loop = some(2e-3, 3e-3) if "dominates" in scenario else some(1e-4, 8e-4)
    return Cell(
        sense=cell.sense, noise=some(5e-6, 8e-5), zero=some(2e-5, 2e-4), loop=loop,
        mounting_of_force=some(1e-4, 7e-4), loop_low=lean, bend=bend,
        warm_zero=warm_zero, warm_span=warm_span, creep_of_force=some(1e-4, 8e-4),
        reference_U=some(1e-4, 5e-4), drift_of_force=some(1e-4, 5e-4),
    )  # fmt: skip


def _deflection(
    cell: Cell,
    load: NDArray[np.float64],
    branch: NDArray[np.float64],
    of_force: NDArray[np.float64] | float,
) -> NDArray[np.float64]:
    """Counts for loads (shares, 0 to 1); branch −1 rising, +1 falling, between inside the loop."""
    bent = 1.0 + cell.bend[0] * load + cell.bend[1] * load**2
    leaned = np.clip(load, 0.0, 1.0) ** cell.loop_low
    width = 4.0 * leaned * (1.0 - leaned)
    return FULL * (load * bent * (1.0 + of_force) + branch * 0.5 * cell.loop * width)


@dataclass
class _Bench:
    """A calibration as it is taken, row by row."""

    cell: Cell
    rng: np.random.Generator
    lines: list[str] = field(default_factory=list)
    clock_s: float = 0.0

    def __post_init__(self) -> None:
        cell = self.cell
        self.wrong = 1.0 + self.rng.normal(0.0, 0.5 * cell.reference_U)
        self.mounted = {p: self.rng.normal(0.0, cell.mounting_of_force) for p in (0, 120, 240)}

    def add(
        self, place: str, at: float, load: float, counts: float, kelvin: float, kind: str
    ) -> None:
        cell = self.cell
        self.clock_s += 30.0
        shown = ZERO + cell.sense * counts + self.rng.normal(0.0, cell.noise * FULL)
        self.lines.append(
            f"{place},{'up' if at < 0.0 else 'down'},{cell.sense * load * CAPACITY_KN:g},"
            f"{round(shown)},{BENCH_C + kelvin:g},{self.clock_s:g},{kind}"
        )

    def counts(self, load: float, at: float, of_force: float) -> float:
        true = np.array([load * self.wrong])
        return float(_deflection(self.cell, true, np.array([at]), of_force)[0])

    def series(self, name: str, place: int, *, falls: bool, kelvin: float = 0.0) -> None:
        cell, rng, here = self.cell, self.rng, f"{name},{place}"
        shift, gradual = rng.normal(0.0, cell.zero) * FULL, rng.uniform() < 0.5
        base = cell.warm_zero * kelvin * FULL
        way = [(i / 10.0, -1.0) for i in range(1, 11)]
        way += [(i / 10.0, 1.0) for i in range(9, 0, -1)] if falls else []
        self.add(here, -1.0, 0.0, base, kelvin, "zero")
        for i, (load, at) in enumerate(way):
            counts = self.counts(load, at, self.mounted[place] + cell.warm_span * kelvin)
            so_far = (i + 1) / len(way) if gradual else 1.0
            self.add(here, at, load, counts + base + shift * so_far, kelvin, "step")
        self.add(here, 1.0, 0.0, base + shift, kelvin, "zero")

    def hold(self) -> None:
        top = self.counts(1.0, -1.0, self.mounted[0])
        self.add("hold,0", -1.0, 0.0, 0.0, 0.0, "zero")
        self.add("hold,0", -1.0, 1.0, top, 0.0, "creep")
        self.clock_s += 240.0
        self.add("hold,0", -1.0, 1.0, top + self.cell.creep_of_force * FULL, 0.0, "creep")


def bench_table(cell: Cell, data: str, *, warmed: bool, rng: np.random.Generator) -> str:
    """The table of a calibration by one of the plans of ``DATA``; ``warmed``: two more series
    20 K below and above the bench's temperature."""
    bench = _Bench(cell, rng)
    falls = data in ("full", "one position")
    for name, place in _programme(data):
        bench.series(name, place, falls=falls and (place > 0 or data == "one position"))
    if warmed:
        bench.series("cold", 0, falls=False, kelvin=-20.0)
        bench.series("warm", 0, falls=False, kelvin=20.0)
    if data == "full":
        bench.hold()
    head = "series,position_deg,direction,applied_kN,reading,temperature_C,time_s,kind"
    return "\n".join((head, *bench.lines)) + "\n"


def _programme(data: str) -> list[tuple[str, int]]:
    if data == "one position":
        return [("X1", 0)]
    two = [("X1", 0), ("X2", 0)]
    return two if data == "X1+X2 only" else [*two, ("X3", 120), ("X5", 240)]


@dataclass(frozen=True)
class Uses:
    """n uses, each in a new mounting after a zero taken in the field."""

    force_kN: NDArray[np.float64]
    """True, tension +."""
    counts: NDArray[np.float64]
    zero_counts: NDArray[np.float64]
    band: NDArray[np.int64]
    """0 … 4, fifths of the capacity."""
    branch: NDArray[np.str_]
    """rising, falling, inside."""


def uses(cell: Cell, n: int, *, kelvin: float, rng: np.random.Generator) -> Uses:
    """Draw n uses; ``kelvin`` 0 at the bench's temperature, else so far either side of it."""
    band = rng.integers(0, 5, n)
    load = (band + rng.uniform(0.1, 1.0, n)) / 5.0
    word = rng.choice(np.array(["rising", "falling", "inside"]), n)
    branch = np.where(
        word == "rising", -1.0, np.where(word == "falling", 1.0, rng.uniform(-1.0, 1.0, n))
    )
    warm = kelvin * rng.choice((-1.0, 1.0), n)
    since_zero = np.sign(warm) * rng.uniform(0.0, abs(kelvin), n)
    held_s = rng.uniform(30.0, 300.0, n)
    of_force = (
        rng.normal(0.0, cell.mounting_of_force, n)
        + cell.warm_span * warm
        + cell.creep_of_force * np.log10(held_s / 30.0)
        + rng.uniform(-1.0, 1.0, n) * cell.drift_of_force
    )
    offset = (
        rng.normal(0.0, cell.zero, n)
        + cell.warm_zero * since_zero
        + rng.normal(0.0, cell.noise, n)
    )
    counts = _deflection(cell, load, branch, of_force) + cell.sense * FULL * offset
    zero = np.full(n, ZERO + 300.0)
    return Uses(
        force_kN=cell.sense * load * CAPACITY_KN,
        counts=np.round(zero + cell.sense * counts),
        zero_counts=zero,
        band=band,
        branch=word,
    )

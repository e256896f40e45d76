"""ISO 376 worked out apart from the product: plain Python, exact fractions, from the requirement.

The requirement, in the words it was asked in: X1, X2 rising at one position; X3, X5 rising at
others; X4', X6' falling after them; deflection = reading less the last zero read before it.

* b  = 100 (Xmax - Xmin) / mean of X1, X3, X5            * b' = 100 |X2 - X1| / mean of both
* fc = 100 (Xr - Xa) / Xa, Xa on the least-squares curve * v  = mean of 100 |X4' - X3| / X3, ...
* f0 = 100 (zero after - zero before) / XN, worst series * c  = 100 |i300 - i30| / XN

A class holds from the lowest force above which everything holds up to the largest, if that is at
most half of the largest; of several the one that reaches furthest down, the best of equals.
"""

from __future__ import annotations

import csv
from dataclasses import dataclass, field
from datetime import date
from fractions import Fraction
from itertools import pairwise
from typing import Any

TABLE = {
    # class: b, b', fc, f0, v, c, U of the force, lowest force in steps
    "00": ("0.05", "0.025", "0.025", "0.012", "0.07", "0.025", "0.01", 4000),
    "0.5": ("0.10", "0.05", "0.05", "0.025", "0.15", "0.05", "0.02", 2000),
    "1": ("0.20", "0.10", "0.10", "0.050", "0.30", "0.10", "0.05", 1000),
    "2": ("0.40", "0.20", "0.20", "0.10", "0.50", "0.20", "0.10", 500),
}


@dataclass
class Answer:
    """What the independent way finds."""

    b: list[float] = field(default_factory=list)
    b_prime: list[float] = field(default_factory=list)
    fc: list[float] = field(default_factory=list)
    v: list[float | None] = field(default_factory=list)
    f0: float | None = None
    lows: dict[str, float | None] = field(default_factory=dict)
    """By class: the lowest force of its range, kN."""
    broken: set[str] = field(default_factory=set)
    """Conditions not held or not known."""
    value: str | None = None


def answer(text: str, facts: dict[str, Any], *, degree: int) -> Answer:
    """Figures, broken conditions and class of a table of readings in kN, one sense."""
    rows = [dict(row) for row in csv.DictReader(text.splitlines())]
    for row in rows:
        row["F"], row["y"] = abs(float(row["applied_kN"])), Fraction(row["reading"])
        row["phi"] = float(row["position_deg"]) % 360
    found = Answer()
    forces = sorted({r["F"] for r in rows if r["kind"] == "step"})
    up = {name: _deflections(rows, name, "up") for name in ("X1", "X2", "X3", "X5")}
    down = {name: _deflections(rows, name, "down") for name in ("X3", "X5")}
    for F in forces:
        x1, x2, x3, x5 = (up[name][F] for name in ("X1", "X2", "X3", "X5"))
        mean = (x1 + x3 + x5) / 3
        found.b.append(float(100 * (max(x1, x3, x5) - min(x1, x3, x5)) / abs(mean)))
        found.b_prime.append(float(100 * abs(x2 - x1) / (abs(x1 + x2) / 2)))
        taken = [(down[n][F], up[n][F]) for n in ("X3", "X5") if F in down[n]]
        whole = len(taken) == 2
        v = sum(100 * abs((d - u) / u) for d, u in taken) / 2 if whole else None
        found.v.append(None if v is None else float(v))
    found.fc = _misfit(forces, up, degree)
    full = _mean_at(rows, forces[-1])
    changes = [abs(after - before) for n in up for before, after in _zeros(rows, n)]
    found.f0 = float(100 * max(changes) / full) if changes else None
    creep = _creep(rows, full)
    _conditions(found, rows, forces, facts, creep)
    _ranges(found, forces, facts, creep, float(forces[-1] / full))
    ways = [(low, list(TABLE).index(c), c) for c, low in found.lows.items() if low is not None]
    if not ways:
        _too_coarse(found, forces, facts, float(forces[-1] / full))
    if not found.broken:
        found.value = min(ways)[2] if ways else "none"
    return found


def _deflections(rows: list[dict[str, Any]], name: str, way: str) -> dict[float, Fraction]:
    found, zero = {}, None
    for row in rows:
        if row["kind"] == "zero":
            zero = row["y"]
        elif row["kind"] == "step" and row["series"] == name and row["direction"] == way:
            found[row["F"]] = row["y"] - (zero if zero is not None else _first_zero(rows))
    return found


def _first_zero(rows: list[dict[str, Any]]) -> Fraction:
    return next((r["y"] for r in rows if r["kind"] == "zero"), Fraction(0))


def _mean_at(rows: list[dict[str, Any]], F: float) -> Fraction:
    every = [
        d[F]
        for n in ("X1", "X2", "X3", "X5")
        for way in ("up", "down")
        for d in [_deflections(rows, n, way)]
        if F in d
    ]
    return abs(sum(every, Fraction(0)) / len(every))


def _zeros(rows: list[dict[str, Any]], name: str) -> list[tuple[Fraction, Fraction]]:
    """Zero before and after the forces of a series, the nearest in the file; empty for none."""
    at = [i for i, r in enumerate(rows) if r["series"] == name and r["kind"] == "step"]
    zeros = [i for i, r in enumerate(rows) if r["kind"] == "zero"]
    before = [rows[i]["y"] for i in zeros if i < at[0]]
    after = [rows[i]["y"] for i in zeros if i > at[-1]]
    return [(before[-1], after[0])] if before and after else []


def _misfit(
    forces: list[float], up: dict[str, dict[float, Fraction]], degree: int
) -> list[float]:
    """Normal equations, solved in fractions without rounding."""
    m = min(degree, 3)
    x = [Fraction(F) / Fraction(forces[-1]) for F in forces]
    y = [(up["X1"][F] + up["X3"][F] + up["X5"][F]) / 3 for F in forces]
    system = [
        [sum((t ** (i + j) for t in x), Fraction(0)) for j in range(m + 1)]
        + [sum((t**i * s for t, s in zip(x, y, strict=True)), Fraction(0))]
        for i in range(m + 1)
    ]
    for i in range(m + 1):
        pivot = system[i][i]
        system[i] = [value / pivot for value in system[i]]
        for k in range(m + 1):
            if k != i:
                system[k] = [
                    a - system[k][i] * b for a, b in zip(system[k], system[i], strict=True)
                ]
    curve = [sum((row[-1] * t**i for i, row in enumerate(system)), Fraction(0)) for t in x]
    return [float(100 * (s - a) / a) for s, a in zip(y, curve, strict=True)]


def _creep(rows: list[dict[str, Any]], full: Fraction) -> float | None:
    hold = [r for r in rows if r["kind"] == "creep"]
    if len(hold) < 2 or not all(r["time_s"] for r in hold):
        return None
    return float(100 * abs(hold[1]["y"] - hold[0]["y"]) / full)


def _ranges(
    found: Answer,
    forces: list[float],
    facts: dict[str, Any],
    creep: float | None,
    kN_per_reading: float,
) -> None:
    slack = 1 + 1e-9
    largest = max(forces[-1], facts.get("capacity_kN") or 0.0)
    both = all(v is not None for v in found.v[:-1])
    r = (facts.get("resolution") or 1.0) * kN_per_reading
    U = facts.get("reference_U_pct")
    for name, (b, b_, fc, f0, v, c, u, steps) in TABLE.items():
        low = None
        for i in reversed(range(len(forces))):
            fine = (
                found.b[i] <= float(b) * slack
                and found.b_prime[i] <= float(b_) * slack
                and abs(found.fc[i]) <= float(fc) * slack
                and (found.f0 is None or found.f0 <= float(f0) * slack)
                and (creep is None or creep <= float(c) * slack)
                and (not both or (found.v[i] or 0.0) <= float(v) * slack)
                and forces[i] * slack >= 0.02 * largest
                and forces[i] * slack >= steps * r
                and (U is None or 2 / facts["reference_k"] * U <= float(u) * slack)
            )
            if not fine:
                break
            low = forces[i]
        found.lows[name] = low if low is not None and low <= forces[-1] / 2 * slack else None


def _too_coarse(
    found: Answer, forces: list[float], facts: dict[str, Any], kN_per_reading: float
) -> None:
    """No class at all where 500 steps are more than a force that every class must reach."""
    steps_kN = 500 * (facts.get("resolution") or 1.0) * kN_per_reading
    half = [F for F in forces if F / forces[-1] <= 0.5 + 1e-9]
    if (half[-1] if half else forces[0]) * (1 + 1e-9) < steps_kN:
        found.broken.add("resolution")


def _conditions(
    found: Answer,
    rows: list[dict[str, Any]],
    forces: list[float],
    facts: dict[str, Any],
    creep: float | None,
) -> None:
    say = found.broken.add
    widest = max(b - a for a, b in pairwise(forces))
    if len(forces) < 8 or widest > 1.5 * (forces[-1] - forces[0]) / 7 * (1 + 1e-9):
        say("forces")
    if forces[0] > forces[-1] / 2:
        say("forces")
    turns = sorted({r["phi"] for r in rows if r["series"] in ("X1", "X3", "X5")})
    gaps = [(b - a) % 360 for a, b in zip(turns, turns[1:] + turns[:1], strict=True)]
    if any(abs(g - 120) > 10 for g in gaps):
        say("rotation")
    _preloads(found, rows, forces[-1])
    _pace(found, rows)
    steps = [
        r for r in rows if r["series"] in ("X1", "X2", "X3", "X5") and r["kind"] != "creep"
    ]
    warm = [float(r["temperature_C"]) if r["temperature_C"] else None for r in steps]
    known = [t for t in warm if t is not None]
    if None in warm or min(known) < 18 or max(known) > 28:
        say("temperature")
    if None in warm or max(known) - min(known) > 2 + 1e-9:
        say("temperature steady")
    if any(v is None for v in found.v[:-1]) and creep is None:
        say("case")
    for name in ("X1", "X2", "X3", "X5"):
        mine = [r for r in rows if r["series"] == name]
        if mine[0]["kind"] != "zero" or mine[-1]["kind"] != "zero":
            say("zeros")
    _stated(found, facts)


def _preloads(found: Answer, rows: list[dict[str, Any]], largest: float) -> None:
    count, place, first = 0, None, True
    for row in rows:
        if row["kind"] == "preload":
            count += row["F"] >= 0.99 * largest
        elif row["kind"] == "zero" or row["kind"] == "step":
            if row["phi"] != place and count < (3 if first else 1):
                found.broken.add("preloads")
            count, place, first = 0, row["phi"], False


def _pace(found: Answer, rows: list[dict[str, Any]]) -> None:
    for name in ("X1", "X2", "X3", "X5"):
        mine = [r for r in rows if r["series"] == name]
        if not all(r["time_s"] for r in mine):
            found.broken |= {"wait", "intervals", "rest"}
            return
        t = [float(r["time_s"]) for r in mine]
        if min(b - a for a, b in pairwise(t)) < 29.5:
            found.broken.add("wait")
        loaded = [float(r["time_s"]) for r in mine if r["kind"] == "step"]
        each = sorted(b - a for a, b in pairwise(loaded))
        n = len(each)
        middle = (each[(n - 1) // 2] + each[n // 2]) / 2
        if each[-1] > 1.5 * middle or each[0] < 0.5 * middle:
            found.broken.add("intervals")

    last = None
    for row in rows:
        if row["series"] in ("X1", "X2", "X3", "X5") and row["kind"] != "preload":
            if last and row["series"] != last[0] and float(row["time_s"]) - last[1] < 179.5:
                found.broken.add("rest")
            if row["kind"] == "step":
                last = row["series"], float(row["time_s"])
            elif last:
                last = row["series"], last[1]


def _stated(found: Answer, facts: dict[str, Any]) -> None:
    standard, U = facts["standard"], facts.get("reference_U_pct")
    if not facts.get("forces_measured"):
        found.broken.add("applied force measured")
    if not facts.get("readings_stood_still"):
        found.broken.add("readings undoubted")
    if not all(standard.get(key) for key in ("serial", "certificate", "issued_by")):
        found.broken.add("reference standard")
    if not standard.get("traceability"):
        found.broken.add("traceability")
    day, begins, ends = (
        facts.get("issued"),
        standard.get("calibrated"),
        standard.get("valid_until"),
    )
    if not (day and begins and ends) or not (
        date.fromisoformat(begins) <= date.fromisoformat(day) <= date.fromisoformat(ends)
    ):
        found.broken.add("reference standard valid")
    if facts.get("valid_months", 12) > 26:
        found.broken.add("validity")
    if U is None or 2 / facts["reference_k"] * U > 0.10 * (1 + 1e-9):
        found.broken.add("uncertainty of the applied force")

"""Programmes of ISO 376 drawn at random: cells good and bad, conditions kept and broken."""

from __future__ import annotations

from typing import Any

import numpy as np

__all__ = ["drawn_facts", "drawn_programme"]

HEAD = "series,position_deg,direction,applied_kN,reading,temperature_C,time_s,kind"


class _Drawn:
    """One programme; every fault by itself is rare, so that many tables have none."""

    def __init__(self, rng: np.random.Generator) -> None:
        self.rng = rng
        self.lines = [HEAD]
        self.clock = 0.0
        self.sign = 1.0 if rng.random() < 0.6 else -1.0
        self.capacity = float(rng.choice([5.0, 200.0, 500.0, 1800.0]))
        self.counts = float(rng.choice([4e5, 4e6]))
        self.noise = float(10 ** rng.uniform(-6.5, -3.8)) * self.counts
        self.wait = 25.0 if self.rare() else float(rng.uniform(30.0, 60.0))
        self.uneven = 1.7 if self.rare() else float(rng.uniform(1.0, 1.3))
        self.warm = float(rng.choice([15.0, 29.0])) if self.rare() else rng.uniform(19.5, 26.5)
        self.drift = 3.0 if self.rare() else float(rng.uniform(0.0, 1.5))
        self.untold = self.rare(), self.rare()
        self.bend = float(rng.choice([0.0, 0.002, 0.01]))
        self.loop = float(10 ** rng.uniform(-5.0, -2.2))
        self.shift = float(10 ** rng.uniform(-6.0, -3.0)) * self.counts

    def rare(self) -> bool:
        return bool(self.rng.random() < 0.02)

    def reading(self, share: float, gain: float) -> float:
        true = gain * (share + self.bend * share * share)
        return self.sign * self.counts * true + self.rng.normal(0.0, self.noise) + 1234.0

    def row(
        self, series: str, place: float, way: str, share: float, value: float, kind: str
    ) -> None:
        self.clock += self.wait * (self.uneven if self.rng.random() < 0.3 else 1.0)
        t = "" if self.untold[0] else f"{self.clock:.1f}"
        span = 6000.0 / self.wait
        heat = self.warm + self.drift * min(1.0, len(self.lines) / span)
        warm = "" if self.untold[1] else f"{heat:.2f}"
        force = self.sign * self.capacity * share
        self.lines.append(
            f"{series},{place:g},{way},{force:.10g},{value:.0f},{warm},{t},{kind}"
        )

    def shares(self) -> list[float]:
        n = int(self.rng.choice([7, 8, 9, 10, 11, 12], p=[0.05, 0.19, 0.19, 0.19, 0.19, 0.19]))
        made = [i / n for i in range(1, n + 1)]
        if self.rng.random() < 0.35:
            made = [round(float(10 ** self.rng.uniform(-2.3, -1.2)), 4), *made]
        if self.rare():
            del made[len(made) // 2 : len(made) // 2 + 2]
        return sorted(set(made))

    def positions(self) -> tuple[float, float, float]:
        if self.rare():
            return 0.0, 20.0, 40.0
        start = float(self.rng.choice([0.0, 30.0, 270.0]))
        way = 1.0 if self.rng.random() < 0.5 else -1.0
        slack = [float(v) for v in np.round(self.rng.uniform(-4.9, 4.9, 2))]
        return (
            start,
            (start + way * 120.0 + slack[0]) % 360.0,
            (start + way * 240.0 + slack[1]) % 360.0,
        )

    def programme(self) -> str:
        shares, places = self.shares(), self.positions()
        spread = float(10 ** self.rng.uniform(-5.0, -2.4))
        gains = 1.0 + spread * self.rng.uniform(-1.0, 1.0, 3)
        falls = self.rng.random() < 0.75
        for name, at in (("X1", 0), ("X2", 0), ("X3", 1), ("X5", 2)):
            first = 2 if self.rare() else 3
            for i in range(0 if name == "X2" else first if at == 0 else int(not self.rare())):
                full = self.reading(1.0, 1.0) + 10_000.0 * i  # no two rows alike
                self.row(f"P{name}", places[at], "up", 1.0, full, "preload")
            self.series(name, places[at], gains[at], shares, falls=falls and at > 0)
        if not falls and self.rng.random() < 0.85:
            self.hold(places[2])
        return "\n".join(self.lines) + "\n"

    def series(
        self, name: str, place: float, gain: float, shares: list[float], *, falls: bool
    ) -> None:
        self.clock += float(self.rng.uniform(0.0, 60.0)) if self.rare() else 200.0
        if not self.rare() or name == "X1":
            self.row(name, place, "up", 0.0, 1234.0, "zero")
        for share in shares:
            self.row(name, place, "up", share, self.reading(share, gain), "step")
        for share in shares[-2::-1] if falls else []:
            if not self.rng.random() < 0.002:
                wide = gain * (1.0 + self.loop * 4.0 * share * (1.0 - share))
                self.row(name, place, "down", share, self.reading(share, wide), "step")
        if not self.rare():
            value = 1234.0 + self.shift * float(self.rng.uniform(0.0, 1.0))
            self.row(name, place, "down", 0.0, value, "zero")

    def hold(self, place: float) -> None:
        crept = float(10 ** self.rng.uniform(-5.0, -2.8)) * self.counts
        full = self.reading(1.0, 1.0)
        for value, later in ((full, 0.0), (full + crept, 270.0 - self.wait)):
            self.uneven, self.clock = 1.0, self.clock + later
            self.row("hold", place, "up", 1.0, value, "creep")


def drawn_programme(rng: np.random.Generator) -> str:
    """A table of readings with its preloads, in kN."""
    return _Drawn(rng).programme()


def drawn_facts(rng: np.random.Generator) -> dict[str, Any]:
    """What is stated with it, as the document of the settings."""
    standard: dict[str, str | None] = {
        "serial": "R 17", "certificate": "F-2025-031", "issued_by": "the national laboratory",
        "calibrated": "2025-06-01", "valid_until": "2027-06-01", "traceability": "dead weights",
    }  # fmt: skip
    k = float(rng.choice([2.0, 1.96, 3.0]))
    facts: dict[str, Any] = {
        "issued": "2026-05-04", "standard": standard, "reference_k": k,
        "reference_U_pct": float(rng.choice([0.008, 0.008, 0.015, 0.04, 0.09])) * k / 2.0,
        "resolution": float(rng.choice([0.5, 1.0, 1.0, 5.0, 20.0, 100.0])),
        "degree": int(rng.integers(1, 6)),
        "forces_measured": True, "readings_stood_still": True,
    }  # fmt: skip
    if rng.random() < 0.1:
        for key in rng.choice(list(standard), 1):
            standard[str(key)] = None if key in ("calibrated", "valid_until") else ""
    wrongs = (("issued", "2027-06-02"), ("issued", "2025-05-31"), ("valid_months", 27),
              ("reference_U_pct", None), ("reference_U_pct", 0.2),
              ("forces_measured", False), ("readings_stood_still", None))  # fmt: skip
    return facts | {key: wrong for key, wrong in wrongs if rng.random() < 0.03}

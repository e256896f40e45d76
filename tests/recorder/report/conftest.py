"""Runs made of tables, for reports of every kind."""

from __future__ import annotations

import uuid
from collections.abc import Callable
from pathlib import Path

import numpy as np
import pytest
from matplotlib.figure import Figure
from matplotlib.layout_engine import ConstrainedLayoutEngine

from recorder.exchange.table_import import ImportedTable, import_table
from recorder.marks.mark import Mark

TRIP = """
[trip]
name = "Full regulator trial"
date = 2026-05-04
[locomotive]
name = "No. 12"
kind = "steam"
mass_t = 150.0
adhesive_mass_t = 80.0
length_m = 22.0
rotary_allowance = 0.05
resistance = [15.0, 0.1, 0.003]
[test_car]
mass_t = 50.0
length_m = 18.0
axles = 4
rotary_allowance = 0.05
[consist]
mass_t = 950.0
length_m = 300.0
axles = 80
rotary_allowance = 0.05
[specification]
name = "promise"
starting_pull_kN = 150.0
[[specification.points]]
speed_km_h = 10
pull_kN = 150.0
[[specification.points]]
speed_km_h = 90
pull_kN = 60.0
"""

Make = Callable[..., Path]

PLACED = (
    TRIP
    + """
[route]
file = "line.csv"
direction = "increasing"
start_chainage_m = 0.0
"""
)
POST_M = 1000.0
FIRST_POST = 40


def key(kind: str, t_s: float, value: str = "") -> Mark:
    """A mark as keyed."""
    return Mark(mark_id=uuid.uuid4().hex, kind=kind, t_s=t_s, value=value, by="observer")


def line(folder: Path, *, last_m: float = 60_000.0) -> None:
    """A level, straight line with posts a kilometre apart and three stations."""
    rows = ["chainage_m,end_chainage_m,kind,value", f"-500,{last_m + 500:.0f},grade,0"]
    rows += [
        f"{s},,station,{name}" for s, name in ((500, "Ash"), (6500, "Birch"), (15500, "Elm"))
    ]
    rows += [
        f"{POST_M * i:.0f},,milepost,{FIRST_POST + i}" for i in range(1, int(last_m / POST_M))
    ]
    (folder / "line.csv").write_text("\n".join(rows) + "\n", encoding="utf-8")


def posts_keyed(speed: np.ndarray, *, wheel: float = 1.0) -> tuple[Mark, ...]:
    """Mileposts keyed half a second late; ``wheel`` is what it shows of a true metre."""
    at_m = np.cumsum(speed / wheel)
    numbers = np.arange(1, int(at_m[-1] / POST_M) + 1)
    times = np.interp(numbers * POST_M, at_m, np.arange(len(speed)) + 1.0) + 0.5
    return tuple(
        key("milepost", float(t), str(FIRST_POST + int(n)))
        for n, t in zip(numbers, times, strict=True)
    )


LOCOMOTIVE_T, TRAILING_T, G = 150.0, 1000.0, 9.80665
"""As the trip sheet has them."""


def slope_of(v: np.ndarray) -> np.ndarray:
    """Acceleration (n,) of a speed a second; nothing for one sample."""
    return np.asarray(np.nan_to_num(np.gradient(v))) if len(v) > 1 else np.zeros(len(v))


def balanced(v: np.ndarray, effort_kN: np.ndarray, pull_kN: np.ndarray | None) -> np.ndarray:
    """The slope (n,) on which such a train holds its speed: a record that can be true."""
    km_h = np.nan_to_num(v) * 3.6
    resistance = TRAILING_T * (12.0 + 0.1 * km_h + 0.0025 * km_h**2) / 1000.0
    a = 1.05 * slope_of(v)
    if pull_kN is not None:
        return np.asarray(
            np.nan_to_num((pull_kN - resistance - TRAILING_T * a) / (TRAILING_T * G))
        )
    whole_t = LOCOMOTIVE_T + TRAILING_T
    return np.asarray(np.nan_to_num((effort_kN - resistance - whole_t * a) / (whole_t * G)))


def full_throttle(seconds: int) -> tuple[Mark, ...]:
    """Keyed full every ten minutes, and closed at the end, as a good crew does."""
    keyed = [key("throttle", float(t), "full") for t in range(0, seconds, 600)]
    return (*keyed, key("throttle", float(seconds), "closed"))


def plateaus(t: np.ndarray) -> np.ndarray:
    """Speed (n,): four minutes even, a minute's change of 3 m/s."""
    return 6.0 + 3.0 * (t // 300 + np.clip((t % 300 - 240.0) / 60.0, 0.0, 1.0))


def ridden(
    v: np.ndarray, factor: float, pull: np.ndarray | None, *, level: bool
) -> dict[str, np.ndarray]:
    """Pull, speed and grade of such a ride."""
    effort = np.interp(v * 3.6, [10, 90], [150, 60]) * factor
    slope = np.zeros(len(v)) if level else balanced(v, effort, pull)
    read = effort - LOCOMOTIVE_T * (G * slope + 1.05 * slope_of(v))
    noise = np.random.default_rng(1).normal(0, 0.5, len(v))
    return {"pull": read + noise if pull is None else pull, "speed": v, "grade": slope}


@pytest.fixture
def make(tmp_path: Path) -> Make:
    """Makes a run: plateaus of speed at full effort ``factor`` times the specification."""

    def maker(
        name: str = "run",
        *,
        seconds: int = 1800,
        factor: float = 1.05,
        trip: str = TRIP,
        speed: np.ndarray | None = None,
        pull: np.ndarray | None = None,
        grade: bool = True,
        drop: tuple[str, ...] = (),
        marks: tuple[Mark, ...] = (),
    ) -> Path:
        t = np.arange(seconds, dtype=np.float64)
        v = plateaus(t) if speed is None else speed
        columns = ridden(v, factor, pull, level="[route]" in trip)
        marks = marks or full_throttle(seconds)
        if "[route]" in trip:
            columns["distance"] = np.cumsum(v)
        if not grade:
            del columns["grade"]
        for gone in drop:
            del columns[gone]
        path = tmp_path / f"{name}.h5"
        path.parent.mkdir(exist_ok=True)
        stated = {"pull": (None, 0.003)} if "pull" in columns else {}
        import_table(
            ImportedTable(time_s=t, columns=columns, warnings=()),
            path,
            software="test 1",
            trip_sheet=trip,
            uncertainties=stated,
            marks=list(marks),
        )
        return path

    return maker


@pytest.fixture
def undrawn(monkeypatch: pytest.MonkeyPatch) -> None:
    """Charts stay empty, which are most of a report's time: for who reads its figures and words."""
    monkeypatch.setattr(Figure, "draw", lambda _figure, _renderer: None)
    monkeypatch.setattr(ConstrainedLayoutEngine, "execute", lambda _layout, _figure: None)

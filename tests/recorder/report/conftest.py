"""Runs made of tables, for reports of every kind."""

from __future__ import annotations

from collections.abc import Callable
from pathlib import Path

import numpy as np
import pytest

from recorder.run_file.table_import import ImportedTable, import_table

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
    ) -> Path:
        t = np.arange(seconds, dtype=np.float64)
        rng = np.random.default_rng(1)
        v = 6.0 + 3.0 * (t // 300) if speed is None else speed
        spec = np.interp(v * 3.6, [10, 90], [150, 60])
        f = spec * factor + rng.normal(0, 0.5, seconds) if pull is None else pull
        columns = {"pull": f, "speed": v, "grade": np.zeros(seconds)}
        if not grade:
            del columns["grade"]
        for gone in drop:
            del columns[gone]
        path = tmp_path / f"{name}.h5"
        stated = {"pull": (None, 0.003)} if "pull" in columns else {}
        import_table(
            ImportedTable(time_s=t, columns=columns, warnings=()),
            path,
            software="test 1",
            trip_sheet=trip,
            uncertainties=stated,
        )
        return path

    return maker

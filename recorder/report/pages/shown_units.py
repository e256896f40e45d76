"""Units as the report shows them: SI inside, metric or customary on the page.

Tables and results.json stay in the units their names and fields say.
"""

from __future__ import annotations

from collections.abc import Mapping
from dataclasses import dataclass
from typing import Final

from calibration.quantities.units import convert
from recorder.analysis.dynamics.resistance import KM_H_PER_MPH, N_PER_T
from recorder.analysis.uncertainty.measured import Measured

__all__ = ["CUSTOMARY", "METRIC", "SYSTEMS", "ShownUnits"]


@dataclass(frozen=True, slots=True)
class ShownUnits:
    """One system of units."""

    name: str
    table: Mapping[str, tuple[float, str]]
    """Unit inside → factor, unit shown."""

    def factor(self, unit: str) -> float:
        """Shown value over value inside."""
        return self.table.get(unit, (1.0, unit))[0]

    def label(self, unit: str) -> str:
        """Unit shown for a unit inside."""
        return self.table.get(unit, (1.0, unit))[1]

    def of(self, value: Measured) -> Measured:
        """A figure with its uncertainty, in the unit shown."""
        factor, label = self.table.get(value.unit, (1.0, value.unit))
        return value.scaled(factor, label)


def _per(value: float, unit: str, shown: str) -> float:
    return float(convert(value, unit, shown))


METRIC: Final = ShownUnits(
    "metric",
    {
        "m/s": (3.6, "km/h"),
        "kJ": (1e-3, "MJ"),
        "km": (1.0, "km"),
    },
)
_LB_PER_TON: Final = 1.0 / N_PER_T
CUSTOMARY: Final = ShownUnits(
    "customary",
    {
        "kN": (_per(1.0, "kN", "lbf"), "lbf"),
        "m/s": (_per(1.0, "m/s", "mph"), "mph"),
        "kW": (_per(1.0, "kW", "hp"), "hp"),
        "kJ": (_per(1.0, "kJ", "hp_h"), "hp·h"),
        "kWh": (_per(3600.0, "kJ", "hp_h"), "hp·h"),
        "m": (_per(1.0, "m", "ft"), "ft"),
        "km": (_per(1000.0, "m", "mi"), "mi"),
        "m/s²": (_per(1.0, "m/s", "mph"), "mph/s"),
        "t": (_per(1.0, "t", "short_tons"), "short tons"),
        "kg": (_per(1.0, "kg", "lb"), "lb"),
        "L": (_per(1.0, "L", "gal"), "gal"),
        "N/t": (_LB_PER_TON, "lb/ton"),
        "N/t/(km/h)": (_LB_PER_TON * KM_H_PER_MPH, "lb/ton/mph"),
        "N/t/(km/h)²": (_LB_PER_TON * KM_H_PER_MPH**2, "lb/ton/mph²"),
        "kg/kWh": (_per(1.0, "kg", "lb") / _per(3600.0, "kJ", "hp_h"), "lb/(hp·h)"),
        "L/kWh": (_per(1.0, "L", "gal") / _per(3600.0, "kJ", "hp_h"), "gal/(hp·h)"),
        "kg/(hp·h)": (_per(1.0, "kg", "lb"), "lb/(hp·h)"),
        "L/(hp·h)": (_per(1.0, "L", "gal"), "gal/(hp·h)"),
    },
)
SYSTEMS: Final[Mapping[str, ShownUnits]] = {u.name: u for u in (METRIC, CUSTOMARY)}

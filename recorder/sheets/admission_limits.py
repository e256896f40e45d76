"""What a stretch must show before it is judged: the limits of a contract, with their defaults.

They stand in the trip sheet's ``[specification]``, beside what was promised; what the sheet does
not say has the default given here, and the report says which limits were asked.
"""

from __future__ import annotations

from dataclasses import dataclass
from typing import TYPE_CHECKING

if TYPE_CHECKING:
    from recorder.sheets.sheet_table import SheetTable

__all__ = ["AdmissionLimits", "read_admission"]


@dataclass(frozen=True, slots=True, kw_only=True)
class AdmissionLimits:
    """Limits of admission to judgement. Where no source is given, from experience."""

    throttle: tuple[str, ...] = ()
    """Throttle settings that count, as a mark would say them; none: full."""
    throttle_confirmed_s: float = 1200.0
    """A throttle mark is believed this long before or after its instant: twenty minutes of one
    setting are rare on a line with signals."""
    keyed_late_s: float = 30.0
    """Before a mark that the throttle was left: so late a busy crew keys."""
    settle_s: float = 10.0
    """After a change of throttle, cut-off or sand, and after starting, until slack has run."""
    least_s: float = 10.0
    """Shortest stretch."""
    limit_margin_m_s: float = 5.0 / 3.6
    """Below the posted limit: nearer, drivers ease off."""
    trend_pct: float = 4.0
    """Greatest change of (pull − specification) over a stretch, or three times its uncertainty
    if that is more."""
    own_pull_pct: float = 4.0
    """By how much a pull may lie below the locomotive's own at the same speed, or three times
    its uncertainty if that is more."""
    acceleration_most_m_s2: float = 0.3
    """Beyond, the inertia of the locomotive is a third of its pull and more."""
    adhesion_most: float = 0.33
    """Of the adhesive weight; dry, sanded rail gives about this much."""
    wheel_agrees_pct: float = 1.0
    """Measuring wheel against posts and GNSS."""
    boiler_pressure_least_pct: float = 95.0
    """Of the working pressure."""
    cut_off_pct: tuple[float, float] | None = None
    """Least and greatest, per cent of the stroke; ``None``: the contract says nothing."""
    wind_most_m_s: float = 10.0
    """A fresh breeze (Beaufort 5 ends at 10.7 m/s)."""
    rail: str = "any"
    """``dry`` or ``any``."""
    sand: bool = True
    """Whether sand is allowed."""


def read_admission(table: SheetTable) -> AdmissionLimits:
    """The limits that a ``[specification]`` states; what it does not say has its default."""
    usual = AdmissionLimits()
    throttle = table.texts("throttle")
    if any(not word.strip() for word in throttle):
        table.problem("throttle must be settings as a mark would say them, got an empty one")
    return AdmissionLimits(
        throttle=throttle,
        throttle_confirmed_s=_seconds(table, "throttle_confirmed", usual.throttle_confirmed_s),
        keyed_late_s=_seconds(table, "keyed_late", usual.keyed_late_s),
        settle_s=_seconds(table, "settle", usual.settle_s),
        least_s=_seconds(table, "least", usual.least_s),
        limit_margin_m_s=_or(
            table.quantity("limit_margin", "m_s", low=0.0, high=30.0), usual.limit_margin_m_s
        ),
        trend_pct=_per_cent(table, "trend_pct", usual.trend_pct),
        own_pull_pct=_per_cent(table, "own_pull_pct", usual.own_pull_pct),
        acceleration_most_m_s2=_or(
            table.quantity("acceleration_most", "m_s2", above=0.0, high=3.0),
            usual.acceleration_most_m_s2,
        ),
        adhesion_most=_or(
            table.number("adhesion_most", above=0.0, high=1.0), usual.adhesion_most
        ),
        wheel_agrees_pct=_per_cent(table, "wheel_agrees_pct", usual.wheel_agrees_pct),
        boiler_pressure_least_pct=_per_cent(
            table, "boiler_pressure_least_pct", usual.boiler_pressure_least_pct
        ),
        cut_off_pct=_cut_off(table),
        wind_most_m_s=_or(
            table.quantity("wind_most", "m_s", above=0.0, high=60.0), usual.wind_most_m_s
        ),
        rail=table.text("rail", usual.rail, allowed=("any", "dry")),
        sand=table.flag("sand", default=usual.sand),
    )


def _seconds(table: SheetTable, stem: str, usual: float) -> float:
    return _or(table.quantity(stem, "s", low=0.0, high=86_400.0), usual)


def _per_cent(table: SheetTable, key: str, usual: float) -> float:
    return _or(table.number(key, low=0.0, high=100.0), usual)


def _or(value: float | None, usual: float) -> float:
    return usual if value is None else value


def _cut_off(table: SheetTable) -> tuple[float, float] | None:
    value = table.take("cut_off_pct")
    if value is None:
        return None
    numbers = value if isinstance(value, list) else [value, value]
    good = [float(v) for v in numbers if isinstance(v, int | float) and not isinstance(v, bool)]
    if len(good) != 2 or len(numbers) != 2 or not 0.0 <= good[0] <= good[1] <= 100.0:
        table.problem(
            "cut_off_pct must be per cent of the stroke, one number or least and greatest, for"
            f" example [30, 40], got {value!r}"
        )
        return None
    return good[0], good[1]

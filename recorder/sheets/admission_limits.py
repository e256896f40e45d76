"""What a stretch must show before it is judged: the limits of a contract, with their defaults.

They stand in the trip sheet's ``[specification]``, beside what was promised; what the sheet does
not say has the default given here, and the report says which limits were asked.
"""

from __future__ import annotations

from dataclasses import dataclass

__all__ = ["AdmissionLimits"]


@dataclass(frozen=True, slots=True, kw_only=True)
class AdmissionLimits:
    """Limits of admission to judgement. Where no source is given, common practice."""

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

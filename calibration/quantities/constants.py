"""Exact numbers that formulas need: each once, out of the table of units."""

from __future__ import annotations

from typing import Final

from calibration.quantities.units import exact_ratio

__all__ = ["G_M_S2", "KJ_PER_KWH", "KM_H_PER_MPH", "KM_H_PER_M_S", "N_PER_T_PER_LB_PER_TON"]

G_M_S2: Final = exact_ratio("g0", "m_s2")
"""Standard gravity, m/s²: 9.80665 exactly (3rd CGPM, 1901)."""
KM_H_PER_M_S: Final = exact_ratio("m_s", "km_h")
"""3.6 exactly."""
KM_H_PER_MPH: Final = exact_ratio("mph", "km_h")
"""1.609344 exactly (international yard of 1959)."""
KJ_PER_KWH: Final = exact_ratio("kWh", "kJ")
"""3600 exactly."""
N_PER_T_PER_LB_PER_TON: Final = exact_ratio("lb_per_short_ton", "N_per_t")
"""Train resistance of 1 lb a short ton in N/t: 9.80665 / 2 exactly."""

"""Which slip of a unit makes a ratio what it is."""

from __future__ import annotations

import math
from collections.abc import Mapping
from typing import Final

__all__ = ["LENGTH_SLIPS", "MASS_SLIPS", "PULL_SLIPS", "slip_in_words"]

LBF_N: Final = 4.4482216152605
"""One pound-force in newtons (NIST SP 811, appendix B.8)."""
G: Final = 9.80665
"""One kilogram-force in newtons (the same)."""
LB_KG: Final = 0.45359237
"""One pound in kilograms (the same)."""
SHORT_TON_T: Final = 0.90718474
MPH_KM_H: Final = 1.609344
KM_H_M_S: Final = 3.6
MPH_M_S: Final = 0.44704
YARD_M: Final = 0.9144
FOOT_M: Final = 0.3048

PULL_SLIPS: Final[Mapping[str, float]] = {
    "thousands of lbf were taken for kN": 1.0 / LBF_N,
    "kN were taken for thousands of lbf": LBF_N,
    "tonnes-force were taken for kN": 1.0 / G,
    "kN were taken for tonnes-force": G,
    "kgf were taken for lbf": LBF_N / G,
    "lbf were taken for kgf": G / LBF_N,
    "short tons-force were taken for kN": 1.0 / (G * SHORT_TON_T),
    "N were taken for kN": 1000.0,
    "kN were taken for N": 0.001,
}
"""What is shown over what is true."""
MASS_SLIPS: Final[Mapping[str, float]] = {
    "thousands of lb were taken for tonnes": LB_KG,
    "tonnes were taken for thousands of lb": 1.0 / LB_KG,
    "short tons were taken for tonnes": SHORT_TON_T,
    "tonnes were taken for short tons": 1.0 / SHORT_TON_T,
}
"""True mass over stated mass."""
LENGTH_SLIPS: Final[Mapping[str, float]] = {
    "mph or miles were taken for km/h or km": 1.0 / MPH_KM_H,
    "km/h or km were taken for mph or miles": MPH_KM_H,
    "mph were taken for m/s": 1.0 / MPH_M_S,
    "m/s were taken for mph": MPH_M_S,
    "km/h were taken for m/s": KM_H_M_S,
    "m/s were taken for km/h": 1.0 / KM_H_M_S,
    "m were taken for ft": FOOT_M,
    "ft were taken for m": 1.0 / FOOT_M,
    "m were taken for yards": YARD_M,
    "yards were taken for m": 1.0 / YARD_M,
}
"""What is shown over what is true."""


def slip_in_words(ratio: float, slips: Mapping[str, float], *, within: float) -> str:
    """The slips that fit a ratio within a share of it, nearest first; empty when none does."""
    if not ratio > 0.0 or not math.isfinite(ratio):
        return ""
    away = {words: abs(math.log(ratio / factor)) for words, factor in slips.items()}
    fitting = sorted((w for w in away if away[w] <= math.log1p(within)), key=away.__getitem__)
    return " or ".join(fitting[:2])

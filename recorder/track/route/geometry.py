"""Curves and gradients in the trade's own measures, and what they are in SI.

Degree of curve: the angle at the centre that a 100 ft chord (railway practice) or a 100 ft arc
(highway practice) takes up. Curve resistance: 0.8 lb per short ton per degree (AREA), which is
698.55/R N/kN with R in metres (a short ton weighs 2000 lbf; 1° by arc is R = 1746.4 m).
"""

from __future__ import annotations

from typing import TYPE_CHECKING, Any, Final, Literal

import numpy as np

if TYPE_CHECKING:
    from numpy.typing import NDArray

__all__ = [
    "CURVE_RESISTANCE_N_PER_KN_M",
    "Definition",
    "curve_resistance_N_per_kN",
    "radius_from_degree",
]

Definition = Literal["chord", "arc"]

_HUNDRED_FEET_M: Final = 30.48
CURVE_RESISTANCE_N_PER_KN_M: Final = 0.8 / 2000.0 * 1000.0 * _HUNDRED_FEET_M * 180.0 / np.pi
"""N/kN times metres of radius: 698.55."""


def radius_from_degree(
    degree: float | NDArray[Any], definition: Definition = "chord"
) -> NDArray[np.float64]:
    """Radius in metres of a curve of so many degrees.

    Chord: R = 50 ft / sin(D/2). Arc: R = 100 ft / D, D in radians.

    Raises
    ------
    ValueError
        A degree not above 0, or above 180 by the chord definition.
    """
    angle = np.radians(np.asarray(degree, dtype=np.float64))
    if np.any(~(angle > 0)) or (definition == "chord" and np.any(angle > np.pi)):
        msg = f"degree of curve is {degree}, must be above 0 and no more than 180"
        raise ValueError(msg)
    if definition == "arc":
        return np.asarray(_HUNDRED_FEET_M / angle)
    return np.asarray(0.5 * _HUNDRED_FEET_M / np.sin(0.5 * angle))


def curve_resistance_N_per_kN(
    curvature_per_m: float | NDArray[Any],
) -> NDArray[np.float64]:
    """Resistance of a curve in newtons per kilonewton of train weight, (any shape).

    0.8 lb per short ton per degree of curve, AREA; proportional to |1/R|.
    """
    return np.asarray(CURVE_RESISTANCE_N_PER_KN_M * np.abs(np.asarray(curvature_per_m)))

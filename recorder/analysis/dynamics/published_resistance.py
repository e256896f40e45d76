"""The published formulas of train resistance, in newtons per tonne at km/h.

They are coded in their own units (pounds per short ton, miles an hour, short tons per axle) and
converted exactly.
"""

from __future__ import annotations

from typing import TYPE_CHECKING, Final

import numpy as np

from calibration.quantities.constants import KM_H_PER_MPH, N_PER_T_PER_LB_PER_TON
from calibration.quantities.units import exact_ratio

if TYPE_CHECKING:
    from numpy.typing import NDArray

__all__ = ["CAR_AXLES", "davis_1926_N_per_t", "modified_davis_N_per_t"]

CAR_AXLES: Final = 4
"""Axles of the car the formulas are quoted for."""
T_PER_SHORT_TON: Final = exact_ratio("short_tons", "t")


def davis_1926_N_per_t(
    speed_km_h: NDArray[np.float64] | float,
    *,
    axle_load_t: float,
    axles: int = CAR_AXLES,
    b: float = 0.045,
    c: float = 0.0005,
    area_sq_ft: float = 88.0,
) -> NDArray[np.float64]:
    """Davis 1926, freight cars: ``1.3 + 29/w + bV + cAV²/(wn)`` lb per short ton, as N/t.

    W. J. Davis Jr., The Tractive Resistance of Electric Locomotives and Cars, General Electric
    Review 29 (1926). ``w`` short tons per axle, ``n`` axles, ``V`` mph.
    """
    v = np.asarray(speed_km_h, dtype=np.float64) / KM_H_PER_MPH
    w = axle_load_t / T_PER_SHORT_TON
    return np.asarray(
        (1.3 + 29.0 / w + b * v + c * area_sq_ft * v * v / (w * axles)) * N_PER_T_PER_LB_PER_TON
    )


def modified_davis_N_per_t(
    speed_km_h: NDArray[np.float64] | float,
    *,
    axle_load_t: float,
    axles: int = CAR_AXLES,
    k: float = 0.07,
) -> NDArray[np.float64]:
    """Modified Davis (AREA Committee 16): ``0.6 + 20/w + 0.01V + KV²/(wn)`` lb/short ton, as
    N/t.

    ``K`` 0.07 for conventional cars, 0.0935 containers, 0.16 trailers on flat cars.
    """
    v = np.asarray(speed_km_h, dtype=np.float64) / KM_H_PER_MPH
    w = axle_load_t / T_PER_SHORT_TON
    return np.asarray(
        (0.6 + 20.0 / w + 0.01 * v + k * v * v / (w * axles)) * N_PER_T_PER_LB_PER_TON
    )

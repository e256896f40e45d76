"""Slip and slide of the measuring wheel, by the speed of a GNSS receiver."""

from __future__ import annotations

from typing import TYPE_CHECKING

import numpy as np

if TYPE_CHECKING:
    from numpy.typing import NDArray

__all__ = ["flag_slip"]


def flag_slip(
    speed_m_s: NDArray[np.float64],
    u_m_s: NDArray[np.float64],
    gnss_m_s: NDArray[np.float64],
    *,
    u_gnss_m_s: float = 0.15,
) -> NDArray[np.int8]:
    """+1 where the wheel turns faster than the train moves (slip), −1 slower (slide), else 0.

    Four standard uncertainties of the difference and 0.5 m/s are both exceeded; NaN gives 0.
    (n,) each, at the same instants.
    """
    difference = np.abs(speed_m_s) - np.abs(gnss_m_s)
    limit = np.maximum(4.0 * np.hypot(u_m_s, u_gnss_m_s), 0.5)
    with np.errstate(invalid="ignore"):
        return np.where(np.abs(difference) > limit, np.sign(difference), 0.0).astype(np.int8)

"""Slip and slide of the measuring wheel, by the speed a GNSS receiver tells."""

from __future__ import annotations

from typing import TYPE_CHECKING

import numpy as np

if TYPE_CHECKING:
    from numpy.typing import NDArray

    from calibration.speed.speed import SpeedResult

__all__ = ["flag_slip", "slip_against_gnss"]


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


def slip_against_gnss(
    result: SpeedResult,
    gnss_s: NDArray[np.float64],
    gnss_m_s: NDArray[np.float64],
    *,
    reach_s: float = 1.5,
    u_gnss_m_s: float = 0.15,
) -> NDArray[np.int8]:
    """Slip (+1) and slide (−1) at the records of ``result``, by GNSS speeds of their own times.

    Parameters
    ----------
    gnss_s, gnss_m_s : (m,)
        Rising run times (of the fix, its delay taken off) and speeds; NaN is no fix.
    reach_s
        A record further than this from a fix is not judged.

    Returns
    -------
    (n,) int8
        What the nearest fix says. Where the train changes speed, a fix half a second old may
        differ by that much: the acceleration goes into the limit.
    """
    good = np.isfinite(gnss_s) & np.isfinite(gnss_m_s)
    at, speed = np.asarray(gnss_s)[good], np.asarray(gnss_m_s)[good]
    t = result.t_s
    if not len(at) or not len(t):
        return np.zeros(len(t), np.int8)
    wheel = np.interp(at, t, result.speed_m_s)
    change = np.abs(np.gradient(speed, at)) if len(at) > 1 else np.zeros(len(at))
    u = np.hypot(np.interp(at, t, result.u_m_s), 0.5 * change)
    said = flag_slip(wheel, u, speed, u_gnss_m_s=u_gnss_m_s)
    after = np.clip(np.searchsorted(at, t), 0, len(at) - 1)
    before = np.maximum(after - 1, 0)
    nearest = np.where(np.abs(at[after] - t) < np.abs(t - at[before]), after, before)
    return np.where(np.abs(at[nearest] - t) <= reach_s, said[nearest], 0).astype(np.int8)

"""Run time to UTC: fitted at the seal from the clock fixes, kept as nodes with uncertainty."""

from __future__ import annotations

from dataclasses import dataclass
from typing import TYPE_CHECKING, Any, Final

import numpy as np

from calibration.clock.run_time_to_utc import fit_utc

if TYPE_CHECKING:
    from numpy.typing import ArrayLike, NDArray

    from calibration.clock.run_time_to_utc import UtcFit
    from recorder.run.header import RunHeader

__all__ = ["NO_UTC", "UTC_DTYPE", "UtcScale", "fit_scale", "wall_clock_scale"]

UTC_DTYPE: Final = np.dtype([("t_s", "<f8"), ("utc_ns", "<i8"), ("u_s", "<f8")])
NO_UTC: Final = -(2**63)
"""``utc_ns`` of a sentence that gives no valid time."""
MOST_NODES: Final = 5_000
"""A node every 9 s of twelve hours: far closer than any clock of a computer bends."""
LEAST_FIXES: Final = 3
"""Fewer cannot contradict one another: a line passes through any two."""


@dataclass(frozen=True, slots=True)
class UtcScale:
    """UTC along a run: straight lines between nodes, the end lines going on."""

    nodes: NDArray[np.void]
    """(k,) of ``UTC_DTYPE``, k ≥ 1, run time rising."""
    source: str
    """``pulse per second``, ``gnss sentences`` or ``computer's clock``."""

    def utc_ns(self, t_s: ArrayLike) -> NDArray[np.int64]:
        """(...) int64 nanoseconds since 1970-01-01T00:00:00Z at (...) run times, s."""
        t = np.asarray(t_s, dtype=np.float64)
        origin = int(self.nodes["utc_ns"][0])
        t0 = float(self.nodes["t_s"][0])
        # Offsets are small numbers: float64 holds them to well under a nanosecond.
        away_ns = (self.nodes["utc_ns"] - origin) - (self.nodes["t_s"] - t0) * 1e9
        offset = np.interp(t, self.nodes["t_s"], away_ns)
        seconds = np.nan_to_num((t - t0) * 1e9 + offset, posinf=0.0, neginf=0.0)
        return np.asarray(origin + np.rint(seconds).astype(np.int64))

    def u_s(self, t_s: ArrayLike) -> NDArray[np.float64]:
        """(...) float64 standard uncertainty of UTC at (...) run times, s; NaN: not known."""
        t = np.asarray(t_s, dtype=np.float64)
        return np.asarray(np.interp(t, self.nodes["t_s"], self.nodes["u_s"]))


def wall_clock_scale(header: RunHeader) -> UtcScale:
    """UTC by the computer's clock at the start: as good as that clock, which nobody knows."""
    nodes = np.array([(0.0, header.started_utc_ns, np.nan)], UTC_DTYPE)
    return UtcScale(nodes, "computer's clock")


def _nodes(fit: UtcFit, end_s: float) -> NDArray[np.void]:
    """Every ten seconds, at most ``MOST_NODES`` in all."""
    at = np.linspace(0.0, end_s, int(min(max(end_s / 10.0, 2), MOST_NODES)) + 1)
    nodes = np.zeros(len(at), UTC_DTYPE)
    nodes["t_s"], nodes["utc_ns"], nodes["u_s"] = at, fit.utc_ns(at), fit.u_s(at)
    return nodes


def fit_scale(
    header: RunHeader,
    duration_s: float,
    t_run_s: NDArray[np.float64],
    utc_ns: NDArray[np.int64],
    pps_t_s: NDArray[np.float64] | None,
) -> tuple[UtcScale, dict[str, Any]]:
    """Fit UTC to the clock fixes of a run.

    Parameters
    ----------
    t_run_s, utc_ns : (k,)
        Receipt and content of the valid sentences; k may be 0.
    pps_t_s : (p,) or None
        Run times of the pulse-per-second edges.

    Returns
    -------
    UtcScale, dict
        And what is to be told of it, plain data.
    """
    good = utc_ns != NO_UTC
    t_run_s, utc_ns = t_run_s[good], utc_ns[good]
    if len(utc_ns) < LEAST_FIXES:
        why = f"{len(utc_ns)} valid clock fixes"
        return wall_clock_scale(header), {"source": "computer's clock", "why": why}
    pulses = pps_t_s if pps_t_s is not None and len(pps_t_s) >= LEAST_FIXES else None
    try:
        fit = fit_utc(t_run_s, utc_ns, pps_t_s=pulses)
    except ValueError as error:
        why = f"no fit: {error}"
        return wall_clock_scale(header), {"source": "computer's clock", "why": why}
    nodes = _nodes(fit, max(duration_s, 1.0))
    source = "gnss sentences" if pulses is None else "pulse per second"
    told = {
        "source": source,
        "fixes": len(utc_ns),
        "pulses": 0 if pulses is None else len(pulses),
    }
    return UtcScale(nodes, source), told

"""Run time to UTC: fitted at the seal from the clock fixes, kept as nodes with uncertainty."""

from __future__ import annotations

import json
from dataclasses import dataclass
from datetime import UTC, datetime
from typing import TYPE_CHECKING, Any, Final

import numpy as np

from calibration.clock.run_time_to_utc import fit_utc

if TYPE_CHECKING:
    from numpy.typing import ArrayLike, NDArray

    from calibration.clock.run_time_to_utc import UtcFit
    from recorder.run.parts.header import RunHeader

__all__ = [
    "COMPUTERS_CLOCK",
    "NO_UTC",
    "UTC_DTYPE",
    "UtcScale",
    "UtcSource",
    "fit_scale",
    "utc_text",
    "wall_clock_scale",
]

UTC_DTYPE: Final = np.dtype([("t_s", "<f8"), ("utc_ns", "<i8"), ("u_s", "<f8")])
NO_UTC: Final = -(2**63)
"""``utc_ns`` of a sentence that gives no valid time."""
MOST_NODES: Final = 5_000
"""A node every 9 s of twelve hours: far closer than any clock of a computer bends."""
LEAST_FIXES: Final = 3
"""Fewer cannot contradict one another: a line passes through any two."""

PULSES: Final = "pulse per second"
SENTENCES: Final = "gnss sentences"
COMPUTERS_CLOCK: Final = "computer's clock"
"""What UTC may come from; run files hold these words."""


def utc_text(utc_ns: int) -> str:
    """ISO 8601 in UTC to the microsecond, with ``Z``."""
    whole, rest = divmod(utc_ns, 10**9)
    moment = datetime.fromtimestamp(whole, UTC).replace(microsecond=rest // 1000)
    return moment.isoformat(timespec="microseconds").replace("+00:00", "Z")


@dataclass(frozen=True, slots=True, kw_only=True)
class UtcSource:
    """What UTC was fitted to."""

    source: str
    """As :attr:`UtcScale.source`."""
    fixes: int = 0
    """Valid clock sentences."""
    pulses: int = 0
    """Pulses per second."""
    why: str = ""
    """Why there was no fit, where there was none."""

    def to_json(self) -> str:
        """For the file."""
        data: dict[str, Any] = {"source": self.source}
        if self.why:
            return json.dumps({**data, "why": self.why})
        return json.dumps({**data, "fixes": self.fixes, "pulses": self.pulses})

    @classmethod
    def from_json(cls, text: str) -> UtcSource:
        """Inverse of :meth:`to_json`.

        Raises
        ------
        ValueError, TypeError, KeyError
            The text is none; files may be damaged.
        """
        held = json.loads(text)
        return cls(
            source=str(held["source"]),
            fixes=int(held.get("fixes", 0)),
            pulses=int(held.get("pulses", 0)),
            why=str(held.get("why", "")),
        )


@dataclass(frozen=True, slots=True)
class UtcScale:
    """UTC along a run: straight lines between nodes, the end lines going on."""

    nodes: NDArray[np.void]
    """(k,) of ``UTC_DTYPE``, k ≥ 1, run time rising."""
    source: str
    """``PULSES``, ``SENTENCES`` or ``COMPUTERS_CLOCK``."""

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
    return UtcScale(nodes, COMPUTERS_CLOCK)


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
) -> tuple[UtcScale, UtcSource]:
    """Fit UTC to the clock fixes of a run.

    Parameters
    ----------
    t_run_s, utc_ns : (k,)
        Receipt and content of the valid sentences; k may be 0.
    pps_t_s : (p,) or None
        Run times of the pulse-per-second edges.

    Returns
    -------
    UtcScale, UtcSource
        The scale, and what it was fitted to.
    """
    good = utc_ns != NO_UTC
    t_run_s, utc_ns = t_run_s[good], utc_ns[good]
    if len(utc_ns) < LEAST_FIXES:
        why = f"{len(utc_ns)} valid clock fixes"
        return wall_clock_scale(header), UtcSource(source=COMPUTERS_CLOCK, why=why)
    pulses = pps_t_s if pps_t_s is not None and len(pps_t_s) >= LEAST_FIXES else None
    try:
        fit = fit_utc(t_run_s, utc_ns, pps_t_s=pulses)
    except ValueError as error:
        why = f"no fit: {error}"
        return wall_clock_scale(header), UtcSource(source=COMPUTERS_CLOCK, why=why)
    nodes = _nodes(fit, max(duration_s, 1.0))
    source = SENTENCES if pulses is None else PULSES
    count = 0 if pulses is None else len(pulses)
    return UtcScale(nodes, source), UtcSource(source=source, fixes=len(utc_ns), pulses=count)

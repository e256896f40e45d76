"""Zero and shunt checks on live counts: taken over a while, compared, said, and kept."""

from __future__ import annotations

import threading
from collections.abc import Mapping
from dataclasses import dataclass
from typing import TYPE_CHECKING, Any, Final

import numpy as np

from calibration.certificates.force import ForceCertificate
from calibration.field.checks import check_shunt, check_zero
from recorder.run.calibrate import zero_event
from recorder.run.event import Event
from recorder.sheets.car import LONGEST_ZERO_S

if TYPE_CHECKING:
    from numpy.typing import NDArray

    from recorder.run.header import ChannelHeader

__all__ = ["Taking", "shunt_event", "zero_of"]

BINS: Final = 10
"""A reading's uncertainty is told from the scatter of the means of so many equal stretches:
neighbouring counts are not independent, and the deviation of single counts says too little."""
LONGEST_S: Final = LONGEST_ZERO_S


class Taking:
    """Collects the counts of some fields over a stretch of run time; a tap of a device."""

    def __init__(self, fields: tuple[str, ...], start_s: float, stop_s: float) -> None:
        self.start_s = start_s
        self.stop_s = stop_s
        self.done = threading.Event()
        """Set when a record after the stretch has come."""
        self._fields = fields
        self._times: list[NDArray[np.float64]] = []
        self._counts: dict[str, list[NDArray[np.float64]]] = {f: [] for f in fields}

    def see(self, records: NDArray[np.void], time_s: NDArray[np.float64]) -> None:
        """Take what lies in the stretch."""
        if self.done.is_set():
            return
        inside = (time_s >= self.start_s) & (time_s < self.stop_s)
        if inside.any():
            self._times.append(time_s[inside])
            for field in self._fields:
                self._counts[field].append(records[field][inside].astype(np.float64))
        if len(time_s) and time_s[-1] >= self.stop_s:
            self.done.set()

    def reading(self, field: str) -> Reading | None:
        """What was taken of a field; None when nothing came."""
        if not self._times:
            return None
        times = np.concatenate(self._times)
        return _reading(times, np.concatenate(self._counts[field]), self.start_s, self.stop_s)


@dataclass(frozen=True, slots=True, kw_only=True)
class Reading:
    """Mean of a channel over a stretch, in counts."""

    counts: NDArray[np.float64]
    mean: float
    sd: float
    u: float
    """Standard uncertainty of the mean."""
    drift: float
    """Mean of the last third less mean of the first."""


def _reading(
    times: NDArray[np.float64], counts: NDArray[np.float64], start_s: float, stop_s: float
) -> Reading:
    n = len(counts)
    mean = float(np.mean(counts))
    sd = float(np.std(counts, ddof=1)) if n > 1 else 0.0
    bins = np.clip(((times - start_s) / (stop_s - start_s) * BINS).astype(int), 0, BINS - 1)
    held = np.bincount(bins, minlength=BINS)
    sums = np.bincount(bins, weights=counts, minlength=BINS)
    means = sums[held > 0] / held[held > 0]
    scatter = float(np.std(means, ddof=1)) / len(means) ** 0.5 if len(means) > 1 else 0.0
    third = max(1, n // 3)
    return Reading(
        counts=counts,
        mean=mean,
        sd=sd,
        u=max(scatter, sd / n**0.5),
        drift=float(np.mean(counts[-third:]) - np.mean(counts[:third])),
    )


def zero_of(
    channel: ChannelHeader,
    certificate: ForceCertificate,
    taking: Taking,
    *,
    t_s: float,
    when: str,
) -> tuple[Event, str, bool]:
    """The zero a taking gives: the event to keep, a line for the crew, and whether it is well.

    ``t_s`` is the run time the zero stands for. A zero is used unless nothing came or the
    converter stood at a rail; out of limits or unsteady it is used, said loudly and recorded.
    """
    reading = taking.reading(channel.field)
    if reading is None:
        held = certificate.nominal_zero_counts
        words = f"{channel.name}: NO ZERO TAKEN, nothing came; the certificate's zero is used"
        event = zero_event(
            channel.name, t_s, held, accepted=False, when=when, text=words, passed=False
        )
        return event, words, False
    check = check_zero(certificate, reading.counts)
    low, high = certificate.rails
    railed = bool(np.any((reading.counts <= low) | (reading.counts >= high)))
    unsteady = _unsteady(certificate, reading)
    words = f"{channel.name}: {check.text}"
    if railed:
        words = f"{channel.name}: ZERO REFUSED, the converter stands at its rail; cable, cell?"
    elif unsteady:
        words = f"{words}; NOT STEADY, {unsteady}: was the train at rest and the coupler slack?"
    well = check.passed is not False and not railed and not unsteady
    details: dict[str, Any] = {
        "u_counts": reading.u,
        "drift_counts": reading.drift,
        "seconds": taking.stop_s - taking.start_s,
        "when": when,
        "accepted": not railed,
        "passed": well,
        "check": check.to_document(),
        "text": words,
    }
    event = zero_event(
        channel.name, t_s, reading.mean, sd_counts=reading.sd, n=len(reading.counts), **details
    )
    return event, words, well


def _unsteady(certificate: ForceCertificate, reading: Reading) -> str:
    """Why a zero cannot have been taken at rest; empty when it can."""
    slope = abs(certificate.tension.coefficients[1])
    limit_kN = max(certificate.zero_band_kN, 0.01 * certificate.capacity_kN)
    for what, counts in (("drift", abs(reading.drift)), ("spread", 3.0 * reading.sd)):
        if counts * slope > limit_kN:
            return f"{what} {counts * slope:.3g} kN"
    return ""


def shunt_event(
    channel: ChannelHeader,
    certificate: ForceCertificate,
    opened: Reading | None,
    shunted: Reading,
    *,
    t_s: float,
    when: str,
) -> tuple[Event, str, bool]:
    """The event of a finished shunt check, a line for the crew, and whether it passed.

    Raises
    ------
    ValueError
        The reading without the shunt has not been taken.
    """
    if opened is None:
        msg = f"{channel.name}: take the reading without the shunt first (step open)"
        raise ValueError(msg)
    check = check_shunt(certificate, shunted.counts, zero_counts=opened.mean)
    data: Mapping[str, Any] = {
        "channel": channel.name,
        "when": when,
        "step": "shunted",
        "open_counts": opened.mean,
        "shunted_counts": shunted.mean,
        "u_counts": (opened.u**2 + shunted.u**2) ** 0.5,
        "passed": check.passed,
        "check": check.to_document(),
        "text": f"{channel.name}: {check.text}",
    }
    event = Event(kind="shunt_check", t_s=t_s, data=dict(data))
    return event, str(data["text"]), check.passed is not False

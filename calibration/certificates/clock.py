"""The clock of a device: what a recorded run shows of its ticks against a receiver's pulse.

It is evidence, and changes no time: the times of a run come from the ties of its own ticks.
"""

from __future__ import annotations

import itertools
from collections.abc import Mapping
from dataclasses import dataclass, field
from datetime import date
from typing import Any, ClassVar, Final, Self

import numpy as np

from calibration.certificates.certificate import (
    CertificateError,
    digest_of,
    read_date,
    read_number,
    read_optional_date,
    read_text,
)
from calibration.clock.tick_rate import TickRate, tick_rate

__all__ = ["MOST_PULSES", "ClockCertificate"]

MOST_PULSES: Final = 2000
"""Of a longer run, pulses in even steps: the rate is worked out from those that are kept."""


@dataclass(frozen=True, kw_only=True)
class ClockCertificate:
    """A device's clock in one run; its file is described in ``certificate``."""

    kind: ClassVar[str] = "clock"

    certificate_id: str
    issued: date
    expires: date | None
    device: str
    """The device in words: its name in the run, driver."""
    serial: str
    """Its number; empty: not stated."""
    run: str
    """The run it was seen in."""
    run_digest: str
    began_utc: str
    """When the run began, ISO 8601."""
    tick_hz: float
    seconds: tuple[int, ...]
    """Of the pulses kept, after the first of them."""
    ticks: tuple[int, ...]
    """Device ticks of the same, after the first."""
    rate_ppm: float
    """Mean over the span; + the device's clock runs fast."""
    u_rate_ppm: float
    coverage_factor: float
    low_ppm: float
    high_ppm: float
    """Slowest and fastest of even pieces of the span."""
    scatter_us: float
    temperature_C: tuple[float, float] | None = None
    software: str = ""
    stated: Mapping[str, Any] = field(default_factory=dict)
    """Laboratory, customer, reference: as ``BenchSettings`` writes them."""

    def __post_init__(self) -> None:
        """Raise ``CertificateError`` for what no clock can be."""
        if len(self.seconds) != len(self.ticks):
            msg = f"seconds and ticks differ in number: {len(self.seconds)}, {len(self.ticks)}"
            raise CertificateError(msg)
        if self.expires is not None and self.expires < self.issued:
            msg = f"expires {self.expires} lies before issued {self.issued}"
            raise CertificateError(msg)
        room = self.temperature_C
        if room is not None and not -80.0 <= room[0] <= room[1] <= 150.0:
            msg = f"temperature_C must be [low, high] in [-80, 150], got {list(room)}"
            raise CertificateError(msg)

    @property
    def span_s(self) -> float:
        """From the first pulse to the last."""
        return float(self.seconds[-1]) if self.seconds else 0.0

    @property
    def digest(self) -> str:
        """Digest of the certificate as written."""
        return digest_of(self)

    def worked_out(self) -> TickRate:
        """The rate from the pulses that are kept; raises ``ValueError`` where they give none."""
        seconds, ticks = np.array(self.seconds, np.int64), np.array(self.ticks, np.int64)
        return tick_rate(seconds, ticks, self.tick_hz)

    def to_document(self) -> dict[str, Any]:
        """The JSON body, without format, version and digest."""
        room = self.temperature_C
        return {
            "certificate_id": self.certificate_id,
            "issued": self.issued.isoformat(),
            "expires": None if self.expires is None else self.expires.isoformat(),
            "device": self.device,
            "serial": self.serial,
            "run": self.run,
            "run_digest": self.run_digest,
            "began_utc": self.began_utc,
            "tick_hz": self.tick_hz,
            "rate_ppm": self.rate_ppm,
            "u_rate_ppm": self.u_rate_ppm,
            "coverage_factor": self.coverage_factor,
            "low_ppm": self.low_ppm,
            "high_ppm": self.high_ppm,
            "scatter_us": self.scatter_us,
            "temperature_C": None if room is None else list(room),
            "pulses": {"seconds": list(self.seconds), "ticks": list(self.ticks)},
            "software": self.software,
            "stated": dict(self.stated),
        }

    @classmethod
    def from_document(cls, document: Mapping[str, Any]) -> Self:
        """Inverse of :meth:`to_document`; raises ``CertificateError``."""
        pulses, stated = document.get("pulses"), document.get("stated", {})
        if not isinstance(pulses, Mapping) or not isinstance(stated, Mapping):
            msg = "pulses and stated must be tables"
            raise CertificateError(msg)
        return cls(
            certificate_id=read_text(document, "certificate_id"),
            issued=read_date(document, "issued"),
            expires=read_optional_date(document, "expires"),
            device=read_text(document, "device"),
            serial=read_text(document, "serial", ""),
            run=read_text(document, "run"),
            run_digest=read_text(document, "run_digest"),
            began_utc=read_text(document, "began_utc"),
            tick_hz=read_number(document, "tick_hz", low=1e-3),
            seconds=_whole(pulses, "seconds"),
            ticks=_whole(pulses, "ticks"),
            rate_ppm=read_number(document, "rate_ppm"),
            u_rate_ppm=read_number(document, "u_rate_ppm", low=0.0),
            coverage_factor=read_number(document, "coverage_factor", low=1.0),
            low_ppm=read_number(document, "low_ppm"),
            high_ppm=read_number(document, "high_ppm"),
            scatter_us=read_number(document, "scatter_us", low=0.0),
            temperature_C=_pair(document.get("temperature_C")),
            software=read_text(document, "software", ""),
            stated=stated,
        )


def _whole(table: Mapping[str, Any], name: str) -> tuple[int, ...]:
    values = table.get(name)
    if not isinstance(values, list) or not all(
        isinstance(v, int) and not isinstance(v, bool) and 0 <= v < 2**62 for v in values
    ):
        msg = f"pulses.{name} must be a list of whole numbers from 0"
        raise CertificateError(msg)
    if any(b <= a for a, b in itertools.pairwise(values)):
        msg = f"pulses.{name} must rise"
        raise CertificateError(msg)
    return tuple(values)


def _pair(value: object) -> tuple[float, float] | None:
    if value is None:
        return None
    if not isinstance(value, list) or len(value) != 2:
        msg = f"temperature_C must be [low, high] or null, got {value!r}"
        raise CertificateError(msg)
    low, high = (read_number({"temperature_C": v}, "temperature_C") for v in value)
    return low, high

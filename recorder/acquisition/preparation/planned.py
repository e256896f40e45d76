"""What would be recorded, known before a port is opened; told in words and as JSON."""

from __future__ import annotations

from collections.abc import Mapping
from dataclasses import asdict, dataclass, field
from pathlib import Path
from typing import Any, Final

from calibration.certificates.certificate import Certificate
from drivers.interface.driver_interface import DriverDescription, Layout, Role
from recorder.run.parts.header import ChannelHeader
from recorder.run.values.certificate_standing import Finding
from recorder.sheets import CarSheet, DeviceSheet, TripSheet

__all__ = ["DevicePlan", "Plan"]

RING_S: Final = 30.0
"""A disk may stall for seconds, a laptop's that wakes from rest for ten (from memory)."""
LEAST_SLOW_RING: Final = 2**20
"""Of devices that send some hundred records a second at most: hours of them."""
LEAST_RING: Final = 8 * 2**20
"""A load cell may be ten times as fast as its sheet gives."""
MOST_RING: Final = 64 * 2**20
"""Shared memory is half the machine's memory as a rule, for every device together."""


@dataclass(frozen=True, slots=True, kw_only=True)
class DevicePlan:
    """One device as it will be recorded."""

    sheet: DeviceSheet
    channels: tuple[ChannelHeader, ...]
    expected_hz: float
    layout: Layout
    description: DriverDescription

    @property
    def ring_bytes(self) -> int:
        """Room for half a minute: disks stall for seconds."""
        wanted = int(RING_S * self.expected_hz * (self.layout.dtype.itemsize + 4))
        least = LEAST_RING if self.description.role is Role.FORCE else LEAST_SLOW_RING
        return min(max(wanted, least), MOST_RING)


@dataclass(frozen=True, slots=True, kw_only=True)
class Plan:
    """Everything that is known before a port is opened."""

    car: CarSheet
    trip: TripSheet | None
    devices: tuple[DevicePlan, ...]
    certificates: Mapping[str, Certificate]
    """By the name channels use, the certificate's own identity."""
    texts: Mapping[str, str]
    """The certificates' files, in full."""
    signatures: Mapping[str, str] = field(default_factory=dict)
    """Files of their signatures, in full, where the car sheet trusts keys."""
    keys: Mapping[str, str] = field(default_factory=dict)
    """Public keys the car sheet trusts, in full, by the name of the laboratory."""
    findings: Mapping[str, tuple[Finding, ...]] = field(default_factory=dict)
    """How each certificate stands: serial, readings, signature."""
    signing_key: Path | None = None
    """File of the key by which the run is signed at the stop; None: it is not signed."""
    signed_by: str = ""
    """The fingerprint of that key."""
    group: int | None = None
    """Number of the group that may read journal and run file; None: their owner alone."""
    warnings: tuple[str, ...]

    @property
    def planned_hours(self) -> float:
        """Hours the trip sheet plans."""
        return 12.0 if self.trip is None else self.trip.planned_hours

    @property
    def needs_zero(self) -> bool:
        """Whether there is a force channel whose zero is not known beforehand."""
        return any(
            channel.unit == "kN"
            and (known := device.sheet.channels.get(channel.name)) is not None
            and known.zero_counts is None
            for device in self.devices
            for channel in device.channels
        )

    @property
    def bytes_per_hour(self) -> float:
        """Disk for journal and run file together, at the expected rates."""
        return self.hourly({d.sheet.name: d.expected_hz for d in self.devices})

    def hourly(self, rates_hz: Mapping[str, float]) -> float:
        """The same at given rates; never 0, events are written all the time."""
        records = sum(_bytes_per_record(d) * rates_hz[d.sheet.name] for d in self.devices)
        return 3600.0 * records + 4e6

    def describe(self) -> list[str]:
        """In words, a line each."""
        lines = [f"car: {self.car.name} {self.car.number}".rstrip()]
        if self.trip is not None:
            day = "" if self.trip.date is None else f", {self.trip.date}"
            lines.append(f"trip: {self.trip.name}{day}, {self.planned_hours:g} h planned")
            if self.trip.crew:
                lines.append(f"crew: {', '.join(self.trip.crew)}")
            lines.append(f"locomotive: {self.trip.locomotive.in_words()}")
        for device in self.devices:
            sheet = device.sheet
            lines.append(
                f"device {sheet.name}: {sheet.driver} on {sheet.port},"
                f" about {device.expected_hz:g} records/s"
            )
            for channel in device.channels:
                by = f" by certificate {channel.certificate}" if channel.certificate else ""
                lines.append(
                    f"  channel {channel.name}: {channel.quantity} in {channel.unit}"
                    f" from {channel.field}{by}"
                )
        lines.extend(self.standings)
        if self.signing_key is not None:
            lines.append(f"signed at the stop by {self.signing_key.name}, key {self.signed_by}")
        need = self.bytes_per_hour * self.planned_hours / 2**30
        lines.append(f"disk: about {need:.2f} GiB for {self.planned_hours:g} h")
        lines.extend(f"warning: {words}" for words in self.warnings)
        return lines

    @property
    def standings(self) -> list[str]:
        """How each certificate stands, in words, a line each."""
        return [
            " ".join(f"certificate {name}: {'; '.join(f.words for f in found)}".split())
            for name, found in self.findings.items()
        ]

    def to_dict(self) -> dict[str, Any]:
        """JSON-ready."""
        return {
            "car": self.car.name,
            "trip": None if self.trip is None else self.trip.name,
            "planned_hours": self.planned_hours,
            "bytes_per_hour": self.bytes_per_hour,
            "devices": [
                {
                    "name": d.sheet.name,
                    "driver": d.sheet.driver,
                    "port": d.sheet.port,
                    "expected_hz": d.expected_hz,
                    "channels": [
                        {
                            "name": c.name,
                            "quantity": c.quantity,
                            "unit": c.unit,
                            "field": c.field,
                            "certificate": c.certificate or None,
                        }
                        for c in d.channels
                    ],
                }
                for d in self.devices
            ],
            "certificates": {
                name: {
                    "kind": c.kind,
                    "issued": c.issued.isoformat(),
                    "expires": None if c.expires is None else c.expires.isoformat(),
                    "digest": c.digest,
                    "standing": [asdict(f) for f in self.findings.get(name, ())],
                }
                for name, c in self.certificates.items()
            },
            "signed_by": self.signed_by or None,
            "group": self.car.recording.group or None,
            "warnings": list(self.warnings),
        }


def _bytes_per_record(device: DevicePlan) -> float:
    """Journal and run file: raw twice, time, and value with flags for each channel.

    A tenth more for overviews, tables of blocks and the database's pages.
    """
    return 1.1 * (2 * device.layout.dtype.itemsize + 8 + 9 * len(device.channels))

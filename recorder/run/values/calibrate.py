"""The one road from raw records to calibrated values: used live, at the seal, and after."""

from __future__ import annotations

from datetime import UTC, date, datetime
from typing import TYPE_CHECKING, Any, NamedTuple, TypeGuard

import numpy as np

from calibration.certificates.certificate import (
    Certificate,
    CertificateError,
    parse_certificate,
)
from calibration.certificates.force import ForceCertificate
from calibration.quantities import flags as flag_bits
from recorder.run.checks.zero_line import Zero, ZeroLine, zero_lines
from recorder.run.parts.errors import RunFileError
from recorder.run.parts.event import Event, EventKind
from recorder.run.parts.gap import Gap
from recorder.run.values.wheel_distance import ILLEGAL_QUADRATURE, WheelBase

if TYPE_CHECKING:
    from collections.abc import Iterable, Mapping

    from numpy.typing import NDArray

    from calibration.certificates.wheel import WheelCertificate
    from recorder.run.parts.header import ChannelHeader, RunHeader

__all__ = [
    "Calibrated",
    "Calibrator",
    "day_of",
    "force_certificates",
    "is_wheel",
    "parse_certificates",
]


class Calibrated(NamedTuple):
    """Values of one channel, (n,) each."""

    values: NDArray[np.float64]
    """In the channel's unit; NaN where there is none."""
    flags: NDArray[np.uint8]
    """Bits of ``calibration.quantities.flags``."""


def force_certificates(
    header: RunHeader, certificates: Mapping[str, Certificate]
) -> dict[str, ForceCertificate]:
    """Channel → the certificate its force is made by; ``certificates`` by the names channels
    use.
    """
    held = {c.name: certificates.get(c.certificate) for c in header.channels}
    return {name: found for name, found in held.items() if isinstance(found, ForceCertificate)}


def parse_certificates(header: RunHeader) -> dict[str, Certificate]:
    """The certificates of a run by the names its channels use.

    Raises
    ------
    RunFileError
        A certificate does not read, or a channel names one the run does not hold.
    """
    certificates = {}
    for name, text in header.certificates.items():
        try:
            certificates[name] = parse_certificate(text, source=f"certificate {name!r}")
        except CertificateError as error:
            raise RunFileError(str(error)) from error
    for device in header.devices:
        for channel in device.channels:
            if channel.certificate and channel.certificate not in certificates:
                msg = (
                    f"channel {channel.name} of {device.name}: certificate"
                    f" {channel.certificate!r} is not in the run;"
                    f" held: {', '.join(certificates) or 'none'}"
                )
                raise RunFileError(msg)
    return certificates


def day_of(header: RunHeader) -> date:
    """The day (UTC) the run began, against which certificates expire."""
    return datetime.fromtimestamp(header.started_utc_ns / 1e9, UTC).date()


def is_wheel(certificate: Certificate | None) -> TypeGuard[WheelCertificate]:
    """Whether it is a wheel's. By its kind: the class brings libraries along that a recording
    without a wheel is not to wait for."""
    return certificate is not None and certificate.kind == "wheel"


class Calibrator:
    """Calibrates a run's records as they come, each device's in order.

    The zero of a force channel is the line through the zeros noted so far; the certificate's
    own before the first. Live, that is the newest zero; at the seal all are noted beforehand.
    """

    def __init__(self, header: RunHeader) -> None:
        """Raises :class:`RunFileError` as :func:`parse_certificates`."""
        self.certificates = parse_certificates(header)
        self._on = day_of(header)
        self._devices = {device.name: device for device in header.devices}
        self._zeros: dict[str, list[Zero]] = {}
        self._lines: dict[str, ZeroLine] = {}
        self._wheels: dict[str, WheelBase] = {}
        for device in header.devices:
            for channel in device.channels:
                certificate = self.certificates.get(channel.certificate)
                if is_wheel(certificate) and device.name not in self._wheels:
                    self._wheels[device.name] = WheelBase(channel.field, certificate)

    def note(self, event: Event) -> None:
        """Take up a zero, or a gap that says of a restart ahead; other kinds are passed over."""
        if event.kind == EventKind.ZERO:
            self.note_zeros([Zero.from_event(event)])
        elif event.kind == EventKind.GAP:
            gap = Gap.from_dict(event.data)
            if gap.cause.restarts_count and gap.device in self._wheels:
                self._wheels[gap.device].restarts.add(gap.before_record)

    def note_zeros(self, zeros: Iterable[Zero]) -> None:
        """Take up zeros and revisions of zeros; refused ones change nothing."""
        for zero in zeros:
            held = self._zeros.setdefault(zero.channel, [])
            held.append(zero)
            line = ZeroLine.through(held)
            if line is not None:
                self._lines[zero.channel] = line
            else:
                self._lines.pop(zero.channel, None)

    def hold_zeros(self, zeros: Iterable[Zero]) -> None:
        """These zeros and no others from now on, one a channel; the certificate's own for the
        rest. What a live view does: it is told which zero holds, and when one is withdrawn."""
        self._zeros = {zero.channel: [zero] for zero in zeros}
        self._lines = zero_lines(z for held in self._zeros.values() for z in held)

    def calibrate(
        self, device: str, records: NDArray[np.void], time_s: NDArray[np.float64]
    ) -> dict[str, Calibrated]:
        """The next (n,) records of a device, with their (n,) rising run times, by channel.

        Channels without a field have no counts and are left out. ``speed`` of a wheel is NaN
        here: it is worked out over whole stretches.
        """
        header = self._devices[device]
        base = self._wheels.get(device)
        origin = 0 if base is None or not len(records) else base.advance(records, time_s)
        return {
            channel.name: self._channel(channel, records, time_s, origin)
            for channel in header.channels
            if channel.field
        }

    def _channel(
        self,
        channel: ChannelHeader,
        records: NDArray[np.void],
        time_s: NDArray[np.float64],
        origin: int | NDArray[np.int64],
    ) -> Calibrated:
        certificate = self.certificates.get(channel.certificate)
        if isinstance(certificate, ForceCertificate):
            line = self._lines.get(channel.name)
            zero = certificate.nominal_zero_counts if line is None else line.along(time_s)
            raw = np.ascontiguousarray(records[channel.field])
            force = certificate.to_force(raw, zero_counts=zero)
            return Calibrated(force, _force_flags(certificate, raw, force, self._on))
        if is_wheel(certificate):
            flags = _wheel_flags(certificate, records, self._on)
            if channel.quantity == "speed":
                return Calibrated(np.full(len(records), np.nan), flags)
            # Whole numbers are taken off as whole numbers: exact at any count.
            counts = np.asarray(records[channel.field], dtype=np.int64) - origin
            return Calibrated(np.asarray(certificate.to_distance(counts)), flags)
        values = np.asarray(records[channel.field], dtype=np.float64)
        return Calibrated(values, np.zeros(len(values), np.uint8))


def _force_flags(
    certificate: ForceCertificate, raw: NDArray[Any], force: NDArray[np.float64], on: date
) -> NDArray[np.uint8]:
    """Flags of every sample; when the extremes are in order, so is what lies between."""
    if len(raw):
        ends = certificate.flags(
            np.array([raw.min(), raw.max()]), np.array([force.min(), force.max()]), on=on
        )
        if not np.any(ends & (flag_bits.SATURATED | flag_bits.OUT_OF_RANGE)):
            return np.full(len(raw), ends[0], np.uint8)
    return certificate.flags(raw, force, on=on)


def _wheel_flags(
    certificate: WheelCertificate, records: NDArray[np.void], on: date
) -> NDArray[np.uint8]:
    flags = np.zeros(len(records), np.uint8)
    if certificate.is_expired(on):
        flags |= np.uint8(flag_bits.EXPIRED)
    if "flags" in (records.dtype.names or ()):
        flags[(records["flags"] & ILLEGAL_QUADRATURE) != 0] |= np.uint8(flag_bits.SUSPECT)
    return flags

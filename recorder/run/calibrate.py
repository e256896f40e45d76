"""The one road from raw records to calibrated values: used live, at the seal, and after."""

from __future__ import annotations

from dataclasses import dataclass
from datetime import UTC, date, datetime
from typing import TYPE_CHECKING, Any, Final, TypeAlias

import numpy as np

from calibration.certificates.certificate import (
    Certificate,
    CertificateError,
    parse_certificate,
)
from calibration.certificates.force import ForceCertificate
from calibration.quantities import flags as flag_bits
from recorder.run.errors import RunFileError
from recorder.run.event import Event, EventKind
from recorder.run.gap import Gap

if TYPE_CHECKING:
    from collections.abc import Iterable, Mapping

    from numpy.typing import ArrayLike, NDArray

    from calibration.certificates.wheel import WheelCertificate
    from recorder.run.header import ChannelHeader, DeviceHeader, RunHeader

    Calibrated: TypeAlias = dict[str, tuple[NDArray[np.float64], NDArray[np.uint8]]]

__all__ = [
    "Calibrator",
    "ZeroLine",
    "calibrate_records",
    "day_of",
    "parse_certificates",
    "zero_event",
    "zero_lines",
]

"""Causes of a gap after which ticks or counts begin anew."""

FASTEST_M_S: Final = 150.0
"""No train: a count that moved faster did not move, it began anew."""
SLACK_M: Final = 10.0
ILLEGAL_QUADRATURE: Final = 2
"""Bit of a wheel record's own flags."""


@dataclass(frozen=True, slots=True)
class ZeroLine:
    """Zeros taken at several times; straight lines between them, level outside."""

    t_s: NDArray[np.float64]
    """(k,) rising, k ≥ 1."""
    counts: NDArray[np.float64]
    """(k,) counts with no force on the coupler."""

    def at(self, time_s: ArrayLike) -> NDArray[np.float64]:
        """Zero in counts at (...) run times, s."""
        return np.asarray(
            np.interp(np.asarray(time_s, dtype=np.float64), self.t_s, self.counts)
        )


def zero_event(
    channel: str,
    t_s: float,
    counts: float,
    *,
    sd_counts: float = 0.0,
    n: int = 0,
    **more: object,
) -> Event:
    """The event a zero is kept as: of kind zero, data ``channel, counts, sd_counts, n``."""
    data = {"channel": channel, "counts": counts, "sd_counts": sd_counts, "n": n, **more}
    return Event(kind=EventKind.ZERO, t_s=t_s, data=data)


def zero_lines(events: Iterable[Event]) -> dict[str, ZeroLine]:
    """Zero lines by channel from the ``zero`` events of a run; unusable ones are left out."""
    taken: dict[str, list[tuple[float, float]]] = {}
    for event in events:
        if (found := _zero_of(event)) is not None:
            taken.setdefault(found[0], []).append((event.t_s, found[1]))
    lines = {}
    for channel, points in taken.items():
        # The last of several at one instant holds.
        t_s, counts = zip(*sorted(dict(points).items()), strict=True)
        lines[channel] = ZeroLine(np.array(t_s, np.float64), np.array(counts, np.float64))
    return lines


def _zero_of(event: Event) -> tuple[str, float] | None:
    channel, counts = event.data.get("channel"), event.data.get("counts")
    if event.kind != EventKind.ZERO or not isinstance(channel, str) or isinstance(counts, bool):
        return None
    if (
        not isinstance(counts, int | float)
        or not np.isfinite(counts)
        or not np.isfinite(event.t_s)
    ):
        return None
    return (channel, float(counts)) if event.data.get("accepted", True) else None


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


def calibrate_records(
    device: DeviceHeader,
    certificates: Mapping[str, Certificate],
    records: NDArray[np.void],
    zeros: Mapping[str, float | ZeroLine | NDArray[Any]],
    *,
    time_s: NDArray[np.float64] | None = None,
    on: date | None = None,
) -> Calibrated:
    """Counts to values and flags, for every channel of one device.

    Parameters
    ----------
    records : (n,) in the device's layout
    zeros
        By channel: counts at no force (a force cell), or the count where distance is 0 (a
        wheel), as a number, a line over time, or one per record. Without one a cell's nominal
        zero holds, and distance is 0 where the count is 0.
    time_s : (n,) float64, optional
        Run time of the records; needed when a zero is a line.
    on
        Day of the run; None leaves expiry unasked.

    Returns
    -------
    dict
        Channel → ((n,) float64 in the channel's unit, (n,) uint8 of ``flags``).
        ``speed`` of a wheel is NaN here: it is worked out over whole stretches.
    """
    return {
        channel.name: _calibrate(
            channel, certificates.get(channel.certificate), records, zeros, time_s, on
        )
        for channel in device.channels
        if channel.field
    }


def _calibrate(
    channel: ChannelHeader,
    certificate: Certificate | None,
    records: NDArray[np.void],
    zeros: Mapping[str, float | ZeroLine | NDArray[Any]],
    time_s: NDArray[np.float64] | None,
    on: date | None,
) -> tuple[NDArray[np.float64], NDArray[np.uint8]]:
    raw = records[channel.field]
    zero = zeros.get(channel.name)
    if isinstance(zero, ZeroLine):
        # One zero, or none needed over time, stays a plain number: no array to build.
        zero = (
            float(zero.counts[0])
            if len(zero.counts) == 1 or time_s is None
            else zero.at(time_s)
        )
    if isinstance(certificate, ForceCertificate):
        held = certificate.nominal_zero_counts if zero is None else zero
        raw = np.ascontiguousarray(raw)
        force = certificate.to_force(raw, zero_counts=held)
        return force, _force_flags(certificate, raw, force, on)
    if certificate is not None and certificate.kind == "wheel":
        return _wheel(channel, certificate, records, zero, on)
    values = np.asarray(raw, dtype=np.float64)
    return values if zero is None else values - zero, np.zeros(len(raw), np.uint8)


def _force_flags(
    certificate: ForceCertificate,
    raw: NDArray[Any],
    force: NDArray[np.float64],
    on: date | None,
) -> NDArray[np.uint8]:
    """Flags of every sample; when the extremes are in order, so is what lies between."""
    if len(raw):
        ends = certificate.flags(
            np.array([raw.min(), raw.max()]), np.array([force.min(), force.max()]), on=on
        )
        if not np.any(ends & (flag_bits.SATURATED | flag_bits.OUT_OF_RANGE)):
            return np.full(len(raw), ends[0], np.uint8)
    return certificate.flags(raw, force, on=on)


def _wheel(
    channel: ChannelHeader,
    certificate: Certificate,
    records: NDArray[np.void],
    zero: float | NDArray[Any] | None,
    on: date | None,
) -> tuple[NDArray[np.float64], NDArray[np.uint8]]:
    flags = np.zeros(len(records), np.uint8)
    if on is not None and certificate.expires is not None and on > certificate.expires:
        flags |= np.uint8(flag_bits.EXPIRED)
    if "flags" in (records.dtype.names or ()):
        flags[(records["flags"] & ILLEGAL_QUADRATURE) != 0] |= np.uint8(flag_bits.SUSPECT)
    if channel.quantity == "speed":
        return np.full(len(records), np.nan), flags
    counts = np.asarray(records[channel.field], dtype=np.int64)
    if zero is not None:
        # Whole numbers are taken off as whole numbers: exact at any count.
        counts = counts - np.asarray(zero).astype(np.int64)
    wheel: WheelCertificate = certificate  # type: ignore[assignment]
    return np.asarray(wheel.to_distance(counts), dtype=np.float64), flags


class Calibrator:
    """Calibrates a run's records as they come: keeps zeros, and distance over restarts.

    Distance is 0 at the first record of the run. Where the counter began anew distance goes on
    from where it was (the gap says that something is missing).
    """

    def __init__(self, header: RunHeader) -> None:
        self.certificates = parse_certificates(header)
        self.on = day_of(header)
        self._devices = {device.name: device for device in header.devices}
        self._zeros: dict[str, float | ZeroLine] = {}
        self._wheels: dict[str, _WheelBase] = {}
        for device in header.devices:
            for channel in device.channels:
                certificate = self.certificates.get(channel.certificate)
                if certificate is not None and certificate.kind == "wheel":
                    self._wheels.setdefault(device.name, _WheelBase(channel, certificate))

    def note(self, event: Event) -> None:
        """Take up a ``zero`` (holds from now on) or a ``gap`` (a restart ahead)."""
        if (found := _zero_of(event)) is not None:
            self._zeros[found[0]] = found[1]
        elif event.kind == EventKind.GAP and Gap.from_dict(event.data).cause.restarts_count:
            base = self._wheels.get(str(event.data.get("device")))
            before = event.data.get("before_record")
            if base is not None and isinstance(before, int):
                base.restarts.add(before)

    def use_lines(self, events: Iterable[Event]) -> None:
        """Replace the zeros by lines through all zeros of the run (the seal pass)."""
        self._zeros = dict(zero_lines(events))

    def calibrate(
        self, device: str, records: NDArray[np.void], time_s: NDArray[np.float64]
    ) -> Calibrated:
        """Values and flags of the next records of a device, in order."""
        zeros: dict[str, float | ZeroLine | NDArray[Any]] = dict(self._zeros)
        base = self._wheels.get(device)
        if base is not None and len(records):
            held = base.advance(records, time_s)
            zeros.update({c.name: held for c in self._devices[device].channels})
        return calibrate_records(
            self._devices[device], self.certificates, records, zeros, time_s=time_s, on=self.on
        )


class _WheelBase:
    """The count at which distance is 0, stretch by stretch."""

    def __init__(self, channel: ChannelHeader, certificate: Certificate) -> None:
        wheel: WheelCertificate = certificate  # type: ignore[assignment]
        self.field = channel.field
        self.m_per_count = abs(float(np.asarray(wheel.to_distance(np.array([1])))[0]))
        self.restarts: set[int] = set()
        self._seen = 0
        self._base = 0
        self._last: tuple[int, int, float] | None = None

    def advance(
        self, records: NDArray[np.void], time_s: NDArray[np.float64]
    ) -> int | NDArray[np.int64]:
        """Base count of the next (n,) records: one number, or (n,) where it changes."""
        counts = np.asarray(records[self.field], dtype=np.int64)
        ticks = np.asarray(records["tick"], dtype=np.uint64)
        first = (int(counts[0]), int(ticks[0]), float(time_s[0]))
        if self._last is None:
            self._base, self._last = first[0], first
        step = np.diff(counts, prepend=self._last[0])
        took = np.maximum(np.diff(time_s, prepend=self._last[2]), 0.0)
        back = np.append(ticks[0] < np.uint64(self._last[1]), ticks[1:] < ticks[:-1])
        odd = back | (np.abs(step) * self.m_per_count > FASTEST_M_S * took + SLACK_M)
        named = [r - self._seen for r in self.restarts if 0 <= r - self._seen < len(records)]
        odd[named] = True
        base: int | NDArray[np.int64] = self._base
        if odd.any():
            shift = np.zeros(len(records), np.int64)
            for i in np.flatnonzero(odd):
                moved = 0 if i in named else self._moved(int(step[i]), float(took[i]))
                shift[i] = int(step[i]) - moved
            base = self._base + np.cumsum(shift)
            self._base = int(base[-1])
        self._last = (int(counts[-1]), int(ticks[-1]), float(time_s[-1]))
        self._seen += len(records)
        return base

    def _moved(self, step: int, took_s: float) -> int:
        """Counts really moved over an odd step: 32-bit wrap undone, or nothing (a restart)."""
        wrapped = (step + 2**31) % 2**32 - 2**31
        reach = FASTEST_M_S * took_s + SLACK_M
        return wrapped if abs(wrapped) * self.m_per_count <= reach else 0

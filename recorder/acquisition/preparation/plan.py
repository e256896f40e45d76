"""Sheets, certificates and drivers brought together into a plan, and checked."""

from __future__ import annotations

from datetime import UTC, date, datetime
from pathlib import Path
from typing import Final

import numpy as np

from calibration.certificates.signature import SignatureError, key_of
from calibration.certificates.signing_key import load_signing_key
from calibration.quantities.printable import error_line
from drivers.interface.driver_interface import DriverDescription, Layout, Role
from drivers.interface.errors import SetupError
from drivers.interface.registry import DRIVERS, description_of, layout_of
from recorder.acquisition.preparation.held_certificates import HeldCertificates
from recorder.acquisition.preparation.planned import DevicePlan, Plan
from recorder.machine.private_files import group_number
from recorder.machine.version import BUILT_ON
from recorder.marks.kinds import check_keys
from recorder.run.parts.header import ChannelHeader
from recorder.run.parts.quantities import COUNTS, PULSES, WHEEL_FIELD, made_unit, run_unit
from recorder.run.values.certificate_standing import in_order
from recorder.sheets import CarSheet, ChannelSheet, DeviceSheet, SheetError, TripSheet
from recorder.sheets.sheet_table import likely

__all__ = ["make_plan"]

_UNKNOWN: Final = DriverDescription(role=Role.FORCE, usual_hz=100.0, host_clock=False)
"""Stands for a driver that does not exist, while the other problems of a sheet are gathered."""
_NO_LAYOUT: Final = Layout(dtype=np.dtype([("tick", "<u8")]), tick_hz=1.0)
_GNSS_CHANNELS: Final = (
    ("latitude", "latitude_deg"),
    ("longitude", "longitude_deg"),
    ("altitude", "altitude_m"),
    ("gnss_speed", "speed_m_s"),
    ("gnss_course", "course_deg"),
)
_KINDS: Final = {Role.FORCE: "force", Role.WHEEL: "wheel"}
"""The kind of certificate a device's channels take; a receiver's take none."""


def make_plan(
    car: CarSheet,
    trip: TripSheet | None = None,
    *,
    on: date | None = None,
    allow_expired: bool = False,
) -> Plan:
    """Bring sheets and certificates together.

    Parameters
    ----------
    on
        Day of UTC against which certificates expire, as in the run; None is today.
    allow_expired
        Record with an expired certificate all the same: every value carries the flag.

    Raises
    ------
    SheetError
        Something cannot be recorded as the sheets say; ``problems`` holds each, in one line.
    """
    today = datetime.now(UTC).date()
    maker = _PlanMaker(car, on or today, allow_expired=allow_expired)
    if on is None and today < BUILT_ON:
        maker.warnings.append(
            f"the computer's clock says {today}, before this version was made: set it, for expiry"
            " of certificates is looked at by it"
        )
    return maker.make(trip)


class _PlanMaker:
    def __init__(self, car: CarSheet, on: date, *, allow_expired: bool) -> None:
        self.car = car
        self.problems: list[str] = []
        self.warnings: list[str] = []
        self._channels: set[str] = set()
        self.held = HeldCertificates(
            car,
            on,
            allow_expired=allow_expired,
            problem=self._problem,
            warn=self.warnings.append,
        )

    def make(self, trip: TripSheet | None) -> Plan:
        for words in check_keys(self.car.keys):
            self.problems.append(f"{self.car.source} [marks.keys]: {words}")
        devices = tuple(self._device(sheet) for sheet in self.car.devices.values())
        if trip is not None and trip.route_path is not None and not trip.route_path.is_file():
            self.warnings.append(f"{trip.source} [route]: no file {trip.route_path}")
        for name in self.car.pens:
            if name not in self._channels and name != "power":
                known = sorted(self._channels | {"power"})
                self.warnings.append(
                    f"{self.car.source} [pens.{name}]: no such channel"
                    f"{likely(name, known)}; there are {', '.join(known)}"
                )
        group, signed_by = self._group(), self._signed_by()
        if self.problems:
            raise SheetError(self.problems)
        return Plan(
            car=self.car,
            trip=trip,
            devices=devices,
            certificates=self.held.certificates,
            texts=self.held.texts,
            signatures=self.held.signatures,
            keys=self.held.keys,
            findings={name: in_order(found) for name, found in self.held.findings.items()},
            group=group,
            signing_key=self._signing_key,
            signed_by=signed_by,
            warnings=tuple(self.warnings),
        )

    @property
    def _signing_key(self) -> Path | None:
        named = self.car.recording.signing_key
        return self.car.certificate_path(named).absolute() if named else None

    def _signed_by(self) -> str:
        """The fingerprint of the car's key, which is opened to see that it can be."""
        if self._signing_key is None:
            return ""
        try:
            key = load_signing_key(self._signing_key)
        except (SignatureError, OSError) as error:
            self._problem("recording", f"signing_key: {error_line(error)}")
            return ""
        return key_of(key.public_key()).fingerprint

    def _group(self) -> int | None:
        """The group that may read what is recorded; None: nobody but the owner."""
        if not self.car.recording.group:
            return None
        try:
            return group_number(self.car.recording.group)
        except ValueError as error:
            self._problem("recording", str(error))
            return None

    def _problem(self, where: str, words: str) -> None:
        # A file may name itself over several lines; a problem is one.
        self.problems.append(f"{self.car.source} [{where}]: {' '.join(words.split())}")

    def _device(self, sheet: DeviceSheet) -> DevicePlan:
        where = f"devices.{sheet.name}"
        layout = self._layout(where, sheet)
        description = _description(sheet)
        _check_port(self, where, sheet.port)
        self._timing(where, sheet, description)
        if description.role is Role.WHEEL:
            channels = self._wheel(where, sheet)
        elif description.role is Role.RECEIVER and not sheet.channels:
            channels = [self._channel(sheet, n, n, f) for n, f in _GNSS_CHANNELS]
        else:
            channels = [self._wired(where, sheet, c) for c in sheet.channels.values()]
        self._check_used(where, sheet)
        if sheet.clock_certificate:
            self.held.read(where, sheet.clock_certificate, "clock", None)
        if not channels and description.role is Role.FORCE:
            self.warnings.append(
                f"{self.car.source} [{where}]: no channel is wired; only raw"
                " counts are recorded"
            )
        fields = layout.dtype.names or ()
        for channel in channels:
            if layout is not _NO_LAYOUT and channel.field not in fields:
                self._problem(
                    where,
                    f"channel {channel.name}: no field {channel.field!r}"
                    f"{likely(channel.field, fields) or ';'} allowed: {', '.join(fields)}",
                )
        return DevicePlan(
            sheet=sheet,
            channels=tuple(channels),
            expected_hz=sheet.expected_hz or description.usual_hz,
            layout=layout,
            description=description,
        )

    def _timing(self, where: str, sheet: DeviceSheet, description: DriverDescription) -> None:
        """Keys that would do nothing where they stand are refused: a crew relies on them."""
        if sheet.timing.delay_s is not None and description.role is not Role.RECEIVER:
            self._problem(f"{where}.timing", "delay_s is a receiver's; give it in that table")
        if sheet.timing.latency_s is not None and description.host_clock:
            words = "latency_s: this device's records are stamped by the computer; give delay_s"
            self._problem(f"{where}.timing", words)

    def _layout(self, where: str, sheet: DeviceSheet) -> Layout:
        if sheet.driver not in DRIVERS:
            self._problem(
                where,
                f"unknown driver {sheet.driver!r}{likely(sheet.driver, DRIVERS)}"
                f" known: {', '.join(sorted(DRIVERS))}",
            )
            return _NO_LAYOUT
        try:
            return layout_of(sheet.driver, device_id=sheet.name, options=sheet.options)
        except SetupError as error:
            self._problem(where, error.message)
            return _NO_LAYOUT

    def _wheel(self, where: str, sheet: DeviceSheet) -> list[ChannelHeader]:
        if sheet.channels:
            return [self._wired(where, sheet, c) for c in sheet.channels.values()]
        if not sheet.certificate:
            self.warnings.append(
                f"{self.car.source} [{where}]: no certificate; pulses, no distance or speed"
            )
            return [self._channel(sheet, "pulses", PULSES, WHEEL_FIELD)]
        name = self.held.read(where, sheet.certificate, "wheel", sheet.serial)
        return [
            self._channel(sheet, q, q, WHEEL_FIELD, name, sheet.serial)
            for q in ("distance", "speed")
        ]

    def _wired(self, where: str, sheet: DeviceSheet, channel: ChannelSheet) -> ChannelHeader:
        where = f"{where}.channels.{channel.name}"
        file = channel.certificate or _certificate_of_all(sheet, channel)
        kind = _KINDS.get(_description(sheet).role, "")
        if file and not kind:
            self._problem(
                where,
                f"certificate {file} is of no use: a receiver's fields are in their units already;"
                " take certificate away",
            )
            file = ""
        elif channel.certificate and kind == "wheel" and channel.field != WHEEL_FIELD:
            self._problem(
                where,
                f"certificate {file} is of no use for field {channel.field!r}: a wheel's"
                f" certificate is for {WHEEL_FIELD}; take certificate away, or give"
                f' field = "{WHEEL_FIELD}"',
            )
            file = ""
        serial = channel.serial or (sheet.serial if file and kind == "wheel" else "")
        self._check_serial(where, serial, file)
        name = self.held.read(where, file, kind, serial) if file else ""
        if name:
            self.held.check_indicated(where, name, channel.field)
        held = self._channel(sheet, channel.name, channel.quantity, channel.field, name, serial)
        self._check_unit(where, held, failed=bool(file) and not name)
        return held

    def _check_serial(self, where: str, serial: str, certificate: str) -> None:
        if serial and not certificate:
            words = f"serial {serial!r} is of no use without a certificate to hold it against"
            self._problem(where, f"{words}; name one beside it, or take serial away")

    def _check_unit(self, where: str, channel: ChannelHeader, *, failed: bool) -> None:
        """What has no certificate is counts; what cannot be the quantity is refused."""
        if channel.measures or failed:
            return
        if channel.unit in (COUNTS, PULSES):
            self.warnings.append(f"{self.car.source} [{where}]: {channel.unmeasured}")
            return
        by = "its certificate makes" if channel.certificate else f"{channel.field} is in"
        self._problem(
            where,
            f"quantity {channel.quantity!r} is in {run_unit(channel.quantity)}, and {by}"
            f" {channel.unit}; allowed: a quantity in {channel.unit}, or a name of your own;"
            " mend quantity",
        )

    def _check_used(self, where: str, sheet: DeviceSheet) -> None:
        """A certificate beside the port is for a wheel's channels that state none themselves."""
        own = any(c.certificate for c in sheet.channels.values())
        if sheet.serial and (_description(sheet).role is not Role.WHEEL or not own):
            self._check_serial(where, sheet.serial, sheet.certificate)
        if not sheet.certificate or sheet.driver not in DRIVERS:
            return
        role = _description(sheet).role
        used = [c.name for c in sheet.channels.values() if _certificate_of_all(sheet, c)]
        if role is Role.WHEEL and (used or not sheet.channels):
            return
        what = {
            Role.FORCE: f"a load cell's stands at its channel: move it to [{where}.channels.ch0]",
            Role.WHEEL: f"no channel from {WHEEL_FIELD} is without one of its own: take it away",
        }.get(role, "a receiver has none: take it away")
        self._problem(where, f"certificate {sheet.certificate} is used by no channel; {what}")

    def _channel(
        self,
        sheet: DeviceSheet,
        name: str,
        quantity: str,
        field: str,
        certificate: str = "",
        serial: str = "",
    ) -> ChannelHeader:
        if name in self._channels:
            name = f"{sheet.name}_{name}"
        self._channels.add(name)
        unit = made_unit(quantity, field, certified=bool(certificate))
        return ChannelHeader(
            name=name,
            quantity=quantity,
            unit=unit,
            field=field,
            certificate=certificate,
            serial=serial,
        )


def _description(sheet: DeviceSheet) -> DriverDescription:
    if sheet.driver not in DRIVERS:
        return _UNKNOWN
    return description_of(sheet.driver, device_id=sheet.name)


def _certificate_of_all(sheet: DeviceSheet, channel: ChannelSheet) -> str:
    """The certificate beside the port of a wheel, where it is the channel's; else empty."""
    own = channel.certificate or channel.field != WHEEL_FIELD
    return "" if own or _description(sheet).role is not Role.WHEEL else sheet.certificate


def _check_port(maker: _PlanMaker, where: str, port: str) -> None:
    if port.startswith("/dev/") and not Path(port).exists():
        maker.warnings.append(f"{maker.car.source} [{where}]: port {port} is not there now")

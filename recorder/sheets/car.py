"""The car sheet: the test car, its devices, channels, certificates, mark keys and pens."""

from __future__ import annotations

import re
import zoneinfo
from collections.abc import Mapping
from dataclasses import dataclass, field
from pathlib import Path
from typing import Any, Final

from recorder.sheets.errors import SheetError
from recorder.sheets.recording import RecordingSheet, recording_sheet
from recorder.sheets.sheet_table import SheetTable, likely, read_text_file, read_toml, shown

__all__ = [
    "CarSheet",
    "ChannelSheet",
    "DeviceSheet",
    "PenSheet",
    "TimingSheet",
    "load_car_sheet",
    "parse_car_sheet",
]

_NAME: Final = re.compile(r"[a-z][a-z0-9_-]{0,39}\Z")
_FIELD: Final = re.compile(r"ch(\d|1[0-5])\Z")
_KEY: Final = re.compile(r"([!-~]|F([1-9]|1[0-2])|Space|[À-ž])\Z")
_USUAL_FIELDS: Final = {
    "distance": "count",
    "speed": "count",
    "latitude": "latitude_deg",
    "longitude": "longitude_deg",
    "altitude": "altitude_m",
    "gnss_speed": "speed_m_s",
    "gnss_course": "course_deg",
}
"""Quantity → the field it is made from, where only one can be meant."""
MOST_LABORATORIES: Final = 20
"""More is no list of those that anybody knows and trusts."""
STYLES: Final = ("solid", "dashed", "dotted", "dash-dot")


@dataclass(frozen=True, slots=True, kw_only=True)
class ChannelSheet:
    """One wired channel of a device."""

    name: str
    """Unique in the car: ``pull``, ``reference`` …"""
    field: str
    """Field of the device's records: ``ch0`` …"""
    quantity: str
    certificate: str = ""
    """File of the certificate, relative to the sheet; empty: counts as they are."""
    role: str = ""
    """What the channel is for, in words; ``reference`` marks a reference cell."""
    zero_counts: float | None = None
    """A zero already known, in counts; none is taken then."""
    zero_u_counts: float | None = None
    """Its standard uncertainty; None when it is not known."""
    serial: str = ""
    """Serial number that stands on the cell (or wheel); a certificate of another is refused."""


@dataclass(frozen=True, slots=True, kw_only=True)
class DeviceSheet:
    """One device on one port."""

    name: str
    driver: str
    port: str
    options: Mapping[str, Any] = field(default_factory=dict)
    """Handed to the driver: ``baud_bd``, ``read_timeout_s``, ``silence_limit_s``,
    ``channels`` and whatever else it knows."""
    channels: Mapping[str, ChannelSheet] = field(default_factory=dict)
    certificate: str = ""
    """File of the wheel's certificate, relative to the sheet."""
    serial: str = ""
    """Serial number of the wheel, for the channels that state none themselves."""
    clock_certificate: str = ""
    """File of what is known of its clock, relative to the sheet: kept, and used for no time."""
    expected_hz: float | None = None
    """Records per second the device should send; None when the sheet does not say."""
    timing: TimingSheet = field(default_factory=lambda: TimingSheet())


@dataclass(frozen=True, slots=True, kw_only=True)
class TimingSheet:
    """What is known of a device's timing: ``[devices.NAME.timing]``. None: nobody says."""

    latency_s: float | None = None
    """Least time from a sample to its last byte being in hand."""
    u_latency_s: float | None = None
    """Its standard uncertainty."""
    delay_s: float | None = None
    """Of a receiver: least delay from the second to the first byte of its first sentence."""
    u_delay_s: float | None = None
    """Its standard uncertainty."""
    pulses_checked: bool = False
    """The edge that is counted of pulses per second was checked to be the one on the second."""


@dataclass(frozen=True, slots=True, kw_only=True)
class PenSheet:
    """Scale and look of one pen; ``low`` and ``high`` in the SI unit of the channel."""

    low: float
    high: float
    style: str = "solid"


@dataclass(frozen=True, slots=True, kw_only=True)
class CarSheet:
    """The whole car sheet. Immutable."""

    name: str
    number: str = ""
    time_zone: str = "UTC"
    units: str = "metric"
    devices: Mapping[str, DeviceSheet]
    keys: Mapping[str, str] = field(default_factory=dict)
    """Key → kind of mark, over the usual keys."""
    pens: Mapping[str, PenSheet] = field(default_factory=dict)
    recording: RecordingSheet = field(default_factory=RecordingSheet)
    laboratories: Mapping[str, str] = field(default_factory=dict)
    """Laboratories whose signatures are trusted → file of the public key, relative to the sheet;
    empty: no signature is asked for."""
    source: str = "car sheet"
    """Name used in messages."""
    folder: Path | None = None
    """Where the sheet lies; certificates are found from here."""
    text: str = ""
    """The sheet as it was read, in full."""

    def certificate_path(self, certificate: str) -> Path:
        """Where a certificate or key named in the sheet lies."""
        path = Path(certificate)
        return path if path.is_absolute() or self.folder is None else self.folder / path


def load_car_sheet(path: str | Path) -> CarSheet:
    """Read a car sheet from a file.

    Raises
    ------
    SheetError
        The sheet cannot be used; its ``problems`` hold every one found.
    OSError
        The file cannot be read.
    """
    where = Path(path)
    return parse_car_sheet(
        read_text_file(where), source=where.name, folder=where.absolute().parent
    )


def parse_car_sheet(
    text: str, *, source: str = "car sheet", folder: Path | None = None
) -> CarSheet:
    """Make a car sheet of its TOML text; raises :class:`SheetError`."""
    problems: list[str] = []
    root = SheetTable(read_toml(text, source=source), source=source, name="", problems=problems)
    if "car" not in root:
        root.problem("table [car] is missing" + likely("car", root.keys))
    car = root.table("car")
    marks = root.table("marks")
    devices = {
        name: _device(name, table)
        for name, table in root.table("devices").named_tables().items()
    }
    if not devices:
        root.problem("no device; give at least one table [devices.NAME]")
    _check_names(root, devices)
    sheet = CarSheet(
        name=car.text("name", None),
        number=car.text("number"),
        time_zone=_time_zone(car),
        units=car.text("units", "metric", allowed=("metric", "customary")) or "metric",
        devices=devices,
        keys=_keys(marks.table("keys")),
        pens={n: _pen(t) for n, t in root.table("pens").named_tables().items()},
        recording=recording_sheet(root.table("recording")),
        laboratories=_laboratories(root.table("laboratories")),
        source=source,
        folder=folder,
        text=text,
    )
    # Kept with the run in the sheet's own text, for who reads it: nothing works with them.
    car.text("remarks", most=5000)
    for table in (car, marks, root):
        table.done()
    if problems:
        raise SheetError(problems)
    return sheet


def _time_zone(car: SheetTable) -> str:
    name = car.text("time_zone", "UTC") or "UTC"
    try:
        zoneinfo.ZoneInfo(name)
    except (ValueError, OSError, zoneinfo.ZoneInfoNotFoundError):
        near = likely(name, zoneinfo.available_timezones())
        car.problem(f"time_zone must be a name of the IANA time zone list, got {name!r}{near}")
        return "UTC"
    return name


def _device(name: str, table: SheetTable) -> DeviceSheet:
    if not _NAME.match(name):
        table.problem(
            f"a device's name is lower-case letters, digits, _ and -, at most 40, got {name!r}"
        )
    channels = _channels(table.table("channels"))
    options = _options(table)
    if "channels" not in options and (wired := _wired_count(channels)):
        options["channels"] = wired
    sheet = DeviceSheet(
        name=name,
        driver=table.text("driver", None),
        port=table.text("port", None),
        options=options,
        channels=channels,
        certificate=table.text("certificate"),
        serial=table.text("serial", most=100).strip(),
        clock_certificate=table.text("clock_certificate"),
        expected_hz=table.number("expected_hz", above=0.0, high=1e6),
        timing=_timing(table.table("timing")),
    )
    table.done()
    return sheet


def _timing(table: SheetTable) -> TimingSheet:
    sheet = TimingSheet(
        latency_s=table.number("latency_s", low=0.0, high=10.0),
        u_latency_s=table.number("u_latency_s", above=0.0, high=10.0),
        delay_s=table.number("delay_s", low=0.0, high=2.0),
        u_delay_s=table.number("u_delay_s", above=0.0, high=2.0),
        pulses_checked=table.flag("pulses_checked"),
    )
    for value in ("latency_s", "delay_s"):
        if (value in table.keys) != (f"u_{value}" in table.keys):
            table.problem(f"{value} and u_{value} go together: give both, in seconds")
    table.done()
    return sheet


def _options(table: SheetTable) -> dict[str, Any]:
    """Settings of the driver: the usual ones beside the port, all others in ``options``."""
    options: dict[str, Any] = {}
    given = table.table("options")
    for key in given.keys:
        value = given.take(key)
        if isinstance(value, str | int | float):
            options[key] = value
        else:
            given.problem(f"{key} must be a number, text, true or false, got {value!r}")
    told = {
        "baud_bd": table.whole("baud_bd", low=50, high=20_000_000),
        "read_timeout_s": table.number("read_timeout_s", above=0.0, high=1.0),
        "silence_limit_s": table.number("silence_limit_s", above=0.0, high=3600.0),
        "channels": table.whole("channel_count", low=1, high=16),
        "tick_hz": table.whole("tick_hz", low=1, high=2**32 - 1),
    }
    options.update({key: value for key, value in told.items() if value is not None})
    limit = options.get("silence_limit_s", 1.0)
    if isinstance(limit, bool) or not isinstance(limit, int | float):
        given.problem(f"silence_limit_s must be a number, got {limit!r}")
        del options["silence_limit_s"]
    return options


def _wired_count(channels: Mapping[str, ChannelSheet]) -> int:
    """As many channels as reach to the last one wired; 0 when none is numbered."""
    numbers = [int(c.field[2:]) for c in channels.values() if _FIELD.match(c.field)]
    return max(numbers, default=-1) + 1


def _channels(table: SheetTable) -> dict[str, ChannelSheet]:
    channels = {}
    for key, row in table.named_tables().items():
        wired = bool(_FIELD.match(key))
        quantity = row.text("quantity", None if wired else key)
        place = row.text("field", key if wired else _USUAL_FIELDS.get(quantity, ""))
        name = row.text("name", (quantity or key) if wired else key)
        if not place:
            row.problem("field is missing; allowed: ch0 to ch15, the wired channel")
        elif not _NAME.match(place):
            row.problem(f"field must be the name of a field of the records, got {place!r}")
        if not _NAME.match(name):
            row.problem(f"name must be lower-case letters, digits, _ and -, got {name!r}")
        if name in channels:
            row.problem(f"channel name {name!r} is used twice; give each a name of its own")
        channels[name] = ChannelSheet(
            name=name,
            field=place,
            quantity=quantity,
            certificate=row.text("certificate"),
            serial=row.text("serial", most=100).strip(),
            role=row.text("role"),
            zero_counts=row.number("zero_counts", low=-(2.0**31), high=2.0**31),
            zero_u_counts=row.number("zero_u_counts", low=0.0, high=2.0**31),
        )
        row.done()
    return channels


def _check_names(root: SheetTable, devices: Mapping[str, DeviceSheet]) -> None:
    """Channel names are unique in the car, and no port is given twice."""
    owner: dict[str, str] = {}
    ports: dict[str, str] = {}
    for device in devices.values():
        for name in device.channels:
            if name in owner:
                root.problem(
                    f"channel name {name!r} is used by devices {owner[name]!r} and"
                    f" {device.name!r}; give each a name of its own"
                )
            owner[name] = device.name
        if device.port and device.port in ports:
            root.problem(
                f"port {device.port!r} is given to devices {ports[device.port]!r} and"
                f" {device.name!r}; a port serves one device"
            )
        ports[device.port] = device.name


def _keys(table: SheetTable) -> dict[str, str]:
    keys = {}
    for key in table.keys:
        if not _KEY.match(key):
            table.problem(f"a mark key is one character, F1 to F12 or Space, got {key!r}")
        keys[key.upper() if len(key) == 1 else key] = table.text(key, None)
    return keys


def _laboratories(table: SheetTable) -> dict[str, str]:
    if len(table.keys) > MOST_LABORATORIES:
        table.problem(
            f"{len(table.keys)} laboratories; at most {MOST_LABORATORIES} are trusted"
        )
    for name in table.keys:
        if not name.strip() or not name.isprintable() or len(name) > 100:
            table.problem(f"a laboratory's name is a line of words, got {shown(name)}")
    return {name: table.text(name, None) for name in table.keys[:MOST_LABORATORIES]}


def _pen(table: SheetTable) -> PenSheet:
    low = table.number("low", 0.0) or 0.0
    high = table.number("high", 1.0)
    high = 1.0 if high is None else high
    if not low < high:
        table.problem(f"high must be above low, got low {low:g} and high {high:g}")
    pen = PenSheet(low=low, high=high, style=table.text("style", "solid", allowed=STYLES))
    table.done()
    return pen

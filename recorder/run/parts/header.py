"""What is known of a run before its first sample: shared by journal, run file and window."""

from __future__ import annotations

import json
import math
from dataclasses import asdict, dataclass, field
from typing import Any, Final

import numpy as np

from calibration.quantities.bounded_text import bounded_json
from recorder.machine.clocks import RunClock
from recorder.run.parts.quantities import COUNTS, PULSES, made_unit, run_unit

__all__ = ["ChannelHeader", "DeviceHeader", "RunHeader"]

_HOST_CLOCK_DRIVERS: Final = frozenset({"nmea-0183"})
"""A header of layout 1 names the driver, and does not say whose clock its ticks are."""
_MOTION: Final = frozenset({"pull", "speed", "distance", PULSES})
_LOST: Final = {"pull": "force, power or work"}
"""Quantity → what cannot be stated without it; any other: the quantity itself."""


@dataclass(frozen=True, slots=True, kw_only=True)
class ChannelHeader:
    """One calibrated quantity of a device."""

    name: str
    """Unique in the run: ``pull``, ``distance``, ``speed``, ``gnss_speed`` …"""
    quantity: str
    """``pull``, ``distance``, ``speed``, ``latitude``, ``longitude``, ``gnss_speed`` …"""
    unit: str
    """As stated: ``kN``, ``m``, ``m/s``, ``deg``, ``counts`` …; see :attr:`true_unit`."""
    field: str
    """Field of the device's records the value is made from; empty: values without counts."""
    certificate: str = ""
    """Key in :attr:`RunHeader.certificates`; empty when the value is as it came."""
    standard_uncertainty: float | None = None
    """Stated with values that came without a certificate (imported runs), in ``unit``."""
    relative_uncertainty: float | None = None
    """As above, as a fraction of the value; both may be stated and then add in quadrature."""
    serial: str = ""
    """Serial number of the cell or wheel, as the car sheet names it; empty: it names none."""

    @property
    def true_unit(self) -> str:
        """What the values are in, whatever is stated: counts without a certificate are counts.

        Earlier versions could state the unit of the quantity all the same. Of values that came
        without counts (an imported table) the stated unit stands.
        """
        if not self.field:
            return self.unit
        return made_unit(self.quantity, self.field, certified=bool(self.certificate))

    @property
    def measures(self) -> bool:
        """Whether the values are the quantity in its SI unit; raw counts are none.

        Everything that takes a channel by its quantity asks here first.
        """
        return self.true_unit == _wanted_unit(self.quantity, self.true_unit)

    @property
    def unmeasured(self) -> str:
        """In words, why nothing of the quantity can be stated; empty where it can."""
        unit = self.true_unit
        if self.measures and not (self.quantity == PULSES and unit == PULSES):
            return ""
        said = f", though the file says {self.unit}" if self.unit != unit else ""
        whole = f"{self.name} is in {unit}{said}"
        if self.quantity == PULSES:
            whole = "the wheel gives pulses"
        if unit == PULSES:
            return f"{whole}: no wheel certificate; no distance or speed can be stated from it"
        lost = _LOST.get(self.quantity, self.quantity.replace("_", " "))
        why = "no certificate" if unit == COUNTS else f"that is no {self.quantity}"
        return f"{whole}: {why}; no {lost} can be stated"


def _wanted_unit(quantity: str, otherwise: str) -> str:
    """The SI unit of a quantity; of one that the crew named itself, whatever it has."""
    try:
        return run_unit(quantity)
    except KeyError:
        return otherwise


@dataclass(frozen=True, slots=True, kw_only=True)
class DeviceHeader:
    """One device and the layout of its records."""

    name: str
    driver: str
    port: str
    dtype: list[list[str]]
    """``[[field, numpy type string], …]``; the first field is ``tick``."""
    tick_hz: float
    channels: tuple[ChannelHeader, ...]

    @property
    def host_clock(self) -> bool:
        """Whether ticks are the recording machine's own monotonic nanoseconds."""
        return self.driver in _HOST_CLOCK_DRIVERS

    @property
    def record_dtype(self) -> np.dtype[Any]:
        """The numpy structured type of the records."""
        return np.dtype([(name, kind) for name, kind in self.dtype])


@dataclass(frozen=True, slots=True, kw_only=True)
class RunHeader:
    """The whole of what a run is, before any data."""

    run_id: str
    started_utc_ns: int
    """Wall clock at run time 0; provisional until clock fixes say better."""
    started_monotonic_ns: int
    boot_id: str
    software: str
    """Name and version of what records, e.g. ``testcar 0.1.0``."""
    car_sheet: str
    """The car sheet's text, in full."""
    trip_sheet: str
    certificates: dict[str, str]
    """Certificate texts, in full, by the name channels use."""
    devices: tuple[DeviceHeader, ...]
    route: str = ""
    """The route table's text, in full; empty when the trip has none."""
    origin: str = "recorded"
    """``recorded``, ``imported`` (from a table) or ``replayed``."""
    simulated_speed: float | None = None
    """Run seconds in a second of the computer, where time was simulated; 0: as fast as it went;
    None: time was real."""
    signatures: dict[str, str] = field(default_factory=dict)
    """Signature files in full, by the same names as the certificates; only where the car sheet
    trusts keys."""
    laboratory_keys: dict[str, str] = field(default_factory=dict)
    """Public keys the car sheet trusts, in full, by the names of the laboratories."""

    @property
    def clock(self) -> RunClock:
        """Run time of instants of the recording computer's clock."""
        return RunClock(self.started_monotonic_ns, self.simulated_speed or 1.0)

    @property
    def channels(self) -> tuple[ChannelHeader, ...]:
        """Of every device, in order."""
        return tuple(channel for device in self.devices for channel in device.channels)

    @property
    def unmeasured(self) -> tuple[str, ...]:
        """In words, each channel whose values are not the quantity it is called by."""
        return tuple(c.unmeasured for c in self.channels if c.unmeasured)

    @property
    def unmeasured_motion(self) -> tuple[str, ...]:
        """The same of what pull and motion would be told by."""
        held = (c.unmeasured for c in self.channels if c.quantity in _MOTION)
        return tuple(words for words in held if words)

    def to_json(self) -> str:
        """Canonical JSON; what an earlier version does not know is left out where it says
        nothing."""
        data = asdict(self)
        if self.simulated_speed is None:
            del data["simulated_speed"]
        for name in ("signatures", "laboratory_keys"):
            if not data[name]:
                del data[name]
        for device in data["devices"]:
            for channel in device["channels"]:
                if not channel["serial"]:
                    del channel["serial"]
        return json.dumps(data, sort_keys=True, ensure_ascii=False)

    @classmethod
    def from_json(cls, text: str) -> RunHeader:
        """Inverse of :meth:`to_json`.

        Raises
        ------
        ValueError, KeyError, TypeError
            The text is not a header.
        """
        return cls.from_dict(bounded_json(text))

    @classmethod
    def from_dict(cls, data: dict[str, Any]) -> RunHeader:
        """The header of its JSON fields, which may come from a damaged file.

        Raises
        ------
        ValueError, KeyError, TypeError
            They are not a header's.
        """
        devices = tuple(
            DeviceHeader(**{**d, "channels": tuple(ChannelHeader(**c) for c in d["channels"])})
            for d in data["devices"]
        )
        header = cls(**{**data, "devices": devices})
        if not -(2**63) <= header.started_utc_ns < 2**63:
            msg = f"started_utc_ns is {header.started_utc_ns}, 64 bits are allowed"
            raise ValueError(msg)
        speed = header.simulated_speed
        if speed is not None and not 0.0 <= speed < math.inf:
            msg = f"simulated_speed is {speed!r}, none or 0 and above is allowed"
            raise ValueError(msg)
        _check_signed(header)
        for device in devices:
            _check_words(device)
            if not 0.0 < device.tick_hz < math.inf:
                msg = f"tick_hz of {device.name} is {device.tick_hz}, above 0 is allowed"
                raise ValueError(msg)
        return header


def _check_signed(header: RunHeader) -> None:
    for name in ("signatures", "laboratory_keys"):
        held: object = getattr(header, name)
        if not isinstance(held, dict) or not all(
            isinstance(word, str) for pair in held.items() for word in pair
        ):
            msg = f"{name} are {held!r:.60}, texts by name are allowed"
            raise TypeError(msg)


def _check_words(device: DeviceHeader) -> None:
    """Names must be text before anything is looked up by them."""
    words: list[object] = [device.name, device.driver, device.port]
    for channel in device.channels:
        words += [channel.name, channel.quantity, channel.unit, channel.field]
        words += [channel.certificate, channel.serial]
    for word in words:
        if not isinstance(word, str):
            msg = f"a name of device {device.name!r} is {word!r}, text is allowed"
            raise TypeError(msg)

"""Which drivers exist, by name; each is imported only when it is opened. Nothing is guessed."""

from __future__ import annotations

import difflib
import importlib
import time
from typing import TYPE_CHECKING, Any, Final, Protocol, cast

from drivers.interface.errors import SetupError

if TYPE_CHECKING:
    from collections.abc import Callable, Mapping

    from drivers.interface.driver_interface import DeviceDriver, DriverDescription, Layout

__all__ = ["DRIVERS", "description_of", "layout_of", "open_driver"]

DRIVERS: Final[dict[str, str]] = {
    "load-cell-frames": "drivers.protocols.load_cell_frames:LoadCellFrames",
    "wheel-pulses": "drivers.protocols.wheel_pulses:WheelPulses",
    "nmea-0183": "drivers.protocols.nmea_0183:Nmea0183",
}


class _DriverClass(Protocol):
    description: DriverDescription

    def open(
        self,
        *,
        device_id: str,
        port: str,
        options: Mapping[str, object],
        after: DeviceDriver | None,
        now_ns: Callable[[], int],
        opener: Callable[..., Any] = ...,
    ) -> DeviceDriver: ...

    def layout_for(self, options: Mapping[str, object], *, device_id: str) -> Layout: ...


def open_driver(
    name: str,
    *,
    device_id: str,
    port: str,
    options: Mapping[str, object] | None = None,
    after: DeviceDriver | None = None,
    now_ns: Callable[[], int] = time.monotonic_ns,
    opener: Callable[..., object] | None = None,
) -> DeviceDriver:
    """Open one device.

    Parameters
    ----------
    name : str
        A key of :data:`DRIVERS`.
    device_id : str
        The device's name on the car sheet; every error begins with it.
    port : str
        ``/dev/…``, ``COM3`` or ``tcp://host:port``.
    options : mapping, optional
        Settings of that driver (``drivers.interface.settings``).
    after : DeviceDriver, optional
        The closed driver of the same device, when this is a reopening: ticks and counts then
        go on where they were, and what was lost in between is known by sequence.
    now_ns : callable, optional
        The monotonic clock that receipts are stamped by.
    opener : drivers.links.transport.LinkOpener, optional
        Opens the port instead of ``drivers.links.transport.open_link``: links in memory.

    Raises
    ------
    SetupError
        Unknown driver or option, a port form that is not understood.
    LinkLostError
        The port is missing, in use, not permitted, or nothing answers.
    """
    driver = _driver_class(name, device_id)
    how: dict[str, Callable[..., object]] = {} if opener is None else {"opener": opener}
    return driver.open(
        device_id=device_id, port=port, options=options or {}, after=after, now_ns=now_ns, **how
    )


def description_of(name: str, *, device_id: str) -> DriverDescription:
    """Give what a driver is: its role, its usual rate, whose clock its ticks are.

    Raises
    ------
    SetupError
        Unknown driver.
    """
    return _driver_class(name, device_id).description


def layout_of(
    name: str, *, device_id: str, options: Mapping[str, object] | None = None
) -> Layout:
    """Give the shape of a device's records without opening it.

    Raises
    ------
    SetupError
        Unknown driver or option.
    """
    return _driver_class(name, device_id).layout_for(options or {}, device_id=device_id)


def _driver_class(name: str, device_id: str) -> _DriverClass:
    place = DRIVERS.get(name)
    if place is None:
        near = difflib.get_close_matches(name, DRIVERS, n=1)
        hint = f"; did you mean {near[0]!r}?" if near else ""
        msg = f"unknown driver {name!r}; known: {', '.join(sorted(DRIVERS))}{hint}"
        raise SetupError(device_id, msg)
    module, _, attribute = place.partition(":")
    return cast("_DriverClass", getattr(importlib.import_module(module), attribute))

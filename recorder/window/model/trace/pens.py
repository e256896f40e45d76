"""Which pens this recording has: what each draws, from which channel, and its look."""

from __future__ import annotations

from dataclasses import dataclass
from typing import TYPE_CHECKING, Final

if TYPE_CHECKING:
    from collections.abc import Iterable, Mapping

    from recorder.run.parts.header import ChannelHeader, DeviceHeader, RunHeader
    from recorder.sheets import PenSheet

__all__ = ["POWER", "Pen", "pens_of", "power_factors"]

POWER: Final = "power"
"""The pen that is worked out here, from pull and speed, and recorded by no device."""

_TITLES: Final = {
    "pull": "Drawbar pull",
    "speed": "Speed",
    POWER: "Drawbar power",
    "gnss_speed": "Speed by satellite",
}
_STYLES: Final = {"pull": "solid", "speed": "dashed", POWER: "dotted"}
"""When the sheet does not say: told apart without colour too."""


@dataclass(frozen=True, slots=True, kw_only=True)
class Pen:
    """One pen. Scale in the unit of the run."""

    name: str
    title: str
    quantity: str
    unit: str
    """What the values are in: counts, of a channel without a certificate."""
    measures: bool = True
    """Whether the values are the quantity in its SI unit; counts are drawn and told as such."""
    device: str
    """Empty for a pen worked out here."""
    channel: str
    low: float | None = None
    """None: the pen finds its own scale."""
    high: float | None = None
    style: str = "solid"


def pens_of(header: RunHeader, sheet_pens: Mapping[str, PenSheet]) -> tuple[Pen, ...]:
    """Pull, speed and drawbar power, as far as the car measures them, then every further channel
    the car sheet gives a pen. Without a wheel the speed is a receiver's; without a certificate
    the pull is drawn in counts, and there is no power."""
    channels = [(d, c) for d in header.devices for c in d.channels]
    pull = _first(channels, "pull")
    speed = _measured(channels, "speed") or _measured(channels, "gnss_speed")
    pens = [_pen(*found, sheet_pens) for found in (pull, speed) if found is not None]
    if len(pens) == 2 and all(pen.measures for pen in pens):
        pens.append(_power(sheet_pens))
    drawn = {pen.channel for pen in pens}
    for device, channel in channels:
        if channel.name in sheet_pens and channel.name not in drawn:
            pens.append(_pen(device, channel, sheet_pens))
    return tuple(pens)


def power_factors(pens: Iterable[Pen]) -> tuple[Pen, Pen] | None:
    """The pens of pull and speed that drawbar power is worked out from; None where it is not."""
    held = tuple(pens)
    if not any(pen.quantity == POWER and not pen.device for pen in held):
        return None
    by = {pen.quantity: pen for pen in reversed(held) if pen.measures}
    return by["pull"], by.get("speed") or by["gnss_speed"]


def _first(
    channels: list[tuple[DeviceHeader, ChannelHeader]], quantity: str
) -> tuple[DeviceHeader, ChannelHeader] | None:
    """The channel that measures it, else the first that is called it."""
    called = [row for row in channels if row[1].quantity == quantity]
    return _measured(channels, quantity) or next(iter(called), None)


def _measured(
    channels: list[tuple[DeviceHeader, ChannelHeader]], quantity: str
) -> tuple[DeviceHeader, ChannelHeader] | None:
    """The channel named like the quantity, else the first that measures it."""
    held = [row for row in channels if row[1].quantity == quantity and row[1].measures]
    named = [row for row in held if row[1].name == quantity]
    return next(iter(named + held), None)


def _pen(device: DeviceHeader, channel: ChannelHeader, sheets: Mapping[str, PenSheet]) -> Pen:
    # The sheet's scale is in the unit of the quantity.
    sheet = sheets.get(channel.name) if channel.measures else None
    own = channel.name == channel.quantity or channel.quantity not in _TITLES
    title = _TITLES.get(channel.quantity, channel.name.replace("_", " ").capitalize())
    return Pen(
        name=channel.name,
        title=title if own or channel.quantity == "speed" else f"{title}, {channel.name}",
        quantity=channel.quantity,
        unit=channel.true_unit,
        measures=channel.measures,
        device=device.name,
        channel=channel.name,
        low=None if sheet is None else sheet.low,
        high=None if sheet is None else sheet.high,
        style=_STYLES.get(channel.quantity, "solid") if sheet is None else sheet.style,
    )


def _power(sheets: Mapping[str, PenSheet]) -> Pen:
    sheet = sheets.get(POWER)
    return Pen(
        name=POWER,
        title=_TITLES[POWER],
        quantity=POWER,
        unit="kW",
        device="",
        channel=POWER,
        low=None if sheet is None else sheet.low,
        high=None if sheet is None else sheet.high,
        style=_STYLES[POWER] if sheet is None else sheet.style,
    )

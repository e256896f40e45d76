"""Which pens this recording has: what each draws, from which channel, and its look."""

from __future__ import annotations

from dataclasses import dataclass
from typing import TYPE_CHECKING, Final

if TYPE_CHECKING:
    from collections.abc import Mapping

    from recorder.run.parts.header import ChannelHeader, DeviceHeader, RunHeader
    from recorder.sheets import PenSheet

__all__ = ["POWER", "Pen", "pens_of"]

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
    device: str
    """Empty for a pen worked out here."""
    channel: str
    low: float | None = None
    """None: the pen finds its own scale."""
    high: float | None = None
    style: str = "solid"


def pens_of(header: RunHeader, sheet_pens: Mapping[str, PenSheet]) -> tuple[Pen, ...]:
    """Pull, speed and drawbar power, as far as the car has them, then every further channel
    the car sheet gives a pen."""
    channels = [(d, c) for d in header.devices for c in d.channels]
    pull = _first(channels, "pull")
    speed = _first(channels, "speed")
    pens: list[Pen] = []
    pens += [_pen(*found, sheet_pens) for found in (pull, speed) if found is not None]
    if pull is not None and speed is not None:
        pens.append(_power(sheet_pens))
    drawn = {pen.channel for pen in pens}
    for device, channel in channels:
        if channel.name in sheet_pens and channel.name not in drawn:
            pens.append(_pen(device, channel, sheet_pens))
    return tuple(pens)


def _first(
    channels: list[tuple[DeviceHeader, ChannelHeader]], quantity: str
) -> tuple[DeviceHeader, ChannelHeader] | None:
    """The channel named like the quantity, else the first that measures it."""
    named = [row for row in channels if row[1].name == quantity]
    return next(iter(named + [row for row in channels if row[1].quantity == quantity]), None)


def _pen(device: DeviceHeader, channel: ChannelHeader, sheets: Mapping[str, PenSheet]) -> Pen:
    sheet = sheets.get(channel.name)
    own = channel.name == channel.quantity or channel.quantity not in _TITLES
    title = _TITLES.get(channel.quantity, channel.name.replace("_", " ").capitalize())
    return Pen(
        name=channel.name,
        title=title if own or channel.quantity == "speed" else f"{title}, {channel.name}",
        quantity=channel.quantity,
        unit=channel.unit,
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

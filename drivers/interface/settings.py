"""How a device is opened: frozen, checked once, with errors that say what is allowed."""

from __future__ import annotations

import difflib
import math
from dataclasses import dataclass, fields
from typing import TYPE_CHECKING, Any, TypeVar, cast

from drivers.interface.errors import SetupError

if TYPE_CHECKING:
    from collections.abc import Mapping

__all__ = [
    "LinkSettings",
    "LoadCellSettings",
    "NmeaSettings",
    "WheelSettings",
    "settings_from_options",
]

_MAX_CHANNELS = 16
_MAX_U32 = 2**32 - 1


@dataclass(frozen=True, slots=True, kw_only=True)
class LinkSettings:
    """What every device has."""

    baud_bd: int = 115_200
    """Line speed of a serial port; ignored by pseudo-terminals and TCP."""
    read_timeout_s: float = 0.05
    """Longest wait of one read, so that a stop is noticed soon."""
    silence_limit_s: float = 1.0
    """Longest time without one good frame before the link counts as lost."""

    def __post_init__(self) -> None:
        _whole(self, "baud_bd", 50, 20_000_000)
        _number(self, "read_timeout_s", 0.001, 1.0)
        _number(self, "silence_limit_s", 0.01, 3600.0)


@dataclass(frozen=True, slots=True, kw_only=True)
class LoadCellSettings(LinkSettings):
    """Load-cell front end."""

    channels: int = 4
    """Wired channels, counted from ``ch0``; a frame may carry more, never fewer."""
    tick_hz: int = 1_000_000
    """Device ticks per second; frames that say otherwise are refused."""

    def __post_init__(self) -> None:
        # The zero-argument super() does not survive slots=True.
        LinkSettings.__post_init__(self)
        _whole(self, "channels", 1, _MAX_CHANNELS)
        _whole(self, "tick_hz", 1, _MAX_U32)


@dataclass(frozen=True, slots=True, kw_only=True)
class WheelSettings(LinkSettings):
    """Measuring-wheel counter."""

    tick_hz: int = 1_000_000
    """Device ticks per second, whole kilohertz; frames that say otherwise are refused."""
    max_pulse_hz: float = 200_000.0
    """No wheel pulses faster than this: a count that does has jumped, not turned."""

    def __post_init__(self) -> None:
        LinkSettings.__post_init__(self)
        _whole(self, "tick_hz", 1000, 65_535_000)
        if self.tick_hz % 1000:
            msg = f"tick_hz must be whole kilohertz, got {self.tick_hz}"
            raise ValueError(msg)
        _number(self, "max_pulse_hz", 1.0, 1e8)


@dataclass(frozen=True, slots=True, kw_only=True)
class NmeaSettings(LinkSettings):
    """GNSS receiver."""

    baud_bd: int = 9600
    read_timeout_s: float = 0.2
    """Silent for most of a second: what comes ends a wait at once, and a stop is noticed soon."""
    silence_limit_s: float = 3.0
    confirmations: int = 3
    """Sentences of one kind that must advance one after another before time is believed."""

    def __post_init__(self) -> None:
        LinkSettings.__post_init__(self)
        _whole(self, "confirmations", 1, 60)


_S = TypeVar("_S", bound=LinkSettings)


def settings_from_options(kind: type[_S], options: Mapping[str, object], device_id: str) -> _S:
    """Build settings from a car sheet's options.

    Raises
    ------
    SetupError
        An option is unknown, of the wrong type, or out of range.
    """
    known = [field.name for field in fields(kind)]
    for name in options:
        if name not in known:
            near = difflib.get_close_matches(name, known, n=1)
            hint = f"; did you mean {near[0]!r}?" if near else ""
            msg = f"unknown option {name!r}; known: {', '.join(known)}{hint}"
            raise SetupError(device_id, msg)
    try:
        return kind(**cast("dict[str, Any]", options))
    except ValueError as error:
        raise SetupError(device_id, str(error)) from error


def _whole(settings: LinkSettings, name: str, low: int, high: int) -> None:
    value = getattr(settings, name)
    if isinstance(value, bool) or not isinstance(value, int) or not low <= value <= high:
        msg = f"{name} must be a whole number from {low} to {high}, got {value!r}"
        raise ValueError(msg)


def _number(settings: LinkSettings, name: str, low: float, high: float) -> None:
    value = getattr(settings, name)
    good = isinstance(value, int | float) and not isinstance(value, bool)
    if not good or not math.isfinite(value) or not low <= value <= high:
        msg = f"{name} must be a number from {low:g} to {high:g}, got {value!r}"
        raise ValueError(msg)

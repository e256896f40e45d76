"""Drivers by name, settings by name; every mistake is one line that says what is allowed."""

from __future__ import annotations

from dataclasses import FrozenInstanceError
from typing import Any

import pytest

from drivers.interface.driver_interface import Layout
from drivers.interface.errors import LinkLostError, SetupError
from drivers.interface.registry import DRIVERS, layout_of, open_driver
from drivers.interface.settings import (
    LinkSettings,
    LoadCellSettings,
    NmeaSettings,
    WheelSettings,
    settings_from_options,
)


@pytest.mark.parametrize("name", DRIVERS)
def test_every_driver_loads_and_knows_its_layout(name: str) -> None:
    layout = layout_of(name, device_id="front")
    assert isinstance(layout, Layout)
    assert layout.dtype.names is not None
    assert layout.dtype.names[0] == "tick"
    assert layout.tick_hz > 0


@pytest.mark.parametrize("name", DRIVERS)
def test_a_missing_port_is_one_line(name: str) -> None:
    with pytest.raises(LinkLostError, match=r"^front: there is no port /dev/no-such-port; .*$"):
        open_driver(name, device_id="front", port="/dev/no-such-port")


def test_channels_make_the_layout() -> None:
    layout = layout_of("load-cell-frames", device_id="front", options={"channels": 2})
    assert layout.dtype.names == ("tick", "ch0", "ch1")
    layout = layout_of("load-cell-frames", device_id="front", options={"tick_hz": 2_000_000})
    assert layout.tick_hz == 2e6


def test_unknown_driver() -> None:
    with pytest.raises(
        SetupError, match=r"front: unknown driver 'wheel-pulse'; known: .* did you"
    ):
        layout_of("wheel-pulse", device_id="front")


def test_unknown_option() -> None:
    with pytest.raises(SetupError, match=r"front: unknown option 'chanels'.*mean 'channels'"):
        layout_of("load-cell-frames", device_id="front", options={"chanels": 2})


def test_defaults() -> None:
    assert LinkSettings() == LinkSettings(
        baud_bd=115_200, read_timeout_s=0.05, silence_limit_s=1.0
    )
    assert NmeaSettings().silence_limit_s == 3.0
    # A burst a second: five wakings of a reader are enough, and a stop waits for one.
    assert NmeaSettings().read_timeout_s == 0.2
    assert (LoadCellSettings().channels, LoadCellSettings().tick_hz) == (4, 1_000_000)
    assert WheelSettings().tick_hz == 1_000_000


@pytest.mark.parametrize(
    ("kind", "options", "said"),
    [
        (
            LinkSettings,
            {"baud_bd": 0},
            "baud_bd must be a whole number from 50 to 20000000, got 0",
        ),
        (LinkSettings, {"baud_bd": 9600.0}, "got 9600.0"),
        (LinkSettings, {"baud_bd": True}, "got True"),
        (
            LinkSettings,
            {"read_timeout_s": 0},
            "read_timeout_s must be a number from 0.001 to 1",
        ),
        (LinkSettings, {"silence_limit_s": float("nan")}, "got nan"),
        (LinkSettings, {"silence_limit_s": "1"}, "got '1'"),
        (LoadCellSettings, {"channels": 17}, "channels must be a whole number from 1 to 16"),
        (LoadCellSettings, {"baud_bd": 1}, "baud_bd must be"),
        (WheelSettings, {"tick_hz": 1_000_500}, "whole kilohertz"),
        (WheelSettings, {"max_pulse_hz": -1}, "max_pulse_hz must be"),
        (NmeaSettings, {"confirmations": 0}, "confirmations must be"),
    ],
)
def test_bad_settings(kind: type[LinkSettings], options: dict[str, Any], said: str) -> None:
    with pytest.raises(SetupError) as caught:
        settings_from_options(kind, options, "front")
    assert str(caught.value).startswith("front: ")
    assert said in str(caught.value)
    assert isinstance(caught.value, ValueError)


def test_settings_do_not_change() -> None:
    settings = LinkSettings()
    with pytest.raises(FrozenInstanceError):
        settings.baud_bd = 9600  # type: ignore[misc]  # frozen: that is tested

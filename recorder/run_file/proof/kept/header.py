"""The header against what else says the same: attributes, and the clocks read all along."""

from __future__ import annotations

import math
from typing import TYPE_CHECKING, Any, Final

import numpy as np

from calibration.quantities.written import many
from recorder.run.parts.event import EventKind
from recorder.run.parts.event_numbers import number
from recorder.run.time.utc import utc_text
from recorder.run_file.proof.parts.proof import Check, Proof, State, first_of
from recorder.run_file.seal.final_times import duration_of
from recorder.sheets.car import parse_car_sheet
from recorder.sheets.errors import SheetError

if TYPE_CHECKING:
    from collections.abc import Callable, Iterator

    from recorder.run.parts.header import DeviceHeader
    from recorder.run_file.proof.parts.held import Held

__all__ = ["prove_header"]

SAME_S: Final = 1e-6
"""Instants closer than this are the same."""
ANCHOR_S: Final = 5.0
"""Between the instant an event stands for and the clocks read for it; a computer that is held up
reads them late."""


def prove_header(held: Held, progress: Callable[[float], None]) -> Iterator[Proof]:
    """Root, devices and channels say again what the header says; so do the clocks' anchors."""
    wrong = [*_root(held), *(line for d in held.header.devices for line in _device(held, d))]
    progress(0.5)
    anchors = list(_anchors(held))
    late = next((words for words in anchors if words), "")
    wrong += [line for line in (late, _duration(held), *_car(held)) if line]
    if wrong:
        yield _proof(State.CONTRADICTED, first_of(wrong))
        return
    also = f", and with {many(len(anchors), 'reading')} of the computer's clocks"
    also *= bool(anchors)
    words = f"it agrees with the attributes of root, devices and channels{also}"
    yield _proof(State.PROVED, words)


def _root(held: Held) -> Iterator[str]:
    header = held.header
    stated = {
        "run_id": header.run_id,
        "started_utc": utc_text(header.started_utc_ns),
        "started_utc_ns": header.started_utc_ns,
        "software": header.software,
        "origin": header.origin,
    }
    yield from _unlike(held, "/", "the root", stated)


def _device(held: Held, device: DeviceHeader) -> Iterator[str]:
    place = f"devices/{device.name}"
    stated = {"driver": device.driver, "port": device.port, "tick_hz": device.tick_hz}
    yield from _unlike(held, place, device.name, stated)
    for channel in device.channels:
        of_channel = {
            "quantity": channel.quantity,
            "field": channel.field,
            "certificate": channel.certificate,
            "standard_uncertainty": channel.standard_uncertainty,
            "relative_uncertainty": channel.relative_uncertainty,
        }
        path = f"{place}/{channel.name}"
        yield from _unlike(held, path, channel.name, of_channel)
        units = _plain(held.store.attributes(path).get("units"))
        # Earlier versions stated the unit of the quantity for bare counts, too.
        if units not in (channel.unit, channel.true_unit):
            yield f"units of {channel.name} is {units!r}, the header says {channel.unit!r}"


def _unlike(held: Held, path: str, what: str, stated: dict[str, Any]) -> Iterator[str]:
    found = {name: _plain(value) for name, value in held.store.attributes(path).items()}
    for name, value in stated.items():
        if name not in found:
            # Attributes that came later are not in older files.
            if value is not None and not held.other_version:
                yield f"{name} of {what} is missing, the header says {value!r}"
        elif found[name] != value:
            yield f"{name} of {what} is {found[name]!r}, the header says {value!r}"


def _plain(value: object) -> object:
    if isinstance(value, bytes):
        return value.decode("utf-8", "replace")
    return value.item() if isinstance(value, np.generic) else value


def _anchors(held: Held) -> Iterator[str]:
    """Of each anchor that reads the monotonic clock: how that contradicts the one that run time
    began at; empty where it does not."""
    for event in held.events:
        if event.kind != EventKind.CLOCK_ANCHOR:
            continue
        clock = held.header.clock
        t_s = (number(event.data.get("monotonic_ns")) - clock.start_ns) / 1e9 * clock.speed
        if math.isnan(t_s):
            continue
        apart = abs(t_s - event.t_s) > ANCHOR_S * max(clock.speed, 1.0)
        yield apart * (
            f"the clocks read at {event.t_s:.1f} s lie {t_s:.1f} s after the instant the"
            " header begins run time at"
        )


def _duration(held: Held) -> str:
    """The stated duration against the last record and the stop."""
    if not held.store.has_attribute("duration_s"):
        return ""
    stated_s, found_s = held.store.number("duration_s"), duration_of(held.store, held.events)
    if abs(stated_s - found_s) <= SAME_S:
        return ""
    return (
        f"the run is said to last {stated_s:.6f} s, its records and stop end at {found_s:.6f} s"
    )


def _car(held: Held) -> Iterator[str]:
    """The devices of the car sheet against those recorded."""
    text = held.header.car_sheet
    if not text.strip():
        return
    try:
        car = parse_car_sheet(text, source="car sheet")
    except SheetError:
        # A sheet of another version may say what this one does not know.
        return
    drivers = {device.name: device.driver for device in car.devices.values()}
    for device in held.header.devices:
        if device.name not in drivers:
            yield f"{device.name} was recorded and is not in the car sheet"
        elif drivers[device.name] != device.driver:
            yield (
                f"{device.name} was recorded by {device.driver}, the car sheet says"
                f" {drivers[device.name]}"
            )


def _proof(state: State, words: str) -> Proof:
    return Proof(check=Check.HEADER, state=state, words=words)

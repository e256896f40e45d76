"""Which faults there are, whose they are, and how one is asked for.

Written ``KIND[:DEVICE][=VALUE]@T[+SECONDS]``, e.g. ``unplug:drawbar@20+3``, ``slip@40+5``,
``time-off=18@0+20``; T and SECONDS are simulated time. Without a device a fault strikes every
device it can strike; without a value it takes the usual one.

A fault of the wire damages bytes or holds them up. A lie is sent whole, in good order and with
good checksums: the device itself is wrong.
"""

from __future__ import annotations

import math
import re
from dataclasses import dataclass
from enum import StrEnum
from typing import TYPE_CHECKING, Final

import numpy as np

from simulated_feeds.devices.emission import DeviceName
from simulated_feeds.settings.errors import FeedError

if TYPE_CHECKING:
    from collections.abc import Iterable, Sequence

    from numpy.typing import ArrayLike, NDArray

__all__ = ["KINDS", "FaultKind", "FeedFault", "KindFacts", "Value", "added", "parse_fault"]


class FaultKind(StrEnum):
    """What can be wrong."""

    DROPOUT = "dropout"
    GARBAGE = "garbage"
    CRC = "crc"
    TRUNCATE = "truncate"
    SILENCE = "silence"
    RESTART = "restart"
    UNPLUG = "unplug"
    LATE = "late"
    UNEVEN = "uneven"
    BURSTS = "bursts"
    FASTER = "faster"
    CLOCK_RATE = "clock-rate"
    CLOCK_DRIFT = "clock-drift"
    TIME_OFF = "time-off"
    DATE_OFF = "date-off"
    ZDA_OFF = "zda-off"
    HOLDOVER = "holdover"
    OUTAGE = "outage"
    PULSE_LATE = "pulse-late"
    STUCK = "stuck"
    SPIKES = "spikes"
    CREEP = "creep"
    RAILED = "railed"
    SLIP = "slip"
    SLIDE = "slide"


@dataclass(frozen=True, slots=True)
class Value:
    """The number a fault takes."""

    usual: float
    unit: str
    low: float
    high: float
    whole: bool = False


@dataclass(frozen=True, slots=True, kw_only=True)
class KindFacts:
    """One kind of fault."""

    words: str
    strikes: tuple[DeviceName, ...] = ()
    """Empty: any device."""
    value: Value | None = None
    """None: it takes no number."""
    lasts_s: float = math.inf
    """When no seconds are given; infinite: to the end."""
    from_start: bool = False
    """It cannot begin in mid-run."""


_CELL: Final = (DeviceName.DRAWBAR,)
_WHEEL: Final = (DeviceName.WHEEL,)
_CLOCK: Final = (DeviceName.CLOCK,)
_TICKING: Final = (DeviceName.DRAWBAR, DeviceName.WHEEL)
_LONG_S: Final = 1.0e10
"""Three centuries: any date a receiver can show."""
_Kind = FaultKind

# The usual values are from experience: quartz below 100 ppm, a ceramic resonator 0.5 %, an RC
# oscillator 2 %. Leap seconds since 1980 are 18, and a receiver's week turns over at 1024: both
# from the interface specification of the Global Positioning System.
KINDS: Final[dict[FaultKind, KindFacts]] = {
    _Kind.DROPOUT: KindFacts(words="three frames in ten are missing", lasts_s=1.0),
    _Kind.GARBAGE: KindFacts(words="random bytes between the frames", lasts_s=1.0),
    _Kind.CRC: KindFacts(words="three frames in ten have a flipped bit", lasts_s=1.0),
    _Kind.TRUNCATE: KindFacts(words="three frames in ten are cut short", lasts_s=1.0),
    _Kind.SILENCE: KindFacts(words="nothing is sent; the port stays open", lasts_s=1.0),
    _Kind.RESTART: KindFacts(
        words="the device loses power; ticks and counts begin anew", lasts_s=1.5
    ),
    _Kind.UNPLUG: KindFacts(words="the port vanishes and comes back", lasts_s=3.0),
    _Kind.LATE: KindFacts(
        words="everything comes this much later, from T on",
        value=Value(0.8, "s", 0.0, 60.0),
    ),
    _Kind.UNEVEN: KindFacts(
        words="everything comes later by a random time of this mean (exponential)",
        value=Value(0.2, "s", 0.0, 60.0),
    ),
    _Kind.BURSTS: KindFacts(
        words="everything comes later by a random time of this scale (Pareto); what waits "
        "behind a long one comes with it",
        value=Value(0.001, "s", 0.0, 1.0),
    ),
    _Kind.FASTER: KindFacts(
        words="the device sends this many times as often as the car sheet says",
        value=Value(2.0, "times", 0.1, 10.0), from_start=True,
    ),
    _Kind.CLOCK_RATE: KindFacts(
        words="the device's ticks run too fast: ceramic resonator 5000, RC oscillator 20000",
        strikes=_TICKING, value=Value(5000.0, "ppm", -1.0e5, 1.0e5),
    ),
    _Kind.CLOCK_DRIFT: KindFacts(
        words="the rate of the device's ticks moves, as a box warms up; stays where it got to",
        strikes=_TICKING, value=Value(2000.0, "ppm/h", -1.0e5, 1.0e5), lasts_s=3600.0,
    ),
    _Kind.TIME_OFF: KindFacts(
        words="the receiver's time is ahead: 18 leap seconds not learnt, -14 a wrong count",
        strikes=_CLOCK, value=Value(18.0, "s", -_LONG_S, _LONG_S),
    ),
    _Kind.DATE_OFF: KindFacts(
        words="the receiver's date is ahead: -7168 a week rollover, 1 tomorrow",
        strikes=_CLOCK, value=Value(-7168.0, "days", -2.0e5, 1.0e5, whole=True),
    ),
    _Kind.ZDA_OFF: KindFacts(
        words="the time in ZDA is ahead of that in RMC and GGA",
        strikes=_CLOCK, value=Value(1.0, "s", -_LONG_S, _LONG_S),
    ),
    _Kind.HOLDOVER: KindFacts(
        words="no fix, and time runs on by the receiver's own clock, too fast by this",
        strikes=_CLOCK, value=Value(2.0, "ppm", -1.0e5, 1.0e5), lasts_s=60.0,
    ),
    _Kind.OUTAGE: KindFacts(
        words="the receiver has no fix", strikes=_CLOCK, lasts_s=60.0,
    ),
    _Kind.PULSE_LATE: KindFacts(
        words="the pulses per second are taken this late: by the wrong edge, a pulse's width",
        strikes=_WHEEL, value=Value(0.1, "s", 0.0, 0.999),
    ),
    _Kind.STUCK: KindFacts(
        words="the pull's count stays as it is; the wheel counts nothing", strikes=_TICKING,
        lasts_s=10.0,
    ),
    _Kind.SPIKES: KindFacts(
        words="one sample of the pull each second is this many times as large",
        strikes=_CELL, value=Value(10.0, "times", -1000.0, 1000.0),
    ),
    _Kind.CREEP: KindFacts(
        words="the pull's count creeps, at rest too; stays where it got to",
        strikes=_CELL, value=Value(500.0, "counts/s", -1.0e7, 1.0e7),
    ),
    _Kind.RAILED: KindFacts(
        words="the pull stands at the converter's rail: 1 the upper one, -1 the lower",
        strikes=_CELL, value=Value(1.0, "", -1.0, 1.0, whole=True), lasts_s=10.0,
    ),
    _Kind.SLIP: KindFacts(
        words="the rail is greasy under the drivers; this share of the adhesion is left",
        value=Value(0.25, "", 0.0, 1.0), lasts_s=5.0,
    ),
    _Kind.SLIDE: KindFacts(
        words="the measuring wheel turns this many times as fast as the train: 0.5 loses every "
        "second pulse, 1.5 spins",
        strikes=_WHEEL, value=Value(0.8, "times", 0.0, 4.0), lasts_s=5.0,
    ),
}  # fmt: skip
"""Kind → what happens."""
_NUMBER: Final = r"\d{1,12}(?:\.\d{1,12})?"
_FORM: Final = re.compile(
    rf"([a-z-]+)(?::([a-z0-9_-]+))?(?:=([+-]?{_NUMBER}))?@({_NUMBER})(?:\+({_NUMBER}))?",
    re.ASCII,
)


@dataclass(frozen=True, slots=True, kw_only=True)
class FeedFault:
    """One fault."""

    kind: FaultKind
    device: str
    """Empty: every device it can strike."""
    at_s: float
    lasts_s: float
    """Infinite: to the end."""
    value: float = 0.0
    """In the kind's unit; 0 where it takes none."""

    def strikes(self, device: str) -> bool:
        """Whether it is this device's."""
        able = KINDS[self.kind].strikes
        return self.device in ("", device) and (not able or device in able)

    def on(self, t_s: float) -> bool:
        """Whether it holds at a simulated time."""
        return self.at_s <= t_s < self.at_s + self.lasts_s

    def held_s(self, t_s: ArrayLike) -> NDArray[np.float64]:
        """(...) s for how long it has held by (...) simulated times."""
        return np.clip(np.asarray(t_s, dtype=np.float64) - self.at_s, 0.0, self.lasts_s)


def added(faults: Iterable[FeedFault], kind: FaultKind, t_s: float) -> float:
    """Sum of the values of the faults of a kind that hold at a simulated time."""
    return sum(f.value for f in faults if f.kind is kind and f.on(t_s))


def parse_fault(text: str, devices: Sequence[str] = ()) -> FeedFault:
    """Read ``KIND[:DEVICE][=VALUE]@T[+SECONDS]``.

    Raises
    ------
    FeedError
        Not of that form, an unknown kind, no such device among those given, a device that the
        kind cannot strike, or a value or a beginning that it cannot have.
    """
    match = _FORM.fullmatch(text.strip())
    if match is None:
        msg = (
            f"fault {text!r} is not understood; write KIND[:DEVICE][=VALUE]@T[+SECONDS],"
            " e.g. crc@5+2 or time-off=18@0+20"
        )
        raise FeedError(msg)
    word, device, value, at, lasts = match.groups()
    if word not in list(FaultKind):
        msg = f"fault {text!r}: unknown kind {word!r}; known: {', '.join(FaultKind)}"
        raise FeedError(msg)
    kind = FaultKind(word)
    facts = KINDS[kind]
    for there in (devices, facts.strikes):
        if device and there and device not in there:
            msg = f"fault {text!r}: no device {device!r}; there are {', '.join(there)}"
            raise FeedError(msg)
    if facts.from_start and float(at) > 0.0:
        msg = f"fault {text!r}: {kind} holds from the start or not at all; write @0"
        raise FeedError(msg)
    return FeedFault(
        kind=kind, device=device or "", at_s=float(at),
        lasts_s=float(lasts) if lasts else facts.lasts_s, value=_value(text, facts, value),
    )  # fmt: skip


def _value(text: str, facts: KindFacts, written: str | None) -> float:
    """The number of a fault; the usual one where none is written."""
    allowed = facts.value
    if allowed is None:
        if written is not None:
            msg = f"fault {text!r}: it takes no value, got {written}"
            raise FeedError(msg)
        return 0.0
    value = allowed.usual if written is None else float(written)
    if not allowed.low <= value <= allowed.high or (allowed.whole and value % 1.0):
        msg = (
            f"fault {text!r}: its value must be {'whole and ' if allowed.whole else ''}from"
            f" {allowed.low:g} to {allowed.high:g}{f' {allowed.unit}' if allowed.unit else ''},"
            f" got {written}"
        )
        raise FeedError(msg)
    return value

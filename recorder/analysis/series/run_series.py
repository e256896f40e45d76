"""From an opened run to its series: pull, motion, course and flags on an even grid.

Memory is bounded by the grid, not by the samples: a channel is read in chunks. Grade and
curvature are put under the train by :mod:`recorder.analysis.series.line_under`.
"""

from __future__ import annotations

from dataclasses import dataclass
from typing import TYPE_CHECKING, Final, Self

import numpy as np

from calibration.quantities import flags as flag_bits
from calibration.quantities.sentence import amount, say
from calibration.speed.slip import flag_slip
from recorder.analysis.series.binning import bin_fast, bin_slow, blank_gaps
from recorder.analysis.series.filters import acceleration_of
from recorder.analysis.series.series import Series, grid
from recorder.analysis.series.standing import standing_bins
from recorder.run.checks.motion import MOVES_M_S

if TYPE_CHECKING:
    from collections.abc import Iterator, Sequence

    from numpy.typing import NDArray

    from recorder.run.parts.gap import Gap
    from recorder.run_file.hdf5.devices import Channel
    from recorder.run_file.hdf5.reader import RunFile

__all__ = [
    "AT_REST_M_S",
    "STANDS_M_S",
    "Bins",
    "RunGrid",
    "course_deg",
    "first_channel",
    "led_way",
    "series_of",
    "speed_by_receiver",
]

CHUNK: Final = 262_144
"""Samples read at once: a few megabytes a column."""
FINEST_S: Final = 0.1
"""No figure of a train asks for more than ten bins a second."""
FAST_PER_BIN: Final = 4
"""A channel with at least this many samples a bin is averaged; a slower one is integrated."""
STANDS_M_S: Final = 0.1
"""Slower is standing, as far as any instrument tells (our choice)."""
AT_REST_M_S: Final = 0.05
"""Slower is at rest, by a pulse wheel, which has no slower speed (from experience)."""
COURSE_S: Final = 10.0
"""To either side, over which the course is taken: fixes come once a second and scatter."""
TOLD_M: Final = 10.0
"""Less is a wheel that rocks at a stand (our choice)."""
_EARTH_M_PER_DEG: Final = 111_195.0
"""Of a great circle, mean radius 6371 km."""
_BASELINE_M: Final = 30.0
"""Fixes scatter by metres: over less than this they give no course."""


@dataclass(frozen=True, slots=True)
class Bins:
    """One channel on a grid, (n,) each; NaN where there is no data."""

    mean: NDArray[np.float64]
    low: NDArray[np.float64]
    high: NDArray[np.float64]

    @classmethod
    def empty(cls, n: int) -> Self:
        """No data at all."""
        nothing = np.full(n, np.nan)
        return cls(nothing, nothing, nothing)


@dataclass(frozen=True, slots=True)
class RunGrid:
    """An opened run and the even bins it is read into."""

    run: RunFile
    edges: NDArray[np.float64]
    """(n + 1,) run times."""
    step_s: float

    @classmethod
    def of(cls, run: RunFile, step_s: float | None = None) -> Self:
        """The grid over a whole run; by default 0.1 s, or the mean step of its slowest channel
        of pull and motion, whichever is longer.
        """
        quantities = ("speed", "distance", "gnss_speed")
        motion = next(filter(None, (first_channel(run, q) for q in quantities)), None)
        held = [c for c in (first_channel(run, "pull"), motion) if c is not None]
        step = step_s or _usual_step(run.duration_s, held)
        return cls(run, grid(0.0, run.duration_s, step), step)

    def __len__(self) -> int:
        return len(self.edges) - 1

    @property
    def t_s(self) -> NDArray[np.float64]:
        """(n,) bin centres."""
        return self.edges[:-1] + self.step_s / 2

    def bins(self, channel: Channel) -> Bins:
        """Mean, minimum and maximum of a channel in each bin."""
        duration_s = max(self.run.duration_s, self.step_s)
        if channel.n * self.step_s / duration_s >= FAST_PER_BIN:
            sums = bin_fast(_chunks(channel), self.edges)
            # A bin with under half its samples is not a whole bin's mean.
            filled = sums.count[sums.count > 0]
            whole = sums.count >= (0.5 * np.median(filled) if filled.size else 1.0)
            return Bins(np.where(whole, sums.mean, np.nan), sums.minimum(), sums.maximum())
        t_s, values = _sound(channel, 0, channel.n)
        if channel.by_receiver:
            # Of a receiver's sentences only some tell a quantity: the others are no gap.
            told = np.isfinite(values)
            t_s, values = t_s[told], values[told]
        mean = bin_slow(t_s, values, self.edges)
        sums = bin_fast([(t_s, values)], self.edges)
        return Bins(mean, np.fmin(mean, sums.minimum()), np.fmax(mean, sums.maximum()))

    def mean_of(self, quantity: str) -> NDArray[np.float64] | None:
        """Bin means (n,) of the first channel of a quantity; ``None`` when there is none."""
        channel = first_channel(self.run, quantity)
        return None if channel is None else self.bins(channel).mean

    @property
    def second_speed_m_s(self) -> NDArray[np.float64] | None:
        """The receiver's speed (n,) beside that of a wheel; ``None`` where it is the only one:
        nothing bears itself out."""
        return None if speed_by_receiver(self.run) else self.mean_of("gnss_speed")

    def flags(self, channel: Channel) -> NDArray[np.uint8]:
        """Union (n,) of a channel's sample flags in each bin."""
        out = np.zeros(len(self), np.uint8)
        for start, stop in _spans(channel):
            held = channel.flags(start, stop)
            raised = np.flatnonzero(held)
            if len(raised):
                t = channel.time_s(start, stop)[raised]
                index = np.floor((t - self.edges[0]) / self.step_s).astype(np.int64)
                inside = (index >= 0) & (index < len(out))
                np.bitwise_or.at(out, index[inside], held[raised][inside])
        return out


def first_channel(run: RunFile, quantity: str) -> Channel | None:
    """The first channel that measures a quantity, in its SI unit, and has samples; ``None`` when
    there is none. Counts without a certificate measure nothing, whatever they are called.
    """
    held = (c for c in run.channels.values() if c.quantity == quantity and c.measures)
    return next((c for c in held if c.n), None)


def speed_by_receiver(run: RunFile) -> bool:
    """Whether a receiver's is the only speed there is: no wheel measures speed or distance."""
    by_wheel = first_channel(run, "speed") or first_channel(run, "distance")
    return by_wheel is None and first_channel(run, "gnss_speed") is not None


def series_of(on: RunGrid, gaps: Sequence[Gap], notes: list[str]) -> Series:
    """Pull, speed, distance, acceleration and flags; the line under the train is left level.

    What the run cannot show is added to the notes.
    """
    notes.extend(on.run.header.unmeasured)
    pull, flags = _pull(on, gaps, notes)
    speed, distance = _motion(on, gaps, notes)
    acceleration = on.mean_of("acceleration")
    if acceleration is None:
        acceleration = acceleration_of(speed, on.step_s)
    way = led_way(speed, pull.mean)
    speed, distance = speed * way, _turned(distance, way)
    notes.extend(_ways_told(speed, way, on.step_s))
    level = np.zeros(len(on))
    return Series(
        t_s=on.t_s,
        step_s=on.step_s,
        pull_kN=pull.mean,
        pull_min_kN=pull.low,
        pull_max_kN=pull.high,
        speed_m_s=speed,
        distance_m=distance,
        acceleration_m_s2=acceleration * way,
        chainage_m=np.full(len(on), np.nan),
        locomotive_grade=level,
        trailing_grade=level,
        locomotive_curvature_per_m=level,
        trailing_curvature_per_m=level,
        flags=flags | _slipping(on, speed, notes) | _unsound(on, pull, speed),
        course_deg=_course(on),
        wheel_way=way,
        gnss_speed_m_s=on.second_speed_m_s,
        throttle_pct=on.mean_of("throttle"),
        notch=on.mean_of("notch"),
        boiler_pressure_Pa=on.mean_of("pressure"),
    )


def _pull(on: RunGrid, gaps: Sequence[Gap], notes: list[str]) -> tuple[Bins, NDArray[np.uint8]]:
    channel = first_channel(on.run, "pull")
    if channel is None:
        if all(c.quantity != "pull" for c in on.run.channels.values()):
            notes.append("the run has no pull")
        return Bins.empty(len(on)), np.zeros(len(on), np.uint8)
    held = on.bins(channel)
    own = [g for g in gaps if g.device == channel.device]
    mean, low, high = (blank_gaps(x, on.edges, own) for x in (held.mean, held.low, held.high))
    flags = on.flags(channel) & ~np.uint8(flag_bits.SPIKE)
    return Bins(mean, low, high), flags


def _motion(
    on: RunGrid, gaps: Sequence[Gap], notes: list[str]
) -> tuple[NDArray[np.float64], NDArray[np.float64]]:
    """Speed and distance; one is made of the other where only one was recorded."""
    speed, distance = (first_channel(on.run, q) for q in ("speed", "distance"))
    v = d = np.full(len(on), np.nan)
    if speed_by_receiver(on.run):
        speed = first_channel(on.run, "gnss_speed")
        notes.append(
            "speed is the receiver's and distance its sum: no wheel measures them; the way"
            " of travel is not known by it"
        )
    if speed is not None:
        own = [g for g in gaps if g.device == speed.device]
        v = blank_gaps(on.bins(speed).mean, on.edges, own)
    if distance is not None:
        d = on.bins(distance).mean
    if speed is None and distance is None:
        notes.append("the run has neither speed nor distance")
    elif speed is None:
        v = np.gradient(d, on.step_s) if len(on) > 1 else v
        notes.append("speed is the slope of the recorded distance")
    elif distance is None:
        d = np.cumsum(np.nan_to_num(v)) * on.step_s
    return v, d


def led_way(
    speed_m_s: NDArray[np.float64], pull_kN: NDArray[np.float64]
) -> NDArray[np.float64]:
    """Sign (n,) that makes the wheel's speed positive where the locomotive leads.

    Which way a wheel counts up is a matter of its wiring and of how the car stands. Of each
    movement one way, over which tension does more work along it than buff, the locomotive leads;
    and of the others those that go the same way as most of these. What is left is propelled.
    """
    known = np.abs(speed_m_s) >= AT_REST_M_S
    at = np.maximum.accumulate(np.where(known, np.arange(len(speed_m_s)), -1))
    if not known.any():
        return np.ones(len(speed_m_s))
    at = np.where(at < 0, int(np.flatnonzero(known)[0]), at)
    counts = np.sign(speed_m_s[at])
    leg = np.cumsum(np.diff(counts, prepend=counts[0]) != 0.0)
    ridden = np.nan_to_num(np.abs(speed_m_s))
    work = np.bincount(leg, np.nan_to_num(pull_kN) * ridden)
    leads = work[leg] >= 0.0
    most = float(np.sum(counts * ridden * leads)) or float(np.sum(counts * ridden))
    return counts * np.where(leads | (counts * most > 0.0), 1.0, -1.0)


def _turned(distance_m: NDArray[np.float64], way: NDArray[np.float64]) -> NDArray[np.float64]:
    """The distance (n,) counted along the way that the locomotive leads."""
    if (way == 1.0).all():
        return distance_m
    if (way == -1.0).all():
        return -distance_m
    known = np.isfinite(distance_m)
    steps = np.diff(distance_m[known], prepend=distance_m[known][:1]) * way[known]
    out = np.full(len(distance_m), np.nan)
    out[known] = distance_m[known][:1] + np.cumsum(steps)
    return out


def _ways_told(
    speed_m_s: NDArray[np.float64], way: NDArray[np.float64], step_s: float
) -> Iterator[str]:
    """In words what was turned, and what was propelled."""
    known = np.nan_to_num(speed_m_s) * step_s
    turned = float(np.abs(known[way < 0.0]).sum())
    if turned >= TOLD_M:
        yield say(
            "the wheel counts down over ",
            amount(turned, "m", 0),
            ": speed and distance are taken along the way that the locomotive leads",
        )
    pushed = -float(known[known < 0.0].sum())
    if pushed >= TOLD_M:
        yield say(
            "the train ran back, mostly in buff, over ",
            amount(pushed, "m", 0),
            ": taken as propelled; its work is in the energy balance, and nothing of it is judged",
        )


def _unsound(on: RunGrid, pull: Bins, speed_m_s: NDArray[np.float64]) -> NDArray[np.uint8]:
    """``UNSOUND`` where the speed (the distance without one) stands or is contradicted, and where
    the pull stands in a run that was sealed before its channels were watched.
    """
    with np.errstate(invalid="ignore"):
        moving = np.abs(speed_m_s) > MOVES_M_S
    stands = standing_bins(on.t_s, pull.mean, speed_m_s, moving)
    found = np.where(stands, np.uint8(flag_bits.UNSOUND), np.uint8(0)).astype(np.uint8)
    channel = first_channel(on.run, "speed") or first_channel(on.run, "distance")
    if channel is not None:
        found |= on.flags(channel) & np.uint8(flag_bits.UNSOUND)
    return found


def _slipping(
    on: RunGrid, speed_m_s: NDArray[np.float64], notes: list[str]
) -> NDArray[np.uint8]:
    """``SUSPECT`` where the measuring wheel disagrees with GNSS speed: it slips or slides."""
    gnss = on.second_speed_m_s
    if gnss is None:
        return np.zeros(len(on), np.uint8)
    # GNSS speed comes once a second and late: a change of speed is not a slip.
    rate = np.abs(np.nan_to_num(acceleration_of(gnss, on.step_s)))
    found = flag_slip(np.abs(speed_m_s), 1.0 * rate, gnss)
    bad = found != 0
    if bad.any():
        slip_s, slide_s = (int(n) * on.step_s for n in ((found > 0).sum(), (found < 0).sum()))
        notes.append(
            f"the measuring wheel disagrees with GNSS speed for {slip_s:.0f} s of slip and"
            f" {slide_s:.0f} s of slide: left out of test sections"
        )
    return np.where(bad, np.uint8(flag_bits.SUSPECT), np.uint8(0)).astype(np.uint8)


def _course(on: RunGrid) -> NDArray[np.float64] | None:
    north, east = on.mean_of("latitude"), on.mean_of("longitude")
    if north is None or east is None:
        return None
    return course_deg(north, east, max(1, round(COURSE_S / on.step_s)))


def course_deg(
    latitude_deg: NDArray[np.float64], longitude_deg: NDArray[np.float64], half: int
) -> NDArray[np.float64]:
    """Which way the car moved (n,) degrees from north, over ``half`` bins to either side.

    NaN without a position, or where it moved less than 30 m: fixes scatter by metres.
    """
    n = len(latitude_deg)
    if n < 2 or half < 1:
        return np.full(n, np.nan)
    a, b = np.maximum(np.arange(n) - half, 0), np.minimum(np.arange(n) + half, n - 1)
    north = (latitude_deg[b] - latitude_deg[a]) * _EARTH_M_PER_DEG
    east = (longitude_deg[b] - longitude_deg[a]) * _EARTH_M_PER_DEG
    east = east * np.cos(np.radians(latitude_deg))
    course = np.degrees(np.arctan2(east, north)) % 360.0
    return np.where(np.hypot(north, east) >= _BASELINE_M, course, np.nan)


def _usual_step(duration_s: float, channels: Sequence[Channel]) -> float:
    slowest = max([FINEST_S, *(duration_s / max(c.n, 1) for c in channels)])
    return max(FINEST_S, round(slowest, 1))


def _spans(channel: Channel) -> Iterator[tuple[int, int]]:
    for start in range(0, channel.n, CHUNK):
        yield start, min(start + CHUNK, channel.n)


def _chunks(channel: Channel) -> Iterator[tuple[NDArray[np.float64], NDArray[np.float64]]]:
    for start, stop in _spans(channel):
        yield _sound(channel, start, stop)


def _sound(
    channel: Channel, start: int, stop: int
) -> tuple[NDArray[np.float64], NDArray[np.float64]]:
    """Times and values of the samples that are no spikes: they are in no mean, least or most."""
    t_s, values = channel.time_s(start, stop), channel.values(start, stop)
    spikes = channel.flags(start, stop) & np.uint8(flag_bits.SPIKE) != 0
    return (t_s[~spikes], values[~spikes]) if spikes.any() else (t_s, values)

"""The simulated world without ports or waiting: bytes, or records, for tests.

:func:`render_bytes` gives what each device would have sent. :func:`render_run_arrays` gives
device records as arrays, in the layouts of the protocols, with the truth beside them: a day on
a 200 km line in seconds.
"""

from __future__ import annotations

from dataclasses import dataclass, field, replace
from typing import TYPE_CHECKING, Any, Final

import numpy as np

from simulated_feeds.devices.gnss import position_walk
from simulated_feeds.outing.simulated_outing import SimulatedOuting
from simulated_feeds.physics.coarse_train import CoarseTrain
from simulated_feeds.physics.lumped_train import LumpedTrain
from simulated_feeds.physics.motion import Motion, refined

if TYPE_CHECKING:
    from collections.abc import Sequence

    from numpy.typing import NDArray

    from simulated_feeds.devices.fault_kinds import FeedFault
    from simulated_feeds.devices.load_cell import LoadCell
    from simulated_feeds.devices.wheel import MeasuringWheel
    from simulated_feeds.outing.scenario import Scenario
    from simulated_feeds.physics.line import PostSpec
    from simulated_feeds.physics.motion import Mover

__all__ = [
    "GNSS_DTYPE",
    "WHEEL_DTYPE",
    "DeviceRecords",
    "Rendered",
    "RunArrays",
    "Truth",
    "post_passages",
    "render_bytes",
    "render_run_arrays",
]

WHEEL_DTYPE: Final = np.dtype(
    [
        ("tick", "<u8"), ("edge_tick", "<u8"), ("count", "<i8"), ("pps_tick", "<u8"),
        ("pps_count", "u1"), ("flags", "u1"), ("sequence", "u1"),
    ]
)  # fmt: skip
GNSS_DTYPE: Final = np.dtype(
    [
        ("tick", "<u8"), ("utc_ns", "<i8"), ("valid", "u1"), ("kind", "S3"),
        ("latitude_deg", "<f8"), ("longitude_deg", "<f8"), ("altitude_m", "<f8"),
        ("speed_m_s", "<f8"), ("course_deg", "<f8"), ("hdop", "<f8"), ("satellites", "<i2"),
        ("sentence", "S256"),
    ]
)  # fmt: skip
NO_TIME: Final = -(2**63)


@dataclass(slots=True)
class Rendered:
    """What one device sent."""

    due_s: list[float] = field(default_factory=list)
    """Simulated time of each frame's first byte."""
    frames: list[bytes] = field(default_factory=list)

    @property
    def data(self) -> bytes:
        """All of it, as one reader would have it."""
        return b"".join(self.frames)


@dataclass(frozen=True, slots=True, kw_only=True)
class Truth:
    """(n,) each, at even steps of simulated time; run time and simulated time are one here."""

    time_s: NDArray[np.float64]
    utc_ns: NDArray[np.int64]
    pull_kN: NDArray[np.float64]
    speed_m_s: NDArray[np.float64]
    distance_m: NDArray[np.float64]
    """Along the line from the start: falls while setting back."""
    chainage_m: NDArray[np.float64]
    acceleration_m_s2: NDArray[np.float64]
    effort_kN: NDArray[np.float64]
    throttle: NDArray[np.float64]
    brake: NDArray[np.float64]


@dataclass(frozen=True, slots=True, kw_only=True)
class DeviceRecords:
    """Records of one device with the simulated time they were made and reached the host."""

    records: NDArray[np.void]
    true_s: NDArray[np.float64]
    """(n,) simulated time of each record (of the sample, of the frame, of the fix)."""
    received_s: NDArray[np.float64]
    """(n,) when its bytes were in hand."""


@dataclass(frozen=True, slots=True, kw_only=True)
class RunArrays:
    """A whole run."""

    scenario: Scenario
    truth: Truth
    load_cell: DeviceRecords
    wheel: DeviceRecords
    gnss: DeviceRecords
    zero_counts: float
    """Mean of the first seconds, standing, as a crew would have taken it."""


def render_bytes(
    scenario: Scenario, seconds: float, *, faults: Sequence[FeedFault] = ()
) -> dict[str, Rendered]:
    """What each device sends in so many seconds, by device name; no ports, no waiting."""
    outing = SimulatedOuting(scenario, faults=faults, until_s=seconds)
    out = {device.name: Rendered() for device in scenario.devices()}
    while (stretch := outing.advance()) is not None:
        for name, emissions in stretch.items():
            for emission in emissions:
                if emission.due_s < seconds:
                    out[name].due_s.append(emission.due_s)
                    out[name].frames.append(emission.data)
    return out


def render_run_arrays(
    scenario: Scenario,
    seconds: float | None = None,
    *,
    coarse: bool = True,
    mover: Mover | None = None,
    wheel_hz: float = 10.0,
    load_cell_hz: int = 10,
    truth_hz: float = 10.0,
) -> RunArrays:
    """Device records and truth of a run.

    Parameters
    ----------
    seconds
        None: until the train stands at its last stop (coarse only).
    coarse
        The train as one mass, ten steps a second; else car by car.
    mover
        How the train moves, instead; its steps are those that the wheel sees.
    wheel_hz, load_cell_hz, truth_hz
        Records a second. The scenario's own rates are not looked at.

    Raises
    ------
    ValueError
        No end is given, and the train does not know its own.
    """
    if seconds is None and (mover is not None or not coarse):
        msg = "only a train of one mass knows when it has arrived: give seconds"
        raise ValueError(msg)
    few = replace(
        scenario,
        wheel=replace(scenario.wheel, frame_s=1.0 / wheel_hz),
        front=replace(scenario.front, sample_rate_hz=load_cell_hz, samples=1),
    )
    cell, wheel = few.load_cell(), few.measuring_wheel()
    mover, refine = _moved(scenario, mover, wheel_hz, coarse=coarse)
    parts = _Parts(truth_step_s=1.0 / truth_hz)
    end = float("inf") if seconds is None else seconds
    t = 0.0
    while t < end - 1e-9:
        if seconds is None and isinstance(mover, CoarseTrain) and mover.arrived:
            break
        motion = mover.advance(1000)
        t = float(motion.t_s[-1])
        parts.add(motion, refined(motion, refine), cell, wheel)
    end = min(end, t)
    truth = parts.whole_truth(scenario, end)
    cells = parts.whole_cell(scenario.front.channels, end)
    still = cells.true_s < min(scenario.journey.depart_t_s, 3.0)
    return RunArrays(
        scenario=scenario, truth=truth, load_cell=cells, wheel=parts.whole_wheel(scenario, end),
        gnss=_gnss(scenario, truth, end),
        zero_counts=float(np.mean(cells.records["ch0"][still])) if still.any() else 0.0,
    )  # fmt: skip


def _moved(
    scenario: Scenario, given: Mover | None, wheel_hz: float, *, coarse: bool
) -> tuple[Mover, int]:
    """What moves the train, and into how many steps the wheel parts each of its own."""
    if given is not None:
        return given, 1
    if not coarse:
        return LumpedTrain(scenario.journey), 1
    train = CoarseTrain(scenario.journey)
    return train, max(1, round(wheel_hz * train.step_s))


_COLUMNS: Final = ("t_s", "pull_N", "v_m_s", "s_m", "a_m_s2", "effort_N", "throttle", "brake")


class _Parts:
    """Collects a run stretch by stretch."""

    def __init__(self, *, truth_step_s: float) -> None:
        self.truth: list[NDArray[np.float64]] = []
        self.cell: list[tuple[NDArray[Any], ...]] = []
        self.cell_due: list[NDArray[np.float64]] = []
        self.wheel: list[Any] = []
        self._step_s, self._next = truth_step_s, 0

    def add(self, motion: Motion, fine: Motion, cell: LoadCell, wheel: MeasuringWheel) -> None:
        """Truth and records of a stretch; the wheel sees it in finer steps."""
        self.truth.append(self.rows(motion))
        taken = cell.take(motion)
        if taken is not None:
            self.cell.append((taken.ticks[:, 0], taken.t_s[:, 0], taken.counts[:, 0, :]))
            self.cell_due.append(cell.due_s(taken.t_s[:, 0]))
        self.wheel.append(wheel.frames(fine))

    def rows(self, motion: Motion) -> NDArray[np.float64]:
        """(8, k) truth within a stretch."""
        last = int(np.floor((motion.t_s[-1] + 1e-9) / self._step_s))
        t = np.arange(self._next, last + 1) * self._step_s
        self._next = last + 1
        rest = [np.interp(t, motion.t_s, getattr(motion, name)) for name in _COLUMNS[1:]]
        return np.array([t, *rest])

    def whole_truth(self, scenario: Scenario, end: float) -> Truth:
        table = np.concatenate(self.truth, axis=1)
        table = table[:, table[0] <= end + 1e-9]
        t, pull, v, s, a, effort, throttle, brake = table
        utc = scenario.utc0_ns + np.rint(t * 1e9).astype(np.int64)
        return Truth(
            time_s=t, utc_ns=utc, pull_kN=pull / 1e3, speed_m_s=v, distance_m=s - s[0],
            chainage_m=s, acceleration_m_s2=a, effort_kN=effort / 1e3, throttle=throttle,
            brake=brake,
        )  # fmt: skip

    def whole_cell(self, channels: int, end: float) -> DeviceRecords:
        ticks, t, counts = (np.concatenate(x) for x in zip(*self.cell, strict=True))
        keep = t <= end
        fields = [("tick", "<u8"), *((f"ch{i}", "<i4") for i in range(channels))]
        records = np.empty(int(keep.sum()), np.dtype(fields))
        records["tick"] = ticks[keep]
        for i in range(channels):
            records[f"ch{i}"] = counts[keep, i]
        due = np.concatenate(self.cell_due)[keep]
        return DeviceRecords(records=records, true_s=t[keep], received_s=due)

    def whole_wheel(self, scenario: Scenario, end: float) -> DeviceRecords:
        names = ("t_s", "tick", "edge_tick", "count", "pps_tick", "pps_count", "flags")
        columns = {n: np.concatenate([getattr(f, n) for f in self.wheel]) for n in names}
        keep = columns["t_s"] <= end
        records = np.zeros(int(keep.sum()), WHEEL_DTYPE)
        for name in names[1:]:
            values = columns[name][keep]
            records[name] = values % 256 if name == "pps_count" else values
        records["sequence"] = np.arange(records.size) % 256
        t = columns["t_s"][keep]
        rng = np.random.default_rng(scenario.streams()[1].spawn(4)[3])
        wait = rng.exponential(scenario.wheel.latency_jitter_s, t.size)
        due = np.maximum.accumulate(t + scenario.wheel.latency_s + wait)
        return DeviceRecords(records=records, true_s=t, received_s=due)


def _gnss(scenario: Scenario, truth: Truth, end: float) -> DeviceRecords:
    """One RMC a second, with height and quality filled in; drawn as the sentences are."""
    law, line = scenario.gnss, scenario.journey.line
    first = -(-scenario.utc0_ns // 10**9)
    last = (scenario.utc0_ns + int(end * 1e9)) // 10**9
    utc = np.arange(first, last + 1, dtype=np.int64) * 10**9
    t = (utc - scenario.utc0_ns) / 1e9
    rng = np.random.default_rng(scenario.streams()[2])
    offset = position_walk(rng, t.size, law.position_sd_m)
    s = np.interp(t, truth.time_s, truth.chainage_m)
    v = np.interp(t, truth.time_s, truth.speed_m_s)
    latitude, longitude = line.latlon(s)
    swing = law.delay_swing_s * (0.5 + 0.5 * np.sin(t / 97.0))
    late = law.delay_s + swing + rng.exponential(law.delay_jitter_s, t.size)
    records = np.zeros(t.size, GNSS_DTYPE)
    records["tick"] = np.rint((t + late) * 1e9).astype(np.uint64)
    records["utc_ns"], records["kind"], records["valid"] = utc, b"RMC", 1
    records["latitude_deg"] = latitude + offset[:, 0] / 111_200.0
    across = 111_200.0 * np.cos(np.radians(latitude))
    records["longitude_deg"] = longitude + offset[:, 1] / across
    records["altitude_m"] = line.elevation(s) + 3.4 + 1.7 * offset[:, 2]
    records["speed_m_s"] = np.abs(v + law.speed_sd_m_s * rng.standard_normal(t.size))
    records["course_deg"] = (line.heading(s) + np.where(v < 0.0, 180.0, 0.0)) % 360.0
    records["hdop"], records["satellites"] = 0.9, 11
    lost = np.zeros(t.size, bool)
    for begins, lasts in law.outages:
        lost |= (t >= begins) & (t < begins + lasts)
    records["valid"][lost], records["utc_ns"][lost] = 0, NO_TIME
    for name in ("latitude_deg", "longitude_deg", "altitude_m", "speed_m_s", "course_deg"):
        records[name][lost] = np.nan
    return DeviceRecords(records=records, true_s=t, received_s=t + late)


def post_passages(truth: Truth, posts: Sequence[PostSpec]) -> list[tuple[float, PostSpec]]:
    """(true time the coupler passed, post), by time; each time when passed more than once."""
    out: list[tuple[float, PostSpec]] = []
    for post in posts:
        past = truth.chainage_m >= post.s_m
        for i in np.flatnonzero(past[1:] != past[:-1]):
            a, b = truth.chainage_m[i], truth.chainage_m[i + 1]
            part = (post.s_m - a) / (b - a)
            step = truth.time_s[i + 1] - truth.time_s[i]
            out.append((float(truth.time_s[i] + part * step), post))
    return sorted(out, key=lambda pair: pair[0])

"""An invented line and invented runs over it, made independently of the code under test."""

from __future__ import annotations

import io
from dataclasses import dataclass, field
from typing import TYPE_CHECKING, Any

import numpy as np
import pytest
from pyproj import Geod

from recorder.marks.mark import Mark
from recorder.track.route.route import Route, parse_route

if TYPE_CHECKING:
    from collections.abc import Callable

    from numpy.typing import NDArray

GEOD = Geod(ellps="WGS84")
STEP_M = 10.0


@dataclass(frozen=True)
class Line:
    """A line whose shape is stepped out on the ellipsoid, 10 m at a time."""

    csv: str
    posts_m: NDArray[np.float64]
    numbers: NDArray[np.int64]
    s_m: NDArray[np.float64]
    latitude_deg: NDArray[np.float64]
    longitude_deg: NDArray[np.float64]

    def route(self) -> Route:
        return parse_route(self.csv, source="line.csv")


def make_line(length_m: float = 205_000.0, spacing_m: float = 1000.0, seed: int = 5) -> Line:
    """Posts near `spacing_m` apart, a few miles long or short; curves with spirals."""
    rng = np.random.default_rng(seed)
    n = int(length_m / spacing_m) + 1
    gaps = spacing_m + rng.normal(0.0, 8.0, n)
    gaps[rng.choice(n, max(1, n // 25), replace=False)] += rng.choice([-180.0, 140.0])
    posts = 300.0 + np.concatenate(([0.0], np.cumsum(gaps)))
    posts = posts[posts < length_m - 100.0]
    numbers = np.arange(posts.size) + 12
    s = np.arange(0.0, length_m + STEP_M, STEP_M)
    curvature = np.zeros(s.size)
    curves: list[tuple[float, float, float, str]] = []
    at = 1500.0
    while at + 2500.0 < length_m:
        span = float(np.round(rng.uniform(400.0, 900.0), -1))
        radius = float(np.round(rng.uniform(350.0, 1500.0), 0))
        hand = 1 if rng.random() < 0.5 else -1
        curves.append((at, at + span, radius, "right" if hand > 0 else "left"))
        ramp = np.interp(s, [at, at + 100.0, at + span - 100.0, at + span], [0, 1, 1, 0], 0, 0)
        curvature += hand * ramp / radius
        at += span + float(np.round(rng.uniform(600.0, 3000.0), -1))
    turned = np.cumsum(0.5 * (curvature[1:] + curvature[:-1]) * STEP_M)
    heading = 40.0 + np.degrees(np.concatenate(([0.0], turned)))
    lat, lon = np.empty(s.size), np.empty(s.size)
    lat[0], lon[0] = 47.0, 8.0
    for i in range(s.size - 1):
        middle = heading[i] + 0.5 * np.degrees(turned[i] - (turned[i - 1] if i else 0.0))
        lon[i + 1], lat[i + 1], _ = GEOD.fwd(lon[i], lat[i], middle, STEP_M)
        # A straight line on the ellipsoid turns against north as it goes.
        drift = (lon[i + 1] - lon[i]) * np.sin(np.radians(lat[i]))
        heading[i + 1 :] += drift
    out = io.StringIO()
    out.write("chainage_m,end_chainage_m,kind,value,direction,radius_m,spiral_in_m,")
    out.write("spiral_out_m,latitude_deg,longitude_deg\n")
    for a, number in zip(posts, numbers, strict=True):
        la, lo = np.interp(a, s, lat), np.interp(a, s, lon)
        out.write(f"{a:.2f},,milepost,{number},,,,,{la:.8f},{lo:.8f}\n")
    for a, b, radius, hand_word in curves:
        out.write(f"{a},{b},curve,,{hand_word},{radius},100,100,,\n")
    out.write(f"0,{length_m / 2},grade,0.4,,,,,,\n{length_m / 2},{length_m},grade,-0.2,,,,,,\n")
    return Line(out.getvalue(), posts, numbers, s, lat, lon)


@dataclass
class Run:
    """Truth and what was recorded of it."""

    t_s: NDArray[np.float64]
    s_m: NDArray[np.float64]
    d_m: NDArray[np.float64]
    marks: list[Mark]
    wrong: dict[str, str] = field(default_factory=dict)
    gnss_t_s: NDArray[np.float64] = field(default_factory=lambda: np.zeros(0))
    gnss_latitude: NDArray[np.float64] = field(default_factory=lambda: np.zeros(0))
    gnss_longitude: NDArray[np.float64] = field(default_factory=lambda: np.zeros(0))

    def position_at(self, t_s: float) -> float:
        return float(np.interp(t_s, self.t_s, self.s_m))


def speed_profile(rng: np.random.Generator, length_m: float, dt: float) -> NDArray[np.float64]:
    """Speeds (n,) that roll `length_m` with stops and slow stretches."""
    speeds: list[NDArray[np.float64]] = [np.zeros(int(30 / dt))]
    rolled, v = 0.0, 0.0
    while rolled < length_m:
        target = 0.0 if rng.random() < 0.08 else rng.uniform(8.0, 26.0)
        step = np.sign(target - v) * 0.12 * dt
        ramp = np.arange(v, target, step) if step else np.zeros(0)
        hold = int(rng.uniform(60, 900) / dt) if target else int(rng.uniform(30, 240) / dt)
        piece = np.concatenate((ramp, np.full(hold, target)))
        speeds.append(piece)
        rolled += float(piece.sum()) * dt
        v = target
    v_all = np.concatenate(speeds)
    stop = int(np.searchsorted(np.cumsum(v_all) * dt, length_m))
    return np.concatenate((v_all[:stop], np.zeros(int(20 / dt))))


def make_run(
    line: Line,
    *,
    seed: int = 1,
    way: int = 1,
    wheel: float = 1.01,
    wear: float = -2.0e-4,
    delay: tuple[float, float] = (0.45, 0.2),
    begin_m: float = 150.0,
    length_m: float = 200_500.0,
    gnss: bool = True,
    dt: float = 0.1,
) -> Run:
    """One run; `wheel` is the true metres per nominal metre, changing by `wear` over it."""
    rng = np.random.default_rng(seed)
    v = speed_profile(rng, length_m, dt)
    t = np.arange(v.size, dtype=np.float64) * dt
    rolled = np.concatenate(([0.0], np.cumsum(0.5 * (v[1:] + v[:-1]) * dt)))
    start = begin_m if way > 0 else line.s_m[-1] - begin_m
    s = start + way * rolled
    # The tread also runs a little larger or smaller from curve to curve.
    places = np.arange(0.0, rolled[-1] + 5000, 2000)
    wander = np.interp(rolled, places, 5e-5 * rng.standard_normal(places.size))
    scale = wheel + wear * rolled / rolled[-1] + wander
    d = np.concatenate(([0.0], np.cumsum(np.diff(rolled) / scale[:-1])))
    d = np.floor(d / 0.005) * 0.005
    marks = []
    for post, number in zip(line.posts_m, line.numbers, strict=True):
        if not s.min() < post < s.max():
            continue
        passed = float(np.interp(way * post, way * s, t))
        late = max(0.0, rng.normal(*delay))
        marks.append(
            Mark(mark_id=f"m{number}", kind="milepost", t_s=passed + late, value=str(number))
        )
    run = Run(t, s, d, sorted(marks, key=lambda m: m.t_s))
    if gnss:
        _add_gnss(run, line, rng)
    return run


def _add_gnss(run: Run, line: Line, rng: np.random.Generator) -> None:
    t = np.arange(0.0, run.t_s[-1], 1.0)
    s = np.interp(t, run.t_s, run.s_m)
    lat, lon = (
        np.interp(s, line.s_m, line.latitude_deg),
        np.interp(s, line.s_m, line.longitude_deg),
    )
    phi = np.exp(-1.0 / 400.0)
    slow = np.zeros((2, t.size))
    kicks = rng.normal(0.0, 2.5 * np.sqrt(1 - phi**2), (2, t.size))
    for i in range(1, t.size):
        slow[:, i] = phi * slow[:, i - 1] + kicks[:, i]
    east, north = slow + rng.normal(0.0, 1.5, (2, t.size))
    run.gnss_t_s = t
    run.gnss_latitude = lat + north / 111_200.0
    run.gnss_longitude = lon + east / (111_320.0 * np.cos(np.radians(lat)))


def spoil(run: Run, rng: np.random.Generator) -> None:
    """Five wrong marks: a wrong number, a doubled key, two keyed far too late, a stray one."""
    picks = sorted(rng.choice(np.arange(15, len(run.marks) - 15), 5, replace=False).tolist())
    number, doubled, late, later, stray = (run.marks[i] for i in picks)
    changes: dict[str, Mark] = {
        number.mark_id: number.revised(value=str(int(number.value) + 3)),
        late.mark_id: late.revised(t_s=late.t_s + 7.0),
        later.mark_id: later.revised(t_s=later.t_s + 12.0),
    }
    run.marks = [changes.get(m.mark_id, m) for m in run.marks]
    again = Mark(mark_id="again", kind="milepost", t_s=doubled.t_s + 6.0, value=doubled.value)
    lost = Mark(mark_id="stray", kind="milepost", t_s=stray.t_s + 25.0, value="")
    run.marks = sorted([*run.marks, again, lost], key=lambda m: m.t_s)
    run.wrong = {
        number.mark_id: "renumbered",
        late.mark_id: "outlier",
        later.mark_id: "outlier",
        "again": "doubled",
        "stray": "outlier",
    }


@pytest.fixture(scope="session")
def long_line() -> Line:
    return make_line()


@pytest.fixture(scope="session")
def short_line() -> Line:
    return make_line(40_000.0, 1609.344, seed=9)


@pytest.fixture(scope="session")
def runs() -> Callable[..., Run]:
    return make_run


@pytest.fixture(scope="session")
def spoiled() -> Callable[[Run, Any], None]:
    return spoil

"""Speed and memory of placing: twelve hours of wheel records at 200 pulses a metre.

Prints ratios. Run from the top of the project: ``python tests/benchmarks/bench_placing.py``.
"""

from __future__ import annotations

import argparse
import resource
import sys
import time
from collections.abc import Iterator
from pathlib import Path

import numpy as np
from numpy.typing import NDArray

sys.path.insert(0, str(Path(__file__).resolve().parents[2]))

from recorder.marks.mark import Mark
from recorder.track.consist.train_shape import Body, TrainShape
from recorder.track.consist.under_train import UnderTrain
from recorder.track.live.live_placer import LivePlacer
from recorder.track.placing.placing import GnssFixes, PlacingOptions, place_run
from recorder.track.placing.wheel_track import WheelTrack
from recorder.track.route.route import Route, parse_route

RECORDS_HZ = 100.0
PULSE_M = 1.0 / 200.0
LIMIT_S = 10.0


def line(length_m: float) -> Route:
    """Posts a mile apart with coordinates along a meridian, a change of grade at each."""
    rows = ["chainage_m,end_chainage_m,kind,value,latitude_deg,longitude_deg"]
    for i in range(int(length_m / 1609.344) + 2):
        s = i * 1609.344
        rows.append(f"{s:.3f},,milepost,{i + 1},{30.0 + s / 110_900.0:.7f},10.0")
        rows.append(f"{s:.3f},{s + 1609.344:.3f},grade,{0.5 * (-1) ** i},,")
    return parse_route("\n".join(rows), source="bench")


def speed(t: np.ndarray) -> np.ndarray:
    """m/s: slow swings around 80 km/h."""
    return 22.0 + 5.0 * np.sin(t / 700.0)


def blocks(seconds: float) -> Iterator[tuple[np.ndarray, np.ndarray]]:
    """Wheel records as a run file gives them, a block at a time."""
    step = 1 << 18
    n = int(seconds * RECORDS_HZ)
    for start in range(0, n, step):
        t = np.arange(start, min(start + step, n)) / RECORDS_HZ
        yield t, np.floor(chainage(t) / 1.01 / PULSE_M) * PULSE_M


def chainage(t: np.ndarray) -> np.ndarray:
    """Integral of the speed."""
    return 22.0 * t + 3500.0 * (1.0 - np.cos(t / 700.0))


def peak_MB() -> float:
    """Most memory this process has held."""
    used = resource.getrusage(resource.RUSAGE_SELF).ru_maxrss
    return used / (1024.0 if sys.platform != "darwin" else 1024.0**2)


def crew(route: Route, seconds: float) -> list[Mark]:
    """A mark at every post with human delay."""
    rng = np.random.default_rng(1)
    t = np.arange(0.0, seconds, 1.0)
    s = chainage(t)
    return [
        Mark(
            mark_id=str(i),
            kind="milepost",
            t_s=float(np.interp(p.s_m, s, t)) + abs(float(rng.normal(0.5, 0.2))),
            value=p.label,
        )
        for i, p in enumerate(route.mileposts)
        if s[0] < p.s_m < s[-1]
    ]


def main() -> None:
    """Run and print."""
    parser = argparse.ArgumentParser(description=__doc__)
    parser.add_argument("--hours", type=float, default=12.0)
    seconds = parser.parse_args().hours * 3600.0
    route = line(float(chainage(np.array([seconds]))[0]))
    marks = crew(route, seconds)
    t = np.arange(0.0, seconds, 1.0)
    lat, lon = route.latlon_at(chainage(t))
    lat = lat + np.random.default_rng(2).normal(0.0, 2e-5, t.size)
    before_MB = peak_MB()

    begin = time.perf_counter()
    track = WheelTrack.from_blocks(blocks(seconds))
    thinned = time.perf_counter()
    fixes = GnssFixes(t_s=t, latitude_deg=lat, longitude_deg=lon)
    placed = place_run(route, track, marks, gnss=fixes)
    took = time.perf_counter() - begin
    n = int(seconds * RECORDS_HZ)
    worst = max(
        float(np.abs(placed.position(a, d) - chainage(a)).max()) for a, d in blocks(seconds)
    )
    print(f"run            {seconds / 3600:.0f} h, {n} records, {len(marks)} marks")
    print(f"thinning       {thinned - begin:.2f} s (generator included)")
    print(f"placing        {took:.2f} s in all; limit / took = {LIMIT_S / took:.1f}")
    print(f"worst error    {worst:.2f} m, stated at most {placed.greatest_u95_m:.2f} m")
    print(f"memory         {peak_MB() - before_MB:.0f} MB more than before")

    live_s = min(seconds, 7200.0)
    _live(route, marks, live_s, None)
    _live(route, marks, live_s, np.column_stack((t, lat, lon)))
    _under_train(route, placed.position(track.t_s, track.d_m))


def _live(
    route: Route, marks: list[Mark], live_s: float, fixes: NDArray[np.float64] | None
) -> None:
    placer = LivePlacer(route, PlacingOptions(way=1, start_chainage_m=0.0))
    waiting = list(marks)
    longest = 0.0
    cpu = time.process_time()
    for now in np.arange(0.0, live_s, 0.1):
        while waiting and waiting[0].t_s <= now:
            placer.add_mark(waiting.pop(0))
        if fixes is not None and now == int(now):
            placer.add_fix(*fixes[int(now)].tolist())
        one = time.process_time()
        placer.update(float(now), float(chainage(np.array([now]))[0]) / 1.01)
        longest = max(longest, time.process_time() - one)
    cpu = time.process_time() - cpu
    what = "with fixes" if fixes is not None else "10/s"
    print(
        f"live {what:11}{100.0 * cpu / live_s:.3f} % of a core (limit 1 %),"
        f" longest step {1e3 * longest:.0f} ms (a frame is 33 ms)"
    )


def _under_train(route: Route, s_m: NDArray[np.float64]) -> None:
    shape = TrainShape(
        locomotive=Body.of([(0.0, 25.0, 150.0)]), trailing=Body.of([(-900.0, 0.0, 4000.0)])
    )
    begin = time.perf_counter()
    UnderTrain(route, shape).at(s_m)
    took = time.perf_counter() - begin
    print(f"under train    {s_m.size / took / 1e6:.2f} million positions/s")


if __name__ == "__main__":
    main()

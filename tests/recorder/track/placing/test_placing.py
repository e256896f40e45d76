"""Placing runs made by an independent generator, against the truth they were made from."""

from __future__ import annotations

import json
from typing import TYPE_CHECKING

import numpy as np
import pytest

from recorder.marks.mark import Mark
from recorder.track.placing.errors import PlacingError
from recorder.track.placing.placement import MarkUse, Placement
from recorder.track.placing.placing import GnssFixes, PlacingOptions, place_run
from recorder.track.placing.wheel_track import WheelTrack
from recorder.track.route.route import Route, parse_route
from tests.recorder.track.placing.whole_tracks import track_of

if TYPE_CHECKING:
    from collections.abc import Callable

    from numpy.typing import NDArray

    from tests.recorder.track.conftest import Line, Run

    MakeRun = Callable[..., Run]


def fixes(run: Run, outage: tuple[float, float] | None = None) -> GnssFixes:
    t = run.gnss_t_s
    keep = np.ones(t.size, np.bool_)
    if outage is not None:
        keep = (t < outage[0]) | (t > outage[1])
    return GnssFixes(
        t_s=t[keep],
        latitude_deg=run.gnss_latitude[keep],
        longitude_deg=run.gnss_longitude[keep],
    )


def errors(run: Run, placed: Placement) -> tuple[NDArray[np.float64], NDArray[np.float64]]:
    """Error of the position at every sample, and the stated 95 % uncertainty."""
    return (
        placed.position(run.t_s, run.d_m) - run.s_m,
        placed.u95_m(run.t_s, run.d_m),
    )


def statuses(placed: Placement) -> dict[str, str]:
    return {m.mark_id: m.status for m in placed.marks}


@pytest.fixture(scope="module")
def long_route(long_line: Line) -> Route:
    return long_line.route()


@pytest.mark.slow
@pytest.mark.parametrize("seed", range(6))
def test_two_hundred_kilometres_worn_wheel_wrong_marks_and_an_outage(
    long_line: Line,
    long_route: Route,
    runs: MakeRun,
    spoiled: Callable[..., None],
    seed: int,
) -> None:
    """1 % wrong nominal diameter, 200 marks with human delay, five of them wrong, twenty
    minutes without GNSS: within 15 m everywhere, and within the stated 95 % for 95 % of it."""
    rng = np.random.default_rng(seed + 50)
    run = runs(
        long_line, seed=seed, way=1 if seed % 2 == 0 else -1,
        wheel=1 + rng.choice([-0.01, 0.01]),
        delay=(rng.uniform(0.1, 0.8), rng.uniform(0.1, 0.35)),
    )  # fmt: skip
    spoiled(run, rng)
    begin = rng.uniform(1000.0, run.t_s[-1] - 2500.0)
    placed = place_run(
        long_route,
        track_of(run.t_s, run.d_m),
        run.marks,
        gnss=fixes(run, (begin, begin + 1200.0)),
    )
    error, u95 = errors(run, placed)
    assert np.max(np.abs(error)) < 15.0
    assert np.mean(np.abs(error) <= u95) >= 0.95
    # A bound that holds everything because it is huge would be no answer either.
    assert placed.greatest_u95_m < 15.0
    got = statuses(placed)
    assert {k: got[k] for k in run.wrong} == run.wrong
    assert sum(s != "used" for s in got.values()) <= len(run.wrong) + 1


@pytest.mark.slow
def test_stated_uncertainty_covers_without_gnss_over_many_runs(
    short_line: Line, runs: MakeRun
) -> None:
    """Twenty marks a run, no GNSS: over forty runs at least nine tenths of all of it lies
    inside the stated 95 %, with delays drawn as the default expects them."""
    route = short_line.route()
    covered, widths = [], []
    for seed in range(40):
        rng = np.random.default_rng(1000 + seed)
        run = runs(
            short_line, seed=seed, length_m=35_000.0, gnss=False, dt=0.2,
            delay=(max(0.0, rng.normal(0.5, 0.3)), 0.2), wheel=1 + rng.normal(0.0, 0.01),
        )  # fmt: skip
        placed = place_run(route, track_of(run.t_s, run.d_m), run.marks)
        error, u95 = errors(run, placed)
        covered.append(float(np.mean(np.abs(error) <= u95)))
        widths.append(placed.greatest_u95_m)
    assert np.mean(covered) >= 0.90
    assert np.median(widths) < 20.0


def test_the_wheel_scale_is_found(long_line: Line, long_route: Route, runs: MakeRun) -> None:
    run = runs(long_line, seed=3, gnss=False)
    placed = place_run(long_route, track_of(run.t_s, run.d_m), run.marks)
    assert placed.scale == pytest.approx(1.0099, abs=3e-5)
    # Worn 0.02 % smaller at the end than at the beginning.
    assert placed.scale_last - placed.scale_first == pytest.approx(-2e-4, abs=1.2e-4)
    assert placed.reaction_s == pytest.approx(0.45, abs=0.15)
    assert placed.reaction_sd_s == pytest.approx(0.2, abs=0.07)


@pytest.mark.parametrize("first_wrong", [60, 140])
def test_numbers_that_count_on_wrong_after_a_slip_are_matched_without_them(
    long_line: Line, long_route: Route, runs: MakeRun, first_wrong: int
) -> None:
    run = runs(long_line, seed=3, gnss=False)
    marks = [
        m if i < first_wrong else m.revised(value=str(int(m.value) + 1))
        for i, m in enumerate(run.marks)
    ]
    placed = place_run(long_route, track_of(run.t_s, run.d_m), marks)
    assert np.max(np.abs(errors(run, placed)[0])) < 10.0
    got = [m.status for m in placed.marks]
    assert set(got[:first_wrong]) == {"used"}
    assert set(got[first_wrong:]) == {"renumbered"}
    wrong = placed.marks[first_wrong]
    assert wrong.milepost == run.marks[first_wrong].value
    assert abs(wrong.number_residual_m or 0.0) > 500.0


def test_marks_without_any_number_need_only_a_rough_start(
    long_line: Line, long_route: Route, runs: MakeRun
) -> None:
    run = runs(long_line, seed=4, gnss=False)
    marks = [m.revised(value="") for m in run.marks]
    track = track_of(run.t_s, run.d_m)
    placed = place_run(long_route, track, marks, options=PlacingOptions(start_chainage_m=50.0))
    assert np.max(np.abs(errors(run, placed)[0])) < 10.0
    assert {m.status for m in placed.marks} == {"used"}


def test_numbers_keyed_backwards_are_shown_and_do_not_move_the_run(
    long_line: Line, long_route: Route, runs: MakeRun
) -> None:
    run = runs(long_line, seed=3, gnss=False)
    top = int(run.marks[-1].value) + int(run.marks[0].value)
    marks = [m.revised(value=str(top - int(m.value))) for m in run.marks]
    placed = place_run(
        long_route,
        track_of(run.t_s, run.d_m),
        marks,
        options=PlacingOptions(way=1, start_chainage_m=100.0),
    )
    assert np.max(np.abs(errors(run, placed)[0])) < 10.0
    assert sum(m.status is MarkUse.RENUMBERED for m in placed.marks) >= len(marks) - 2


def test_skipped_posts_are_named(long_line: Line, long_route: Route, runs: MakeRun) -> None:
    run = runs(long_line, seed=5, gnss=False)
    missing = {run.marks[i].value for i in (20, 21, 99)}
    marks = [m for m in run.marks if m.value not in missing]
    placed = place_run(long_route, track_of(run.t_s, run.d_m), marks)
    assert set(placed.skipped) == missing


def test_gnss_alone_places_a_run(long_line: Line, long_route: Route, runs: MakeRun) -> None:
    run = runs(long_line, seed=6)
    track = track_of(run.t_s, run.d_m)
    placed = place_run(long_route, track, [], gnss=fixes(run))
    error, u95 = errors(run, placed)
    assert np.max(np.abs(error)) < 10.0
    assert np.mean(np.abs(error) <= u95) >= 0.95
    assert "no milepost marks" in placed.notes


def test_positions_that_jump_are_left_out(
    long_line: Line, long_route: Route, runs: MakeRun
) -> None:
    run = runs(long_line, seed=6)
    bad = (run.gnss_t_s > 2000) & (run.gnss_t_s < 2600)
    run.gnss_latitude[bad] += 0.02
    placed = place_run(long_route, track_of(run.t_s, run.d_m), run.marks, gnss=fixes(run))
    assert np.max(np.abs(errors(run, placed)[0])) < 10.0
    assert placed.gnss_rejected >= 20


def shuttle(
    line: Line, *, seed: int = 0
) -> tuple[WheelTrack, list[Mark], NDArray[np.float64], NDArray[np.float64]]:
    """Up 9 km, back 5 km, up again 12 km, keying every post on every pass."""
    rng = np.random.default_rng(seed)
    corners_t = np.array([0.0, 600.0, 700.0, 1100.0, 1200.0, 2000.0, 2050.0])
    corners_s = np.array([500.0, 9500.0, 9500.0, 4500.0, 4500.0, 16500.0, 16500.0])
    t = np.arange(0.0, 2050.0, 0.1)
    s = np.interp(t, corners_t, corners_s)
    d = (s - s[0]) / 1.006
    marks = []
    for i in range(corners_t.size - 1):
        low, high = sorted(corners_s[i : i + 2])
        for post, number in zip(line.posts_m, line.numbers, strict=True):
            if low < post < high:
                share = (post - corners_s[i]) / (corners_s[i + 1] - corners_s[i])
                passed = corners_t[i] + share * (corners_t[i + 1] - corners_t[i])
                late = abs(rng.normal(0.4, 0.15))
                name = f"{number}-{i}"
                marks.append(
                    Mark(mark_id=name, kind="milepost", t_s=passed + late, value=str(number))
                )
    return track_of(t, d), marks, t, s


def test_set_backs_pass_posts_again(short_line: Line) -> None:
    track, marks, t, s = shuttle(short_line)
    assert len({m.value for m in marks}) < len(marks)
    placed = place_run(short_line.route(), track, marks)
    error = placed.position(t, track.distance(t)) - s
    assert np.max(np.abs(error)) < 12.0
    assert np.mean(np.abs(error) <= placed.u95_m(t, track.distance(t))) > 0.95
    assert {m.status for m in placed.marks} == {"used"}
    # Late is late both ways: the sign of the delay turns with the train.
    late = [m.residual_s for m in placed.marks if m.residual_s is not None]
    assert np.abs(late).max() < 0.8


def test_counts_lost_on_the_way_widen_the_uncertainty_there(
    long_line: Line, long_route: Route, runs: MakeRun
) -> None:
    run = runs(long_line, seed=8, gnss=False)
    lost = (run.t_s > 5000.0) & (run.t_s < 5040.0)
    keep = ~lost
    d = run.d_m - np.where(run.t_s >= 5040.0, 90_000.0, 0.0)
    track = track_of(run.t_s[keep], d[keep])
    placed = place_run(long_route, track, run.marks)
    error = placed.position(run.t_s[keep], d[keep]) - run.s_m[keep]
    u95 = placed.u95_m(run.t_s[keep], d[keep])
    assert np.mean(np.abs(error) <= u95) >= 0.95
    assert np.max(np.abs(error)) < 60.0
    assert any("counts were lost" in note for note in placed.notes)


def test_marks_are_believed_before_a_wrong_trip_sheet(
    long_line: Line, long_route: Route, runs: MakeRun
) -> None:
    run = runs(long_line, seed=9, way=-1, gnss=False)
    placed = place_run(
        long_route,
        track_of(run.t_s, run.d_m),
        run.marks,
        options=PlacingOptions(way=1, start_chainage_m=0.0),
    )
    assert placed.way == -1
    assert np.max(np.abs(errors(run, placed)[0])) < 10.0
    assert len([n for n in placed.notes if "trip sheet" in n or "as stated" in n]) == 2


def test_dead_reckoning_says_how_little_it_knows(
    long_line: Line, long_route: Route, runs: MakeRun
) -> None:
    run = runs(long_line, seed=2, gnss=False)
    placed = place_run(
        long_route,
        track_of(run.t_s, run.d_m),
        [],
        options=PlacingOptions(way=1, start_chainage_m=100.0),
    )
    error, u95 = errors(run, placed)
    assert (np.abs(error) <= u95).all()
    assert u95[-1] > 2000.0


def test_without_anything_to_hold_on_to_it_says_so(long_route: Route) -> None:
    track = track_of([0.0, 10.0], [0.0, 100.0])
    with pytest.raises(PlacingError, match="cannot be placed"):
        place_run(long_route, track, [])
    stray = [Mark(mark_id="a", kind="milepost", t_s=5.0, value="9999")]
    with pytest.raises(PlacingError, match="cannot be placed"):
        place_run(long_route, track, stray)


def test_a_run_that_only_stood_still_is_placed_where_it_stood(long_route: Route) -> None:
    t = np.arange(0.0, 600.0, 0.1)
    track = track_of(t, np.zeros(t.size))
    placed = place_run(
        long_route,
        track,
        [],
        options=PlacingOptions(way=1, start_chainage_m=5000.0, u_start_m=10.0),
    )
    assert placed.position(t, np.zeros(t.size)) == pytest.approx(5000.0, abs=1e-6)
    assert placed.greatest_u95_m == pytest.approx(2.0 * np.sqrt(10.0**2 + 1.0), rel=1e-3)


def test_a_placement_survives_being_kept(
    long_line: Line, long_route: Route, runs: MakeRun
) -> None:
    run = runs(long_line, seed=1, gnss=False)
    placed = place_run(long_route, track_of(run.t_s, run.d_m), run.marks)
    again = Placement.from_dict(json.loads(json.dumps(placed.to_dict())))
    a, b = (p.position(run.t_s, run.d_m) for p in (placed, again))
    assert np.max(np.abs(a - b)) < 1e-3
    assert again.marks == placed.marks
    with pytest.raises(PlacingError, match="no placement"):
        Placement.from_dict({"t_s": [1.0]})


# Time over a mile and the speed it is, from a railroad travel guide (what-when-how.com, North
# American train travel); mm:ss is rounded, the speeds are whole.
MILE_TIMES = [
    (120, 30), (90, 40), (80, 45), (72, 50), (60, 60), (55.4, 65), (51.4, 70), (48, 75),
    (45, 80),
]  # fmt: skip


@pytest.mark.parametrize(("seconds", "mph"), MILE_TIMES)
def test_milepost_timing_table(seconds: float, mph: float) -> None:
    """A mile between two marks in so many seconds is the published speed, whatever the wheel
    (here 1 % out) made of it."""
    route = parse_route(
        "chainage_mi,kind,value\n0,milepost,7\n1,milepost,8\n2,milepost,9\n", source="x"
    )
    t = np.arange(0.0, 2.0 * seconds + 20.0, 0.05)
    d = 1609.344 / seconds * (t - 10.0) / 1.01
    marks = [
        Mark(mark_id=str(i), kind="milepost", t_s=10.0 + i * seconds, value=str(7 + i))
        for i in range(3)
    ]
    options = PlacingOptions(way=1, reaction_s=0.0, u_reaction_s=0.01, reaction_sd_s=0.01)
    placed = place_run(route, track_of(t, d), marks, options=options)
    at = np.array([10.0, 10.0 + seconds])
    rolled = np.diff(placed.position(at, np.interp(at, t, d)))[0]
    assert rolled == pytest.approx(1609.344, rel=5e-4)
    assert rolled / seconds / 0.44704 == pytest.approx(mph, rel=2e-3)


def test_quarter_posts_between_mileposts_are_understood() -> None:
    route = parse_route(
        "chainage_m,kind,value\n0,milepost,10\n1600,milepost,11\n3250,milepost,12\n", source="x"
    )
    t = np.arange(0.0, 350.0, 0.1)
    d = 10.0 * t - 100.0
    marks = [
        Mark(mark_id=v, kind="milepost", t_s=(s + 100.0) / 10.0 + 0.4, value=v)
        for v, s in [("10", 0), ("10.5", 800), ("11", 1600), ("11.25", 2012.5), ("12", 3250)]
    ]
    placed = place_run(route, track_of(t, d), marks)
    assert {m.status for m in placed.marks} == {"used"}
    assert placed.scale == pytest.approx(1.0, abs=2e-3)

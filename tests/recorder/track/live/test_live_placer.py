"""Placing while the run goes on."""

from __future__ import annotations

import math
from collections.abc import Callable
from typing import TYPE_CHECKING

import numpy as np
import pytest

from recorder.marks.mark import Mark
from recorder.track.live.live_placer import LivePlacer
from recorder.track.placing.anchors import PlacingOptions
from recorder.track.placing.placement import MarkUse
from recorder.track.route.route import parse_route

if TYPE_CHECKING:
    from numpy.typing import NDArray

    from tests.recorder.track.conftest import Line, Run


@pytest.mark.slow
@pytest.mark.parametrize("gnss", [False, True])
def test_live_position_follows_the_truth(
    short_line: Line, runs: Callable[..., Run], *, gnss: bool
) -> None:
    run = runs(short_line, seed=7, length_m=38_000.0, begin_m=200.0)
    placer = LivePlacer(short_line.route(), PlacingOptions(way=1, start_chainage_m=260.0))
    marks = list(run.marks)
    error, u95 = [], []
    for i in range(0, run.t_s.size, 10):
        t = float(run.t_s[i])
        while marks and marks[0].t_s <= t:
            placer.add_mark(marks.pop(0))
        k = int(t)
        if gnss and i % 100 == 0 and k < run.gnss_t_s.size:
            placer.add_fix(t, run.gnss_latitude[k], run.gnss_longitude[k])
        here = placer.update(t, float(run.d_m[i]))
        assert here is not None
        error.append(here.chainage_m - run.s_m[i])
        u95.append(here.u95_m)
    wrong = np.abs(error)
    assert (wrong <= np.array(u95)).mean() > 0.95
    settled = run.s_m[::10][: wrong.size] > 7000.0
    assert wrong[settled].max() < 20.0
    assert np.array(u95)[settled].max() < 45.0


def test_nothing_is_said_before_anything_is_known(short_line: Line) -> None:
    placer = LivePlacer(short_line.route())
    assert placer.update(0.0, 0.0) is None
    assert placer.position() is None


def test_a_post_places_the_train(short_line: Line) -> None:
    route = short_line.route()
    post = route.mileposts[3]
    placer = LivePlacer(route, PlacingOptions(way=1))
    for i in range(100):
        placer.update(i * 0.5, i * 5.0)
    placer.add_mark(Mark(mark_id="a", kind="milepost", t_s=49.9, value=post.label))
    here = placer.update(50.0, 500.0)
    assert here is not None
    assert (here.direction, here.facing) == (1, 1)
    assert here.chainage_m == pytest.approx(post.s_m + 5.0, abs=6.0)


def test_setting_back_turns_what_is_ahead(short_line: Line) -> None:
    route = short_line.route()
    placer = LivePlacer(
        route, PlacingOptions(way=1, start_chainage_m=route.mileposts[3].s_m + 100.0)
    )
    forward = [placer.update(t * 0.5, t * 2.0) for t in range(50)]
    backward = [placer.update(25.0 + t * 0.5, 98.0 - t * 2.0) for t in range(20)]
    first, last = forward[-1], backward[-1]
    assert first is not None
    assert last is not None
    assert (first.direction, last.direction) == (1, -1)
    assert last.chainage_m < first.chainage_m


def test_a_withdrawn_mark_no_longer_counts(short_line: Line) -> None:
    route = short_line.route()
    placer = LivePlacer(route, PlacingOptions(way=1))
    for i in range(100):
        placer.update(i * 0.5, i * 5.0)
    mark = Mark(mark_id="a", kind="milepost", t_s=40.0, value=route.mileposts[2].label)
    placer.add_mark(mark)
    assert placer.update(50.0, 500.0) is not None
    placer.add_mark(mark.revised(withdrawn=True))
    assert placer.update(50.5, 505.0) is None


def test_a_mark_with_a_wrong_number_is_told_and_does_not_jump(
    short_line: Line, runs: Callable[..., Run]
) -> None:
    run = runs(short_line, seed=11, length_m=25_000.0, begin_m=200.0, gnss=False)
    placer = LivePlacer(short_line.route(), PlacingOptions(way=1, start_chainage_m=250.0))
    marks = [m if i != 8 else m.revised(value="40") for i, m in enumerate(run.marks)]
    worst = 0.0
    for i in range(0, run.t_s.size, 10):
        while marks and marks[0].t_s <= run.t_s[i]:
            placer.add_mark(marks.pop(0))
        here = placer.update(float(run.t_s[i]), float(run.d_m[i]))
        assert here is not None
        if run.s_m[i] > 7000.0:
            worst = max(worst, abs(here.chainage_m - run.s_m[i]))
    assert worst < 25.0
    assert [m.status for m in placer.marks].count(MarkUse.RENUMBERED) == 1


def test_times_that_go_back_and_values_that_are_no_numbers_are_passed_over(
    short_line: Line,
) -> None:
    placer = LivePlacer(short_line.route(), PlacingOptions(way=1, start_chainage_m=1000.0))
    placer.update(10.0, 100.0)
    before = placer.update(11.0, 110.0)
    assert placer.update(5.0, 0.0) == before
    assert placer.update(float("nan"), 1.0) == before
    assert placer.update(12.0, float("inf")) == before


def test_other_kinds_of_mark_are_passed_over(short_line: Line) -> None:
    placer = LivePlacer(short_line.route(), PlacingOptions(way=1))
    placer.add_mark(Mark(mark_id="w", kind="weather", t_s=1.0))
    assert placer.update(1.0, 1.0) is None


STATED = PlacingOptions(way=1, start_chainage_m=260.0)
"""As a trip sheet has it: sixty metres out."""
Receiver = Callable[[int], tuple[float, float, float] | None]
"""Second of the run to run time and position of a fix, or nothing."""


def follow(
    run: Run, placer: LivePlacer, receiver: Receiver | None = None
) -> tuple[NDArray[np.float64], NDArray[np.float64]]:
    """Errors and stated 95 % uncertainties, m, once a second; NaN while nothing is known."""
    marks = list(run.marks)
    error, u95 = [], []
    for i in range(0, run.t_s.size, 10):
        t = float(run.t_s[i])
        while marks and marks[0].t_s <= t:
            placer.add_mark(marks.pop(0))
        placer.update(t, float(run.d_m[i]))
        if receiver is not None and (fix := receiver(round(t))) is not None:
            placer.add_fix(*fix)
        here = placer.position()
        error.append(math.nan if here is None else here.chainage_m - run.s_m[i])
        u95.append(math.nan if here is None else here.u95_m)
    return np.array(error), np.array(u95)


class TestReceiver:
    """A receiver helps; one that is silent or lies spoils nothing that posts tell."""

    @pytest.fixture
    def outing(self, short_line: Line, runs: Callable[..., Run]) -> Run:
        """Five posts; the wheel is 1 % out, as a worn one may be."""
        return runs(short_line, seed=7, length_m=9000.0, begin_m=200.0)

    def honest(self, run: Run) -> Receiver:
        def fix(k: int) -> tuple[float, float, float] | None:
            if k >= run.gnss_t_s.size:
                return None
            return (
                float(run.gnss_t_s[k]), float(run.gnss_latitude[k]),
                float(run.gnss_longitude[k]),
            )  # fmt: skip

        return fix

    def shifted(self, run: Run, line: Line, by_m: float) -> Receiver:
        """It tells of a place so far on, always."""

        def fix(k: int) -> tuple[float, float, float]:
            s = run.position_at(float(k)) + by_m
            latitude = np.interp(s, line.s_m, line.latitude_deg)
            longitude = np.interp(s, line.s_m, line.longitude_deg)
            return float(k), float(latitude), float(longitude)

        return fix

    def test_fixes_alone_place_the_train(self, short_line: Line, outing: Run) -> None:
        outing.marks = []
        placer = LivePlacer(short_line.route(), PlacingOptions(way=1))
        error, u95 = follow(outing, placer, self.honest(outing))
        assert not placer.fixes_doubted
        known = np.isfinite(error)
        assert known[150:].all()
        assert (np.abs(error[known]) <= u95[known]).mean() > 0.95
        assert np.abs(error[known]).max() < 25.0

    def test_posts_and_fixes_together_are_surer_than_posts(
        self, short_line: Line, outing: Run
    ) -> None:
        alone, u_alone = follow(outing, LivePlacer(short_line.route(), STATED))
        placer = LivePlacer(short_line.route(), STATED)
        error, u95 = follow(outing, placer, self.honest(outing))
        assert not placer.fixes_doubted
        assert (np.abs(error) <= u95).mean() > 0.95
        assert np.median(u95[200:]) < 0.5 * np.median(u_alone[200:])
        assert np.abs(error[200:]).max() <= np.abs(alone[200:]).max()

    def test_posts_misnumbered_by_one_are_put_right(
        self, short_line: Line, outing: Run
    ) -> None:
        """The first was keyed wrongly, and the others count themselves up from it."""
        outing.marks = [m.revised(value=str(int(m.value) + 1)) for m in outing.marks]
        placer = LivePlacer(short_line.route(), PlacingOptions(way=1))
        error, _ = follow(outing, placer, self.honest(outing))
        assert not placer.fixes_doubted
        assert np.abs(error[200:]).max() < 25.0

    @pytest.mark.parametrize("lie", ["frozen", "jumping", "off the line", "none", "nowhere"])
    def test_a_receiver_out_of_order_changes_nothing(
        self, short_line: Line, outing: Run, lie: str
    ) -> None:
        alone, _ = follow(outing, LivePlacer(short_line.route(), STATED))
        rng = np.random.default_rng(3)
        honest = self.honest(outing)

        def receiver(k: int) -> tuple[float, float, float] | None:
            fix = honest(k)
            other = honest(int(rng.integers(0, outing.gnss_t_s.size)))
            frozen = honest(300)
            assert other is not None
            assert frozen is not None
            if fix is None:
                return None
            t, latitude, longitude = fix
            return {
                "frozen": (t, *frozen[1:]),
                "jumping": (t, *other[1:]),
                "off the line": (t, latitude + 0.01, longitude),
                "none": (t, math.nan, longitude),
                "nowhere": (t, 900.0, 9e9),
            }[lie]

        placer = LivePlacer(short_line.route(), STATED)
        error, _ = follow(outing, placer, receiver)
        assert error == pytest.approx(alone, abs=2.0)
        # Off the line may be a yard; what contradicts itself on the line is told.
        assert placer.fixes_doubted == (lie in ("frozen", "jumping"))

    @pytest.mark.parametrize("by_m", [60.0, 400.0, 1609.344])
    def test_a_receiver_that_is_steadily_elsewhere_is_not_gone_by(
        self, short_line: Line, outing: Run, by_m: float
    ) -> None:
        """More fixes than posts, all of one mind; the last of them a whole post away."""
        alone, _ = follow(outing, LivePlacer(short_line.route(), STATED))
        placer = LivePlacer(short_line.route(), STATED)
        error, _ = follow(outing, placer, self.shifted(outing, short_line, by_m))
        assert placer.fixes_doubted
        assert error[300:] == pytest.approx(alone[300:], abs=2.0)

    def test_fixes_that_go_with_the_wheel_are_believed_before_a_stated_start(
        self, short_line: Line, outing: Run
    ) -> None:
        """The sheet names another station; no post has been keyed."""
        outing.marks = []
        wrong = PlacingOptions(way=1, start_chainage_m=9000.0, u_start_m=50.0)
        error, _ = follow(outing, LivePlacer(short_line.route(), wrong), self.honest(outing))
        assert np.abs(error[:100]).min() > 8000.0
        assert np.abs(error[300:]).max() < 25.0

    def test_a_clock_astray_costs_only_its_own_fix(self, short_line: Line, outing: Run) -> None:
        outing.marks = []
        honest = self.honest(outing)

        def receiver(k: int) -> tuple[float, float, float] | None:
            fix = honest(k)
            if fix is None or k % 2:
                return fix
            return (fix[0] + [1e6, math.inf, math.nan][k % 3], *fix[1:])

        placer = LivePlacer(short_line.route(), PlacingOptions(way=1))
        error, _ = follow(outing, placer, receiver)
        assert np.abs(error[150:]).max() < 25.0

    def test_a_route_without_survey_takes_no_fixes(self, outing: Run) -> None:
        bare = parse_route(
            "chainage_m,kind,value\n100,milepost,1\n900,milepost,2\n", source="r"
        )
        placer = LivePlacer(bare, PlacingOptions(way=1))
        error, _ = follow(outing, placer, self.honest(outing))
        assert not placer.fixes_doubted
        assert error.size

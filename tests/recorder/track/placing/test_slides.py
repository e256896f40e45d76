"""Slides of the wheel, found and joined before a scale is fitted; drawn short runs."""

from __future__ import annotations

from dataclasses import dataclass
from typing import TYPE_CHECKING

import numpy as np
import pytest

from recorder.marks.mark import Mark
from recorder.track.placing.placing import GnssFixes, PlacingOptions, place_run
from recorder.track.placing.slides import ReceiverSpeed, slides_of, without_slides
from recorder.track.placing.wheel_track import BreakCause, join
from tests.recorder.track.placing.whole_tracks import track_of

if TYPE_CHECKING:
    from numpy.typing import NDArray

    from recorder.track.placing.placement import Placement
    from recorder.track.placing.wheel_track import WheelTrack
    from tests.recorder.track.conftest import Line

STEP_S = 0.05
PULSE_M = 0.006


@dataclass
class Ride:
    """Truth, and what wheel, receiver and crew made of it."""

    t_s: NDArray[np.float64]
    s_m: NDArray[np.float64]
    v_m_s: NDArray[np.float64]
    d_m: NDArray[np.float64]
    begins_s: float
    ends_s: float

    def track(self) -> WheelTrack:
        return track_of(self.t_s, self.d_m)

    def receiver(self, rng: np.random.Generator) -> ReceiverSpeed:
        """A fix a second, told 0.6 s late, 0.05 m/s of noise."""
        t = np.arange(1.0, self.t_s[-1], 1.0)
        v = np.interp(t, self.t_s, self.v_m_s) + rng.normal(0.0, 0.05, t.size)
        return ReceiverSpeed(t + 0.6, np.abs(v))

    def fixes(self, line: Line, rng: np.random.Generator) -> GnssFixes:
        """Slow error of some metres that forgets itself in 400 s, and noise of 1.5 m."""
        t = np.arange(1.0, self.t_s[-1], 1.0)
        s = np.interp(t, self.t_s, self.s_m)
        phi = np.exp(-1.0 / 400.0)
        slow = rng.normal(0.0, 2.5, 2)[:, None] * np.ones(t.size)
        for i in range(1, t.size):
            slow[:, i] = phi * slow[:, i - 1] + rng.normal(0.0, 2.5 * np.sqrt(1 - phi**2), 2)
        east, north = slow + rng.normal(0.0, 1.5, (2, t.size))
        lat = np.interp(s, line.s_m, line.latitude_deg)
        lon = np.interp(s, line.s_m, line.longitude_deg)
        lon = lon + east / (111_320.0 * np.cos(np.radians(lat)))
        return GnssFixes(t_s=t, latitude_deg=lat + north / 111_200.0, longitude_deg=lon)

    def marks(self, line: Line, rng: np.random.Generator) -> list[Mark]:
        """Every post, keyed half a second late."""
        late = rng.normal(0.5, 0.2)
        return [
            Mark(
                mark_id=str(number),
                kind="milepost",
                t_s=float(np.interp(post, self.s_m, self.t_s)) + late + rng.normal(0.0, 0.15),
                value=str(number),
            )
            for post, number in zip(line.posts_m, line.numbers, strict=True)
            if self.s_m[0] < post < self.s_m[-1]
        ]


def ride(
    rng: np.random.Generator,
    *,
    seconds: float,
    grip: float,
    slid_s: float,
    wheel: float = 1.0,
    begin_m: float = 2000.0,
) -> Ride:
    """From rest up to 8 to 20 m/s; once the wheel turns at ``grip`` of the train's speed."""
    t = np.arange(0.0, seconds, STEP_S)
    knots = np.cumsum(np.concatenate(([0.0], rng.uniform(10.0, 40.0, 60))))
    pulls = np.concatenate(([0.0, 0.2], rng.uniform(-0.05, 0.18, knots.size - 2)))
    v = np.clip(np.cumsum(np.interp(t, knots, pulls)) * STEP_S, 0.0, rng.uniform(8.0, 20.0))
    v = np.convolve(np.pad(v, 40, mode="edge"), np.full(81, 1.0 / 81.0), "valid")
    s = begin_m + np.concatenate(([0.0], np.cumsum(v[:-1]) * STEP_S))
    fast = np.flatnonzero(v > 3.0)
    begins = float(t[fast[0]] + rng.uniform(0.1, 0.8) * (t[-1] - slid_s - 5.0 - t[fast[0]]))
    ends = begins + slid_s
    # Grip goes and comes back over three tenths of a second.
    share = np.interp(t, [begins, begins + 0.3, ends, ends + 0.3], [1.0, grip, grip, 1.0])
    turned = np.concatenate(([0.0], np.cumsum((v * share)[:-1]) * STEP_S)) / wheel
    return Ride(t, s, v, np.floor(turned / PULSE_M) * PULSE_M, begins, ends)


def mended(held: Ride, receiver: ReceiverSpeed | None) -> WheelTrack:
    track = held.track()
    return without_slides(track, slides_of(track, receiver))


@pytest.mark.parametrize("grip", [0.0, 0.3, 0.8, 1.4])
@pytest.mark.parametrize("slid_s", [2.0, 6.0, 20.0])
def test_a_slide_is_found_and_what_it_hid_is_joined(grip: float, slid_s: float) -> None:
    for seed in range(4):
        held = ride(np.random.default_rng(seed), seconds=150.0, grip=grip, slid_s=slid_s)
        found = slides_of(held.track())
        assert len(found) == 1
        assert found[0].t_start_s == pytest.approx(held.begins_s, abs=1.0)
        assert found[0].t_stop_s == pytest.approx(held.ends_s, abs=1.0)
        joined = mended(held, None)
        u = np.sqrt(sum(b.u_m**2 for b in joined.breaks))
        missing = held.s_m[-1] - held.s_m[0] - float(joined.d_m[-1])
        assert abs(missing) < 2.0 * u
        assert {b.cause for b in joined.breaks} == {BreakCause.SLID}
        # The raw distance with the joins put to it is the joined one, as in a placement.
        again = join(joined.breaks, joined.t_s, joined.raw())
        assert again == pytest.approx(joined.d_m, abs=1e-9)


def test_a_wheel_that_never_slid_is_left_alone() -> None:
    for seed in range(30):
        rng = np.random.default_rng(seed)
        held = ride(rng, seconds=150.0, grip=1.0, slid_s=5.0, wheel=rng.uniform(0.93, 1.07))
        assert mended(held, held.receiver(rng)).breaks == ()


def test_a_receiver_shows_a_slide_that_came_softly() -> None:
    """Over four seconds each way no jump shows; the receiver's speed does."""
    rng = np.random.default_rng(4)
    held = ride(rng, seconds=200.0, grip=1.0, slid_s=20.0)
    ends = held.begins_s + np.array([0.0, 4.0, 16.0, 20.0])
    share = np.interp(held.t_s, ends, [1.0, 0.6, 0.6, 1.0])
    turned = np.concatenate(([0.0], np.cumsum((held.v_m_s * share)[:-1]) * STEP_S))
    soft = Ride(held.t_s, held.s_m, held.v_m_s, turned, ends[0], ends[-1])
    assert slides_of(soft.track()) == []
    joined = mended(soft, soft.receiver(rng))
    assert joined.breaks
    assert float(joined.d_m[-1]) == pytest.approx(held.s_m[-1] - held.s_m[0], rel=0.01)


def test_a_receiver_that_goes_against_the_wheel_all_along_shows_no_slide() -> None:
    rng = np.random.default_rng(5)
    held = ride(rng, seconds=150.0, grip=1.0, slid_s=5.0)
    lying = held.receiver(rng)
    says = np.repeat([0.3, 1.0, 1.7], 10)[np.arange(lying.t_s.size) % 30]
    noisy = ReceiverSpeed(lying.t_s, lying.speed_m_s * says)
    assert slides_of(held.track(), noisy) == []
    assert slides_of(held.track(), ReceiverSpeed(np.zeros(0), np.zeros(0))) == []


def test_a_slide_that_goes_into_a_stand_or_a_reversal_is_none() -> None:
    t = np.arange(0.0, 120.0, STEP_S)
    back = np.interp(t, [0.0, 40.0, 80.0, 120.0], [0.0, 400.0, 400.0, 0.0])
    stops = np.minimum(10.0 * t, 500.0)
    for d in (back, stops):
        assert slides_of(track_of(t, d)) == []


def placed(held: Ride, line: Line, rng: np.random.Generator, *, posts: bool) -> Placement:
    options = PlacingOptions(way=1, start_chainage_m=float(held.s_m[0]))
    receiver = None if posts else held.receiver(rng)
    return place_run(
        line.route(),
        mended(held, receiver),
        held.marks(line, rng) if posts else [],
        gnss=None if posts else held.fixes(line, rng),
        options=options,
    )


@pytest.mark.slow
@pytest.mark.parametrize("posts", [False, True])
def test_the_wheel_scale_holds_the_truth_over_drawn_slides(
    short_line: Line, *, posts: bool
) -> None:
    """Short runs with a slide of 2 to 20 s, standing, sliding or spinning."""
    held, wide, placed_right = 0, [], 0
    runs = 80
    for seed in range(runs):
        rng = np.random.default_rng(7000 + seed)
        wheel = 1.0 + rng.normal(0.0, 0.003)
        one = ride(
            rng,
            seconds=rng.uniform(90.0, 420.0),
            grip=float(rng.choice([0.0, rng.uniform(0.1, 0.95), rng.uniform(1.05, 1.5)])),
            slid_s=rng.uniform(2.0, 20.0),
            wheel=wheel,
        )
        found = placed(one, short_line, rng, posts=posts)
        held += int(abs(found.scale - wheel) <= 2.0 * found.u_scale)
        wide.append(found.u_scale)
        error = found.position(one.t_s, one.d_m) - one.s_m
        placed_right += int(np.mean(np.abs(error) <= found.u95_m(one.t_s, one.d_m)) >= 0.9)
    assert held >= 0.93 * runs
    assert placed_right >= 0.93 * runs
    # Held by what is known, not by a width beyond what was known before.
    assert max(wide) <= 0.0101

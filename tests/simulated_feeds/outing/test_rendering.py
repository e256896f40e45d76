"""A day without waiting: records and truth agree, and are the same every time."""

from __future__ import annotations

import numpy as np
import pytest

from simulated_feeds.outing.rendering import post_passages, render_run_arrays
from simulated_feeds.outing.scenario import Scenario, make_scenario
from simulated_feeds.physics.driving import StationStop
from simulated_feeds.physics.scenery import invent_line
from simulated_feeds.sheets.sheet_files import force_certificate

UTC0_NS = 1_780_000_000_250_000_000


def long_run(seed: int = 3) -> Scenario:
    return make_scenario(
        seed, utc0_ns=UTC0_NS, line=invent_line(60.0, seed), wheel_scale_error=-0.01,
        outages=((600.0, 300.0),), pps=True,
    )  # fmt: skip


def test_distance_by_the_true_wheel_is_the_truth() -> None:
    scenario = long_run()
    run = render_run_arrays(scenario)
    law = scenario.wheel
    distance = run.wheel.records["count"] / law.pulses_per_m
    truth = np.interp(run.wheel.true_s, run.truth.time_s, run.truth.distance_m)
    assert np.abs(distance - truth).max() < 0.008
    stated = scenario.stated.circumference_m
    assert law.circumference_m == pytest.approx(0.99 * stated)
    assert run.truth.distance_m[-1] > 58_000.0
    assert run.truth.speed_m_s[-1] == 0.0


def test_pull_by_the_certificate_is_the_truth() -> None:
    scenario = long_run()
    run = render_run_arrays(scenario)
    certificate = force_certificate(scenario)
    pull = certificate.to_force(run.load_cell.records["ch0"], zero_counts=run.zero_counts)
    truth = np.interp(run.load_cell.true_s, run.truth.time_s, run.truth.pull_kN)
    noise = scenario.cell.noise_counts / scenario.cell.counts_per_kN
    drift = 1200.0 * run.truth.time_s[-1] / 3600.0 / scenario.cell.counts_per_kN
    bound = 2.0 * certificate.standard_uncertainty_kN(truth) + 5.5 * noise + drift
    assert np.all(np.abs(pull - truth) < bound)


def test_fixes_are_of_their_second_and_place() -> None:
    scenario = long_run()
    run = render_run_arrays(scenario)
    fixes, law = run.gnss.records, scenario.gnss
    valid = fixes["valid"] == 1
    assert np.count_nonzero(~valid) == 300
    assert np.all(np.isnan(fixes["latitude_deg"][~valid]))
    utc = fixes["utc_ns"][valid]
    assert np.all(utc % 10**9 == 0)
    assert (utc - UTC0_NS) / 1e9 == pytest.approx(run.gnss.true_s[valid], abs=1e-9)
    late = run.gnss.received_s - run.gnss.true_s
    assert late.min() > law.delay_s
    s = np.interp(run.gnss.true_s, run.truth.time_s, run.truth.chainage_m)
    latitude, _ = scenario.journey.line.latlon(s)
    off = (fixes["latitude_deg"] - latitude)[valid] * 111_200.0
    assert np.std(off) == pytest.approx(law.position_sd_m, rel=0.35)


def test_posts_are_passed_in_turn() -> None:
    scenario = long_run()
    run = render_run_arrays(scenario)
    passed = post_passages(run.truth, scenario.journey.line.posts)
    assert [post.number for _, post in passed] == list(
        range(passed[0][1].number, passed[-1][1].number + 1)
    )
    for t, post in passed:
        at = np.interp(t, run.truth.time_s, run.truth.chainage_m)
        assert at == pytest.approx(post.s_m, abs=0.02)


def test_set_backs_pass_posts_again() -> None:
    line = invent_line(20.0, 5)
    post = line.posts[3]
    stops = (
        StationStop(s_m=post.s_m + 150.0, dwell_s=5.0),
        StationStop(s_m=post.s_m - 100.0, dwell_s=5.0),
    )
    scenario = make_scenario(
        1, utc0_ns=0, line=line, stops=(*stops, StationStop(s_m=post.s_m + 400.0)),
        start_s_m=post.s_m - 500.0,
    )  # fmt: skip
    run = render_run_arrays(scenario)
    times = [t for t, p in post_passages(run.truth, line.posts) if p == post]
    assert len(times) == 3
    assert run.truth.speed_m_s.min() < -1.0
    counts = run.wheel.records["count"]
    assert counts[-1] < counts.max() + 1
    assert np.diff(counts).min() < 0


def test_car_by_car_at_full_rates() -> None:
    run = render_run_arrays(
        make_scenario(1, utc0_ns=0, cars=4),
        10.0,
        coarse=False,
        wheel_hz=100.0,
        load_cell_hz=2000,
    )
    assert run.load_cell.records.size == pytest.approx(20_000, abs=2)
    assert run.wheel.records.size == pytest.approx(1000, abs=1)
    with pytest.raises(ValueError, match="seconds"):
        render_run_arrays(make_scenario(1, utc0_ns=0), coarse=False)


def test_same_seed_same_arrays() -> None:
    a, b = render_run_arrays(long_run(), 300.0), render_run_arrays(long_run(), 300.0)
    assert np.array_equal(a.load_cell.records, b.load_cell.records)
    assert np.array_equal(a.wheel.records, b.wheel.records)
    assert a.gnss.records.tobytes() == b.gnss.records.tobytes()
    other = render_run_arrays(long_run(4), 300.0)
    assert not np.array_equal(a.load_cell.records, other.load_cell.records)

"""Simulated instruments: what they send is what the world was, within their own errors."""

from __future__ import annotations

from dataclasses import replace

import numpy as np
import pytest
from hypothesis import given, settings
from hypothesis import strategies as st

from calibration.certificates.certificate import parse_certificate
from calibration.certificates.force import ForceCertificate
from simulated_feeds.devices.emission import Emission
from simulated_feeds.devices.gnss import GnssClock, position_walk
from simulated_feeds.devices.load_cell import CellLaw, FrontEnd, LoadCell
from simulated_feeds.devices.oscillator import Oscillator
from simulated_feeds.devices.wheel import MeasuringWheel, WheelLaw
from simulated_feeds.outing.scenario import Scenario, make_scenario, still
from simulated_feeds.physics.driving import StationStop
from simulated_feeds.physics.lumped_train import LumpedTrain
from simulated_feeds.physics.motion import Motion
from simulated_feeds.sheets.sheet_files import force_certificate

UTC0_NS = 1_780_000_000_250_000_000


def motion_of(t: np.ndarray, s: np.ndarray, pull_N: np.ndarray | None = None) -> Motion:
    """A motion made by hand."""
    zero = np.zeros_like(t)
    return Motion(
        t_s=t, pull_N=zero if pull_N is None else pull_N, s_m=s, v_m_s=np.gradient(s, t),
        a_m_s2=zero, effort_N=zero, throttle=zero, brake=zero, slip_m_s=zero,
    )  # fmt: skip


# ------------------------------------------------------------------ oscillator


@settings(max_examples=50, deadline=None)
@given(
    st.floats(-100.0, 100.0), st.floats(0.0, 2.0), st.floats(0.0, 6.3), st.floats(0.0, 50_000.0)
)
def test_ticks_and_back(ppm: float, wander: float, phase: float, t: float) -> None:
    clock = Oscillator(tick_hz=1_000_000, ppm=ppm, wander_ppm=wander, phase=phase, tick0=77)
    back = float(clock.time_s(clock.ticks(t)))
    assert t - 2.1e-6 <= back <= t + 1e-9
    ahead = float(clock.ticks(t)) - 77.0 - t * 1e6
    most = (abs(ppm) + 2.0 * wander) * t + 2.0
    assert abs(ahead) <= most


# ------------------------------------------------------------------- load cell


def test_counts_follow_the_pull_through_the_certificate(demo: Scenario) -> None:
    """The whole way round: pull → cell → counts → the certificate's own polynomial."""
    certificate = force_certificate(demo)
    law = replace(demo.cell, noise_counts=0.0)
    force = np.linspace(-550.0, 550.0, 221)
    counts = law.zero(0.0) + law.deflection(force)
    indicated = certificate.to_force(counts, zero_counts=float(law.zero(0.0)))
    limit = 2.0 * certificate.standard_uncertainty_kN(force)
    assert np.all(np.abs(indicated - force) <= limit)
    assert np.abs(indicated - force).max() > 1e-4  # a cell is never just its certificate


def test_certificates_state_their_error_honestly() -> None:
    """Over many seeds, the scatter of the true gain is what the certificates say."""
    ratios = []
    for seed in range(60):
        scenario = make_scenario(seed, utc0_ns=UTC0_NS)
        certificate = force_certificate(scenario)
        counts = scenario.cell.deflection(400.0)
        error = float(certificate.to_force(counts, zero_counts=0.0)) - 400.0
        ratios.append(error / float(certificate.standard_uncertainty_kN(400.0)))
    assert 0.6 < float(np.std(ratios)) < 1.2
    assert np.abs(ratios).max() < 2.0


def test_certificate_file_reads_back(demo: Scenario) -> None:
    from calibration.certificates.certificate import dump_certificate

    certificate = force_certificate(demo)
    read = parse_certificate(dump_certificate(certificate))
    assert isinstance(read, ForceCertificate)
    assert read.digest == certificate.digest


def test_samples_at_even_ticks_and_saturated_at_the_rails() -> None:
    law = CellLaw(counts_per_kN=20_000.0, capacity_kN=600.0)
    clock = Oscillator(tick_hz=1_000_000, ppm=20.0, tick0=2**32 - 4000)
    cell = LoadCell(law, clock, FrontEnd(channels=2), seed=np.random.SeedSequence(1))
    t = np.arange(0.0, 1.0001, 0.002)
    taken = cell.take(motion_of(t, np.zeros_like(t), 1000.0 * np.linspace(-500, 500, t.size)))
    assert taken is not None
    assert np.all(np.diff(taken.ticks.ravel()) == 500)
    pull = taken.counts[:, :, 0].ravel()
    assert pull.min() == -(2**23)
    assert pull.max() == 2**23 - 1
    middle = np.abs(pull) < 8_000_000
    expected = 20_000.0 * np.interp(taken.t_s.ravel(), t, np.linspace(-500, 500, t.size))
    assert pull[middle] == pytest.approx(expected[middle], abs=1.0)


def test_stretches_make_no_difference(demo: Scenario) -> None:
    """Bytes do not depend on how the motion is handed over."""
    whole = LumpedTrain(demo.journey).advance(7500)
    train, cell, wheel = LumpedTrain(demo.journey), demo.load_cell(), demo.measuring_wheel()
    got: list[Emission] = []
    for steps in (20, 500, 10, 970, 6000):
        part = train.advance(steps)
        got += cell.advance(part)
        got += wheel.advance(part)
    expected = demo.load_cell().advance(whole) + demo.measuring_wheel().advance(whole)
    assert sorted(e.data for e in got) == sorted(e.data for e in expected)


def test_zero_drifts_and_noise_is_as_told() -> None:
    law = CellLaw(
        counts_per_kN=9000.0, zero_counts=500.0, zero_drift_per_h=3600.0, noise_counts=200.0
    )
    clock = Oscillator(tick_hz=1_000_000)
    cell = LoadCell(law, clock, FrontEnd(channels=1), seed=np.random.SeedSequence(2))
    t = np.arange(0.0, 100.0, 0.5)
    taken = cell.take(motion_of(t, np.zeros_like(t)))
    assert taken is not None
    counts = taken.counts.ravel().astype(float)
    slope = np.polyfit(taken.t_s.ravel(), counts, 1)
    assert slope[0] == pytest.approx(1.0, abs=0.05)
    assert slope[1] == pytest.approx(500.0, abs=3.0)
    assert np.std(counts - np.polyval(slope, taken.t_s.ravel())) == pytest.approx(200, rel=0.02)


# ----------------------------------------------------------------------- wheel


def wheel(law: WheelLaw, utc0_ns: int = 0) -> MeasuringWheel:
    clock = Oscillator(tick_hz=1_000_000)
    return MeasuringWheel(law, clock, seed=np.random.SeedSequence(3), utc0_ns=utc0_ns)


PLAIN = WheelLaw(circumference_m=2.5, eccentricity=0.0, line_error_turns=0.0, edge_jitter_s=0.0)


def test_counts_and_edges_at_constant_speed() -> None:
    """10 m/s on a 2.5 m, 500-pulse wheel: 2 000 pulses a second, one each 500 ticks."""
    t = np.arange(0.0, 2.0001, 0.002)
    frames = wheel(PLAIN).frames(motion_of(t, 10.0 * t))
    assert frames.tick.size == 200
    assert np.all(np.diff(frames.tick) == 10_000)
    assert np.diff(frames.count) == pytest.approx(20, abs=1e-9)
    age = frames.tick - frames.edge_tick
    assert age.min() >= 0
    assert age.max() <= 500
    assert np.all(frames.flags == 1)
    # M/T: pulses between two edges over the time between them is the speed to the tick.
    pulses, ticks = (
        frames.count[-1] - frames.count[5],
        frames.edge_tick[-1] - frames.edge_tick[5],
    )
    assert pulses * 2.5 / 500 / (ticks * 1e-6) == pytest.approx(10.0, rel=2e-6)


def test_counts_down_going_back() -> None:
    t = np.arange(0.0, 4.0001, 0.002)
    s = np.where(t < 2.0, 3.0 * t, 12.0 - 3.0 * t)
    frames = wheel(PLAIN).frames(motion_of(t, s))
    assert frames.count[0] >= 0
    assert frames.count[-1] == 0
    assert frames.count.max() == 1200
    assert frames.flags[100] == 1
    assert frames.flags[-1] == 0


def test_standing_holds_count_and_edge() -> None:
    t = np.arange(0.0, 3.0001, 0.002)
    s = np.minimum(2.0 * t, 2.0)
    frames = wheel(PLAIN).frames(motion_of(t, s))
    later = frames.t_s > 1.05
    assert np.unique(frames.count[later]).size == 1
    assert np.unique(frames.edge_tick[later]).size == 1


def test_spacing_error_repeats_each_turn() -> None:
    """A line's own error is the same whenever it passes; over a turn it sums to nothing."""
    law = replace(PLAIN, eccentricity=4e-4, line_error_turns=2e-5)
    t = np.arange(0.0, 40.0, 0.002)
    frames = wheel(law).frames(motion_of(t, 5.03 * t))
    error = frames.count - (5.03 * frames.edge_tick * 1e-6 * 200.0 + 0.37)
    line = frames.count % 500
    by_line = [error[line == k] for k in range(500)]
    assert max(float(np.ptp(e)) for e in by_line if e.size > 1) < 0.005
    means = np.array([float(e.mean()) for e in by_line if e.size])
    assert np.ptp(means) == pytest.approx(2.0 * 4e-4 * 500.0, rel=0.3)


def test_slide_turns_too_few_pulses() -> None:
    law = replace(PLAIN, slides=((2.0, 1.0, 0.5),))
    t = np.arange(0.0, 5.0001, 0.002)
    frames = wheel(law).frames(motion_of(t, 4.0 * t))
    lost = 4.0 * 5.0 * 200.0 - frames.count[-1]
    assert lost == pytest.approx(0.5 * 4.0 * 200.0, abs=3.0)


def test_pulse_per_second_marks_whole_seconds() -> None:
    t = np.arange(0.0, 5.0001, 0.002)
    frames = wheel(replace(PLAIN, pps=True), utc0_ns=UTC0_NS).frames(motion_of(t, 3.0 * t))
    seen = (frames.flags & 4) > 0
    assert not seen[0]
    assert frames.pps_tick[~seen].max() == 0
    # UTC began a quarter past a second: edges at 0.75, 1.75 … s.
    assert sorted(set(frames.pps_tick[seen])) == [750_000 + 1_000_000 * i for i in range(5)]
    assert frames.pps_count[-1] == 5


def test_restart_begins_anew(demo: Scenario) -> None:
    device = demo.measuring_wheel()
    t = np.arange(0.0, 1.0001, 0.002)
    device.frames(motion_of(t, 420.0 + 8.0 * t))
    device.restart(1.0)
    frames = device.frames(motion_of(1.0 + t, 428.0 + 8.0 * t))
    assert frames.tick[0] == pytest.approx(10_000, abs=2)
    assert 0 <= frames.count[0] < 40


# ------------------------------------------------------------------------ GNSS


def sentences(clock: GnssClock, seconds: float, s_m: float = 5000.0) -> list[Emission]:
    t = np.arange(0.0, seconds + 1e-9, 0.5)
    return clock.advance(motion_of(t, s_m + 12.0 * t))


def test_every_second_three_sentences_late(demo: Scenario) -> None:
    sent = sentences(demo.gnss_clock(), 60.0)
    assert len(sent) == 180
    for first, second, third in zip(sent[0::3], sent[1::3], sent[2::3], strict=True):
        assert [e.data[3:6] for e in (first, second, third)] == [b"RMC", b"GGA", b"ZDA"]
        late = (first.due_s + 0.25) % 1.0
        assert 0.08 < late < 0.4
        assert first.due_s < second.due_s < third.due_s
    for emission in sent:
        body, _, check = emission.data[1:].rstrip().partition(b"*")
        total = 0
        for byte in body:
            total ^= byte
        assert int(check, 16) == total


def test_time_and_place_are_the_worlds(demo: Scenario) -> None:
    sent = sentences(demo.gnss_clock(), 30.0)
    fields = sent[3].data.decode().split(",")
    assert fields[0] == "$GNRMC"
    # UTC0 is 2026-05-28 20:26:40.25; the second burst is of :42.
    assert fields[1:3] == ["202642.00", "A"]
    assert fields[9] == "280526"
    latitude = -(int(fields[3][:2]) + float(fields[3][2:]) / 60.0)
    longitude = -(int(fields[5][:3]) + float(fields[5][3:]) / 60.0)
    want = demo.journey.line.latlon(5000.0 + 12.0 * 1.75)
    assert abs(latitude - want[0]) * 111_200.0 < 8.0
    assert abs(longitude - want[1]) * 75_000.0 < 8.0
    assert float(fields[7]) * 1852.0 / 3600.0 == pytest.approx(12.0, abs=0.2)


def test_outage_gives_no_time_and_no_place(demo: Scenario) -> None:
    law = replace(demo.gnss, outages=((10.0, 5.0),))
    clock = GnssClock(law, demo.journey.line, seed=np.random.SeedSequence(4), utc0_ns=UTC0_NS)
    bursts = [e.data for e in sentences(clock, 20.0) if e.data[3:6] == b"RMC"]
    states = [line.split(b",")[2] for line in bursts]
    assert states.count(b"V") == 5
    assert states[:10] == [b"A"] * 10


def test_minutes_never_show_sixty() -> None:
    from simulated_feeds.devices.gnss import _angle

    assert _angle(-47.9999999999, 2) == "4800.00000"
    assert _angle(12.5, 3) == "01230.00000"


def test_position_errors_are_as_wide_as_told() -> None:
    walk = position_walk(np.random.default_rng(5), 60_000, 1.6)
    assert np.std(walk, axis=0) == pytest.approx(1.6, rel=0.1)
    near = np.corrcoef(walk[:-1, 0], walk[1:, 0])[0, 1]
    assert near == pytest.approx(np.exp(-1.0 / 30.0), abs=0.01)


# -------------------------------------------------------------------- scenario


def test_same_seed_same_instruments() -> None:
    a, b = make_scenario(9, utc0_ns=0), make_scenario(9, utc0_ns=0)
    assert a.cell == b.cell
    assert a.wheel == b.wheel
    assert a.cell_clock == b.cell_clock
    assert make_scenario(10, utc0_ns=0).cell != a.cell


def test_still_instruments_have_no_error(demo: Scenario) -> None:
    quiet = still(demo)
    assert quiet.cell.noise_counts == 0.0
    assert quiet.wheel.circumference_m == quiet.stated.circumference_m
    assert quiet.cell_clock.ppm == 0.0


def test_wheel_error_is_within_what_is_stated() -> None:
    errors = []
    for seed in range(40):
        scenario = make_scenario(seed, utc0_ns=0)
        stated = scenario.stated
        error = stated.circumference_m - scenario.wheel.circumference_m
        errors.append(error / stated.u_circumference_m)
    assert np.abs(errors).max() <= 1.75
    assert 0.6 < np.std(errors) < 1.2


def test_last_stop_is_for_good() -> None:
    scenario = make_scenario(2, utc0_ns=0, stops=(StationStop(s_m=520.0, dwell_s=1.0),), cars=3)
    train = LumpedTrain(scenario.journey)
    train.advance(35_000)
    assert train.advance(10).v_m_s[-1] == 0.0
    assert np.ptp(train.advance(2_000).s_m) < 1e-9

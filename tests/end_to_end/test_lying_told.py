"""Devices that lie, recorded on real ports: what the sealed run tells, beside the truth.

The computer's clock is the feed's own truth to some milliseconds, but where no time server keeps
it the recorder cannot know that: words that hang on it are asked for only there.
"""

from __future__ import annotations

from dataclasses import dataclass, replace

import numpy as np
import pytest

from calibration.utc.utc_witnesses import Standing, UtcJudgement, WitnessKind
from recorder.command_line.main import main
from recorder.run.checks.channel_health import HealthFault, episodes_of
from recorder.run.time.timeline import Segment
from recorder.run_file.hdf5.reader import open_run
from simulated_feeds.devices.fault_kinds import FaultKind, parse_fault
from simulated_feeds.devices.oscillator import Oscillator
from tests.end_to_end.lying import LIES, LyingRun, LyingRuns

pytestmark = pytest.mark.slow

CLOCKS = (FaultKind.CLOCK_RATE, FaultKind.CLOCK_DRIFT)
UNKNOWN = ("silent from the start",)
WORDS = {
    "week rollover, spikes": ("behind by a turn of 1024 weeks", "pull spiking", "flags: "),
    "leap seconds late, stuck": ("receiver: doubted", "off by +18 s", "pull stuck", "speed stuck"),
    "late sentences": ("where the car sheet states 0.085 s",),
    "wrong edge": ("where the car sheet states 0.085 s",),
    "zda a day off, creep": ("ZDA says 24.00 h more", "receiver contradicts itself"),
    "holdover, rail": ("pull railed",),
    "resonator": ("drawbar: its clock runs 0.", "wheel: its clock runs 0.", " fast"),
    "latency steps, leap seconds miscounted": (
        "computer's clock: doubted", "as leap seconds not learnt would be",
    ),
    "jump, half the pulses": ("off by +3600 s", "receiver contradicts itself", "disagrees"),
    "years back, faster": ("receiver: doubted", "date is off by -7,305 days"),
    "uneven, silent wheel": ("gap of wheel: ", "differ by|come unevenly"),
    "warming up, silent receiver": ("gap of clock: ", "drawbar: its clock runs 2"),
    "late sentences alone, five per cent": ("differ by 0.", "wheel: its clock runs ", " fast"),
    "pulses numbered a second late": ("differ by 1.",),
    "date a day ahead": ("date is off by +1 days", "drawbar: its clock runs 2", " slow"),
    "silent from the start": ("UTC is not known", "no receiver gives a time", "gap of clock: "),
}  # fmt: skip
"""What ``testcar info`` says of each, on a computer that no time server keeps."""

LEFT_OPEN_S = {
    "late sentences": (1.0, 2.0),
    "wrong edge": (0.2, 1.7),
    "latency steps, leap seconds miscounted": (14.0, 25.0),
    "pulses numbered a second late": (1.0, 2.0),
    "late sentences alone, five per cent": (0.6, 1.6),
}
"""Least and most standard uncertainty of UTC where nothing tells the lie from the truth."""


@dataclass(frozen=True)
class Utc:
    """What is told of UTC along a run, beside the truth."""

    error_s: np.ndarray
    u_s: np.ndarray
    judgement: UtcJudgement

    @property
    def standings(self) -> dict[WitnessKind, Standing]:
        return {witness.kind: witness.standing for witness in self.judgement.witnesses}

    @property
    def kept(self) -> bool:
        """Whether a time server keeps this computer's clock."""
        return not any("by no time server" in words for words in self.judgement.in_words)


def utc_of(lying: LyingRuns, lie: str) -> Utc:
    """At fifty places from the start to the stop."""
    run = lying[lie]
    with open_run(run.path) as opened:
        t = np.linspace(0.0, opened.duration_s, 50)
        shift_ns = opened.header.started_monotonic_ns - run.began_ns
        true_ns = run.utc0_ns + shift_ns + np.rint(t * 1e9).astype(np.int64)
        judgement = opened.utc.judgement
        assert judgement is not None
        away_ns = opened.utc.utc_ns(t) - true_ns
        return Utc(np.abs(away_ns) / 1e9, opened.utc.u_s(t), judgement)


@pytest.mark.parametrize("lie", LIES)
def test_no_liar_is_stated_surer_than_it_is(lying: LyingRuns, lie: str) -> None:
    told = utc_of(lying, lie)
    if not told.judgement.known:
        assert np.isnan(told.u_s).all()
        assert told.judgement.why
        return
    assert np.all(told.error_s <= told.u_s)


@pytest.mark.parametrize("lie", LIES)
def test_who_is_told_apart_is_known_well_and_who_is_not_is_not(
    lying: LyingRuns, lie: str
) -> None:
    """To a second wherever the computer's clock tells the lie from the truth."""
    told = utc_of(lying, lie)
    if told.kept:
        pytest.skip("a time server keeps this computer's clock: it tells more lies apart")
    assert told.judgement.known == (lie not in UNKNOWN)
    if told.judgement.known:
        least_s, most_s = LEFT_OPEN_S.get(lie, (0.0, 1.0))
        assert np.all((told.u_s >= least_s) & (told.u_s < most_s))


@pytest.mark.parametrize("lie", LIES)
def test_info_and_verify_say_so(
    lying: LyingRuns, lie: str, capsys: pytest.CaptureFixture[str]
) -> None:
    path, told = str(lying[lie].path), utc_of(lying, lie)
    assert main(["info", path]) == 0
    info = capsys.readouterr().out
    if not told.kept:
        for words in WORDS[lie]:
            assert any(either in info for either in words.split("|"))
    assert main(["verify", path]) == 0
    verify = capsys.readouterr().out.splitlines()
    assert verify[0].endswith(": sound")
    # The time of the run is told alike by both; what a digest proves is verify's alone.
    told_alike = [line for line in verify[1:] if not line.startswith("proved by the digest: ")]
    assert set(told_alike) <= set(info.splitlines())
    assert any("began 2" in line for line in verify)


def test_kinds_that_jump_together_are_not_told_as_kinds_that_disagree(
    lying: LyingRuns,
) -> None:
    judgement = utc_of(lying, "jump, half the pulses").judgement
    assert "more" not in " ".join(w.words for w in judgement.witnesses)


def test_the_day_ahead_is_the_receivers(lying: LyingRuns) -> None:
    told = utc_of(lying, "date a day ahead")
    assert told.standings[WitnessKind.RECEIVER] is Standing.DOUBTED
    assert told.judgement.corrected_s == -86_400.0


def clock_of(run: LyingRun, device: str) -> Oscillator:
    """The device's clock as it truly went."""
    own = run.scenario.cell_clock if device == "drawbar" else run.scenario.wheel_clock
    faults = tuple(map(parse_fault, run.lie.faults))
    return replace(own, faults=tuple(f for f in faults if f.kind in CLOCKS))


def tied(run: LyingRun, device: str) -> tuple[np.ndarray, np.ndarray, Segment]:
    """Run times as sealed, as they truly were, and the tie."""
    with open_run(run.path) as opened:
        shift_s = (opened.header.started_monotonic_ns - run.began_ns) / 1e9
        ticks = opened.devices[device].records()["tick"].astype(np.int64)
        (tie,) = opened.tick_ties()[device]
        true_s = clock_of(run, device).time_s(ticks) - shift_s
        return opened.devices[device].time_s(), true_s, tie


@pytest.mark.parametrize("device", ["drawbar", "wheel"])
@pytest.mark.parametrize("lie", LIES)
def test_times_and_rates_are_right_within_what_is_told(
    lying: LyingRuns, lie: str, device: str
) -> None:
    run = lying[lie]
    time_s, true_s, tie = tied(run, device)
    assert tie.source == "fit"
    assert np.mean(np.abs(time_s - true_s) <= 2.0 * tie.u_s) >= 0.95
    ticks = run.records(device)["tick"].astype(np.int64)
    rate = (ticks[-1] - ticks[0]) / 1e6 / (true_s[-1] - true_s[0]) - 1.0
    # Three: there are more than thirty of them.
    assert abs(tie.drift_ppm - 1e6 * rate) <= 3.0 * tie.u_drift_ppm
    assert tie.u_drift_ppm < 5_000.0
    told = any("its clock runs" in words for words in tie.findings)
    assert told == (abs(rate) > 0.001)


@pytest.mark.parametrize("device", ["drawbar", "wheel"])
def test_a_step_of_the_least_latency_is_told_or_covered(lying: LyingRuns, device: str) -> None:
    """5 ms; where a busy machine hides it among later blocks, half of it is in u."""
    _, _, tie = tied(lying["latency steps, leap seconds miscounted"], device)
    assert tie.u_s > 0.002
    assert any("least latency" in words for words in tie.findings) or tie.u_s > 0.0025


def test_a_constant_latency_is_in_the_uncertainty(lying: LyingRuns) -> None:
    _, _, tie = tied(lying["late sentences alone, five per cent"], "wheel")
    assert tie.u_s >= 0.0008


@pytest.mark.parametrize(
    "lie",
    [lie for lie in LIES if not {"stuck", "half"} & set(lie.split()) and "creep" not in lie],
)
def test_distance_and_speed_are_right_within_their_uncertainty(
    lying: LyingRuns, lie: str
) -> None:
    """Of circumference, times and one pulse, at any rate of the counter's clock."""
    run = lying[lie]
    stated, wheel = run.scenario.stated, run.scenario.wheel
    _, _, tie = tied(run, "wheel")
    with open_run(run.path) as opened:
        shift_s = (opened.header.started_monotonic_ns - run.began_ns) / 1e9
        channel = opened.channels["distance"]
        t, metres = channel.time_s(), channel.values()
    truth = np.genfromtxt(run.feed / "truth.csv", delimiter=",", names=True, usecols=(0, 3, 4))
    true_m = np.interp(t + shift_s, truth["time_s"], truth["distance_m"])
    went, true = metres - metres[0], true_m - true_m[0]
    u_m = stated.u_circumference_m / stated.circumference_m * true[-1]
    pulse_m = stated.circumference_m / wheel.pulses_per_revolution
    v_m_s = np.interp(t + shift_s, truth["time_s"], truth["speed_m_s"])
    assert true[-1] > 0.2
    limit_m = 2.0 * np.hypot(u_m, v_m_s * tie.u_s) + pulse_m
    assert np.mean(np.abs(went - true) <= limit_m) >= 0.95
    half = len(t) // 2
    speed = (went[-1] - went[half]) / (t[-1] - t[half])
    true_speed = (true[-1] - true[half]) / np.diff(
        clock_of(run, "wheel").time_s(run.records("wheel")["tick"][[half, -1]].astype(np.int64))
    )[0]
    took_s = t[-1] - t[half]
    u_share = np.hypot(u_m / true[-1], np.sqrt(2.0) * tie.u_s / took_s)
    assert abs(speed - true_speed) <= 2.0 * u_share * true_speed + pulse_m / took_s


@pytest.mark.parametrize(
    ("lie", "fault", "channel", "from_s", "to_s"),
    [
        ("week rollover, spikes", HealthFault.SPIKING, "pull", 6.0, 15.0),
        ("holdover, rail", HealthFault.RAILED, "pull", 8.0, 12.0),
        ("leap seconds late, stuck", HealthFault.STUCK, "pull", 32.0, 38.0),
        ("leap seconds late, stuck", HealthFault.STUCK, "speed", 39.0, 51.0),
        ("jump, half the pulses", HealthFault.DISAGREES, "speed", 18.0, 52.0),
    ],
)
def test_a_channel_that_is_not_sound_is_told_with_its_extent(
    lying: LyingRuns, lie: str, fault: HealthFault, channel: str, from_s: float, to_s: float
) -> None:
    run = lying[lie]
    with open_run(run.path) as opened:
        shift_s = (opened.header.started_monotonic_ns - run.began_ns) / 1e9
        found = [e for e in episodes_of(opened.events()) if channel in e.channels]
    (episode,) = [e for e in found if e.fault is fault]
    # A receiver's speed is two seconds late, and so is what is found by it.
    assert episode.t_start_s + shift_s == pytest.approx(from_s, abs=3.0)
    assert episode.t_stop_s + shift_s == pytest.approx(to_s, abs=3.0)


@pytest.mark.parametrize(
    ("lie", "device", "from_s"),
    [
        ("uneven, silent wheel", "wheel", 8.0),
        ("warming up, silent receiver", "clock", 8.0),
        ("silent from the start", "clock", 0.0),
    ],
)
def test_who_falls_silent_has_a_gap_to_the_stop(
    lying: LyingRuns, lie: str, device: str, from_s: float
) -> None:
    run = lying[lie]
    with open_run(run.path) as opened:
        shift_s = (opened.header.started_monotonic_ns - run.began_ns) / 1e9
        last = max(opened.gaps(device), key=lambda gap: gap.t_end_s)
        assert last.t_end_s == pytest.approx(opened.duration_s, abs=0.1)
    # A device is listened to once its thread has begun.
    assert last.t_start_s <= from_s - shift_s + 1.5
    assert "silent" in last.detail

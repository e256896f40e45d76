from __future__ import annotations

from dataclasses import replace
from datetime import date, timedelta
from pathlib import Path

import numpy as np
import pytest

from calibration.bench.bench_reading import BenchError, DoubtedReadingError
from calibration.bench.plan import make_plan
from calibration.bench.session import BenchSession
from calibration.certificates.force import ForceCertificate
from calibration.evaluation.issue import issue_certificate
from calibration.readings.bench_settings import BenchSettings
from calibration.readings.reading_doubts import Doubt
from calibration.readings.readings import ReadingsError
from calibration.readings.readings_csv import parse_readings
from tests.calibration.bench.made_bench import LIMITS, Bench


def test_a_whole_session_becomes_a_certificate(bench: Bench) -> None:
    session = bench.session
    while session.current is not None:
        bench.take()
    assert session.done == len(session.plan)
    evaluation = session.evaluate()
    part = evaluation.senses[0]
    assert part.working.coefficients[1] == pytest.approx(1.0 / 8000.0, rel=1e-5)
    # The waits are kept, but nothing is known of the standard: no class.
    assert part.figure("iso376_class").value is None
    assert "reference standard: not stated" in part.figure("iso376_class").reason
    assert "wait: " not in part.figure("iso376_class").reason
    assert "reference standard: not stated" in part.figure("e74_class_a_range").reason
    certificate = issue_certificate(session.evaluate())
    assert certificate.range_kN == (0.0, 500.0)
    table = parse_readings(session.to_csv())
    again = table.reading[table.used]
    assert again == pytest.approx(session.readings().reading[session.readings().used])


def test_a_reading_is_a_mean_with_its_standard_deviation(bench: Bench) -> None:
    assert bench.take().mean == pytest.approx(1000.0, abs=20.0)
    taken = bench.take()
    assert taken.n == pytest.approx(100, abs=2)
    assert taken.seconds == pytest.approx(2.0, abs=0.05)
    assert taken.mean == pytest.approx(1000.0 + 8000.0 * 500.0, abs=20.0)
    assert taken.sd == pytest.approx(30.0, rel=0.3)
    assert taken.stable
    assert taken.low is not None
    assert taken.high is not None
    assert taken.low < taken.mean < taken.high
    assert taken.applied_by == "plan"
    assert taken.doubts == (Doubt.AS_PLANNED,)


def test_an_unstable_reading_is_held_back_until_somebody_accepts_it(bench: Bench) -> None:
    bench.begin()
    bench.hold(0.0, 2.1, noise=5000.0)
    with pytest.raises(DoubtedReadingError, match=r"step 1: not stable: .*noise"):
        bench.session.poll()
    assert bench.session.taken == ()
    held = bench.session.held
    assert held is not None
    assert held.doubts == (Doubt.UNSTABLE,)
    with pytest.raises(BenchError, match="reason"):
        bench.session.accept(" ")
    taken = bench.session.accept("the crane walks by")
    assert not taken.stable
    assert "noise" in taken.stability
    assert (taken.mean, taken.accepted_because) == (held.mean, "the crane walks by")
    assert [e[1] for e in bench.session.events] == ["held back", "accepted"]
    with pytest.raises(BenchError, match="no reading is held back"):
        bench.session.accept("again")


def test_a_reading_held_back_may_be_taken_again(bench: Bench) -> None:
    bench.begin()
    bench.hold(0.0, 2.1, noise=5000.0)
    with pytest.raises(DoubtedReadingError):
        bench.session.poll()
    taken = bench.take()
    assert taken.doubts == ()
    assert bench.session.held is None


def test_live_verdict(bench: Bench) -> None:
    assert not bench.session.live.stability().stable
    bench.hold(0.0, 2.0)
    assert bench.session.live.stability().stable


def test_a_repeat_is_a_new_reading_that_says_why(bench: Bench) -> None:
    for _ in range(8):
        bench.take()
    step = bench.session.repeat(6, "press crept")
    assert step.number == 6
    again = bench.take()
    assert again.repeat_of == 6
    assert again.reason == "press crept"
    assert len(bench.session.taken) == 9
    current = bench.session.current
    assert current is not None
    assert current.number == 9
    readings = bench.session.readings()
    assert readings.row[readings.superseded].tolist() == [6]
    with pytest.raises(BenchError, match="reason"):
        bench.session.repeat(5, " ")
    with pytest.raises(BenchError, match="no reading to repeat"):
        bench.session.repeat(40, "why not")


def test_typed_force_is_checked_for_sign_and_size(bench: Bench) -> None:
    bench.take()
    bench.hold(500.0, 2.0)
    with pytest.raises(BenchError, match="positive"):
        bench.session.start_reading(applied_kN=-500.0)
    with pytest.raises(BenchError, match="more than a fifth off"):
        bench.session.start_reading(applied_kN=50.0)
    with pytest.raises(BenchError, match="positive"):
        bench.session.start_reading(applied_kN=float("nan"))
    assert bench.take(500.3).applied_kN == 500.3
    assert bench.session.taken[1].applied_by == "typed"


def test_saturated_counts_are_refused_and_kept_as_an_event(bench: Bench) -> None:
    bench.hold(500.0, 2.0)
    bench.session.start_reading()
    bench.hold(500.0, 1.0)
    bench.session.live.feed([bench.t_s + 0.01], [8_388_607])
    bench.t_s += 0.01
    bench.hold(500.0, 1.5)
    with pytest.raises(BenchError, match="saturated"):
        bench.session.poll()
    assert bench.session.taken == ()
    assert bench.session.events[-1][1] == "refused"


def test_a_feed_that_pauses_is_waited_for_and_the_reading_begins_again(bench: Bench) -> None:
    bench.begin()
    bench.t_s += 1.9
    bench.hold(0.0, 0.2)
    assert bench.session.poll() is None
    assert bench.session.events[-1][1:] == (
        "paused", "step 1: the counts paused; the reading began again",
    )  # fmt: skip
    bench.hold(0.0, 2.1)
    taken = bench.session.poll()
    assert taken is not None
    assert taken.seconds == pytest.approx(2.0, abs=0.05)


def test_a_feed_that_pauses_in_every_reading_is_refused(bench: Bench) -> None:
    bench.begin()
    for _ in range(3):
        bench.t_s += 1.9
        bench.hold(0.0, 0.2)
        assert bench.session.poll() is None
    bench.t_s += 1.9
    bench.hold(0.0, 0.2)
    with pytest.raises(BenchError, match="paused in 4 readings on end"):
        bench.session.poll()
    assert bench.session.pending is None


def test_a_device_restart_while_gathering_is_refused(bench: Bench) -> None:
    bench.hold(500.0, 2.0)
    bench.session.start_reading()
    bench.t_s = 0.0
    bench.hold(500.0, 0.5)
    with pytest.raises(BenchError, match="restarted"):
        bench.session.poll()


def test_no_counts_no_reading(bench: Bench) -> None:
    with pytest.raises(BenchError, match="no counts"):
        bench.session.start_reading()
    with pytest.raises(ReadingsError, match="no reading has been taken"):
        bench.session.readings()


def test_cancel_and_skip_are_kept(bench: Bench) -> None:
    bench.hold(500.0, 2.0)
    bench.session.start_reading()
    bench.session.cancel_reading("wrong hook")
    assert bench.session.pending is None
    assert bench.session.poll() is None
    bench.session.skip("preloads done before")
    assert [e[1] for e in bench.session.events] == ["cancelled", "skipped"]
    current = bench.session.current
    assert current is not None
    assert current.number == 2
    with pytest.raises(BenchError, match="reason"):
        bench.session.skip("")


def test_while_a_reading_is_gathered_no_other_step_is_asked_for(bench: Bench) -> None:
    """The repeat asked for would be forgotten once the reading came in."""
    bench.take()
    bench.begin()
    with pytest.raises(BenchError, match="step 2 is being read"):
        bench.session.repeat(1, "a link lay on it")
    with pytest.raises(BenchError, match="step 2 is being read"):
        bench.session.skip("no time")
    bench.session.cancel_reading("wrong hook")
    assert bench.session.repeat(1, "a link lay on it").number == 1


def test_zero_after_zero_and_a_hold_go_on_with_the_wait_of_the_first(tmp_path: Path) -> None:
    """30 s of the zero after a series count for the three minutes before the next one."""
    plan = make_plan(capacity_kN=500.0, steps=3, preloads=0, creep=True)
    bench = Bench(tmp_path / "zeros.bench", plan=plan)
    session = bench.session
    while not (session.taken and session.taken[-1].step == 5):
        bench.take()
    step = session.current
    assert step is not None
    assert (step.kind, step.settle_s) == ("zero", 180.0)
    bench.hold(0.0, 2.0)
    session.start_reading()
    left_s = session.left_s
    assert left_s is not None
    # 30 s of the zero before, its reading of 2 s, and the 2 s since.
    assert left_s == pytest.approx(180.0 - 30.1 - 2.1 - 2.0, abs=0.1)
    session.close()


def test_the_days_of_the_calibration_are_the_sessions(bench: Bench) -> None:
    bench.take()
    laboratory = bench.session.stated().laboratory
    assert laboratory.began == laboratory.ended == date(2026, 5, 4)
    bench.utc += timedelta(days=2)
    bench.take()
    laboratory = bench.session.stated().laboratory
    assert (laboratory.began, laboratory.ended) == (date(2026, 5, 4), date(2026, 5, 6))


def test_the_wall_clock_may_step_back(bench: Bench) -> None:
    bench.take()
    bench.utc -= timedelta(hours=2)
    bench.take()
    first, second = bench.session.taken
    assert second.time_s >= first.time_s


def test_reading_by_eye(bench: Bench) -> None:
    assert bench.session.type_reading(1000.0).doubts == (Doubt.BY_EYE,)
    taken = bench.session.type_reading(4_001_000.0, applied_kN=500.1)
    assert (taken.mean, taken.n, taken.stability) == (4_001_000.0, 1, "read by eye")
    assert (taken.low, taken.waited_s) == (None, None)
    with pytest.raises(BenchError, match="saturated"):
        bench.session.type_reading(8_388_607.0)
    for reading in (float("nan"), float("-inf"), 1e12, -(2.0**31)):
        with pytest.raises(BenchError, match="saturated or beyond"):
            bench.session.type_reading(reading)


def test_reference_force_from_a_second_channel(tmp_path: Path) -> None:
    reference = ForceCertificate.from_coefficients(
        (0.0, 1e-4), capacity_kN=600.0, nominal_zero_counts=0.0, certificate_id="ref 7"
    )
    plan = [replace(s, settle_s=0.0) for s in make_plan(capacity_kN=500.0, preloads=0)]
    with BenchSession.create(
        tmp_path / "two.bench", settings=BenchSettings(capacity_kN=500.0), plan=plan,
        limits=LIMITS, seconds=1.0, reference=reference,
    ) as session:  # fmt: skip
        t = 0.0
        for true_kN in (0.0, 50.04):
            for _ in range(2):
                at = t + (np.arange(60) + 1) / 50.0
                session.live.feed(at, np.full(60, 1000.0 + 8000.0 * true_kN))
                session.live.feed_reference(at, np.full(60, 250.0 + 10_000.0 * true_kN))
                t = float(at[-1])
                if session.pending is None:
                    session.start_reading()
            assert session.poll() is not None
        taken = session.taken[-1]
        assert taken.applied_kN == pytest.approx(50.04)
        assert taken.applied_by == "certificate ref 7"
        assert (taken.reference_counts, taken.reference_zero_counts) == (500_650.0, 250.0)
        assert session.live.reference_force_kN() == pytest.approx(50.04)
    with BenchSession.open(tmp_path / "two.bench") as again:
        assert again.reference == reference
        # The zero of the reference is known again from its reading.
        assert again.live.reference_zero == 250.0


def test_a_session_goes_on_where_it_stopped(bench: Bench) -> None:
    for _ in range(5):
        bench.take()
    bench.session.skip("nobody looks")
    taken = bench.session.taken
    bench.session.close()
    again = BenchSession.open(bench.session.path, now=lambda: bench.utc)
    assert again.taken == taken
    assert again.plan == bench.session.plan
    assert again.settings == bench.session.settings
    assert again.limits == LIMITS
    current = again.current
    assert current is not None
    assert current.number == 7
    assert again.events[-1][1] == "resumed"
    bench.session = again
    bench.take()

"""What stands against a reading: each fault alone, and none against a sound cell."""

from __future__ import annotations

from dataclasses import replace
from datetime import UTC, date, datetime
from pathlib import Path

import numpy as np
import pytest
from hypothesis import given, settings
from hypothesis import strategies as st
from numpy.typing import ArrayLike

from calibration.bench.bench_reading import BenchError, DoubtedReadingError, TakenReading
from calibration.bench.pending_reading import prepare
from calibration.bench.plan import PlanStep, make_plan
from calibration.bench.session import BenchSession
from calibration.bench.session_facts import SessionFacts
from calibration.bench.stability import StabilityLimits
from calibration.bench.weighing import read_by_eye, weigh
from calibration.certificates.force import ForceCertificate
from calibration.readings.bench_settings import BenchSettings
from calibration.readings.reading_doubts import Doubt
from calibration.readings.reference_standard import ReferenceStandard
from tests.calibration.bench.made_bench import LIMITS, Bench


def held_back(bench: Bench, force_kN: float, *, noise: float = 30.0) -> tuple[Doubt, ...]:
    """Doubts against a reading at a force that the press applies in truth; it is given up."""
    bench.begin(true_kN=force_kN)
    bench.hold(force_kN, 2.1, noise=noise)
    with pytest.raises(DoubtedReadingError):
        bench.session.poll()
    held = bench.session.held
    assert held is not None
    return held.doubts


def up_to(bench: Bench, number: int) -> PlanStep:
    """Take every step before one."""
    while True:
        step = bench.session.current
        assert step is not None
        if step.number == number:
            return step
        bench.take()


def test_a_cable_off_is_seen_at_the_first_force(bench: Bench) -> None:
    bench.take()
    assert Doubt.UNMOVED in held_back(bench, 0.0)


def test_a_cable_off_is_seen_at_every_later_force(bench: Bench) -> None:
    step = up_to(bench, 8)
    assert Doubt.UNMOVED in held_back(bench, step.applied_kN - 50.0)


def test_a_stuck_count_is_refused_where_the_signal_flickered_before(bench: Bench) -> None:
    step = up_to(bench, 7)
    assert Doubt.STUCK in held_back(bench, step.applied_kN, noise=0.0)


def test_limits_of_stability_that_let_anything_pass_let_not_everything_pass(
    tmp_path: Path,
) -> None:
    """0.1 % of full scale is no standing signal, whatever was stated: 8000 · 500 / 1000."""
    anything = StabilityLimits(window_s=1.0, drift_counts=1e12, noise_counts=1e12)
    bench = Bench(tmp_path / "wide.bench", limits=anything)
    step = up_to(bench, 7)
    assert Doubt.UNSTABLE in held_back(bench, step.applied_kN, noise=6000.0)
    bench.take()
    bench.session.close()


def test_counts_that_stop_within_a_reading_are_refused(bench: Bench) -> None:
    step = up_to(bench, 7)
    bench.begin()
    bench.hold(step.applied_kN, 0.6)
    bench.hold(step.applied_kN, 1.5, noise=0.0)
    with pytest.raises(DoubtedReadingError, match="stuck"):
        bench.session.poll()


def test_a_coarse_signal_that_never_flickers_is_taken_and_said(bench: Bench) -> None:
    bench.begin()
    bench.hold(0.0, 2.1, noise=0.0)
    bench.session.cancel_reading("made still first")
    bench.hold(0.0, 2.0, noise=0.0)
    bench.session.start_reading()
    bench.hold(0.0, 2.1, noise=0.0)
    taken = bench.session.poll()
    assert taken is not None
    assert taken.doubts == (Doubt.STUCK,)


@pytest.mark.parametrize("number", [6, 9, 15])
def test_the_force_of_the_step_beside_it_is_not_believed(bench: Bench, number: int) -> None:
    step = up_to(bench, number)
    doubts = held_back(bench, step.applied_kN + 50.0)
    assert Doubt.OTHER_FORCE in doubts
    bench.take()


def test_a_slip_of_five_hundredths_in_the_typed_force_is_seen(bench: Bench) -> None:
    """178.9 for 187.9: within a fifth of the step, but not what the cell reads."""
    step = up_to(bench, 10)
    assert step.applied_kN == 250.0
    bench.hold(250.0, 2.0)
    bench.session.start_reading(applied_kN=238.0)
    bench.hold(250.0, step.settle_s + 0.1)
    assert bench.session.poll() is None
    bench.hold(250.0, 2.1)
    with pytest.raises(DoubtedReadingError, match=r"reads 250 kN .* not 238 kN"):
        bench.session.poll()


def test_the_press_that_pushes_instead_of_pulling_is_seen(bench: Bench) -> None:
    bench.take()
    assert Doubt.WRONG_SIGN in held_back(bench, -500.0)


def test_a_cell_wired_the_other_way_is_accepted_once(tmp_path: Path) -> None:
    bench = Bench(tmp_path / "other.bench", counts_per_kN=-8000.0)
    bench.take()
    assert Doubt.WRONG_SIGN in held_back(bench, 500.0)
    bench.session.accept("wired so; the indicator shows it with a plus")
    for _ in range(5):
        assert Doubt.WRONG_SIGN not in bench.take().doubts
    bench.session.close()


def test_out_of_order_is_seen_for_an_element_whose_curve_is_not_known(tmp_path: Path) -> None:
    """A draft spring may read anything at a new force, but never less than below it."""
    bench = Bench(
        tmp_path / "spring.bench",
        settings=BenchSettings(capacity_kN=500.0, element="draft spring"),
    )
    step = up_to(bench, 8)
    assert step.applied_kN == 150.0
    assert held_back(bench, 80.0)[0] is Doubt.OUT_OF_ORDER
    bench.session.close()


def test_falling_readings_must_fall(tmp_path: Path) -> None:
    bench = Bench(
        tmp_path / "spring.bench",
        settings=BenchSettings(capacity_kN=500.0, element="draft spring"),
        plan=make_plan(capacity_kN=500.0, steps=4, preloads=1, positions_deg=(0.0, 120.0)),
    )
    falling = next(s for s in bench.session.plan if s.direction == "down" and s.kind == "step")
    step = up_to(bench, falling.number)
    assert step.applied_kN == 375.0
    assert Doubt.OUT_OF_ORDER in held_back(bench, 530.0)
    bench.session.close()


def test_a_force_that_nobody_measured_is_taken_and_said(bench: Bench) -> None:
    bench.take()
    planned, typed = bench.take(), bench.take(500.3)
    assert planned.doubts == (Doubt.AS_PLANNED,)
    assert typed.doubts == ()
    assert "not measured" in planned.findings[0]


@pytest.mark.parametrize(
    ("standard", "words"),
    [
        (ReferenceStandard(valid_until=date(2026, 5, 3)), "ended on 2026-05-03"),
        (ReferenceStandard(calibrated=date(2026, 6, 1)), "begins on 2026-06-01"),
    ],
)
def test_a_reference_that_is_not_valid_today_is_accepted_once_for_the_session(
    tmp_path: Path, standard: ReferenceStandard, words: str
) -> None:
    settings = BenchSettings(capacity_kN=500.0, standard=standard)
    bench = Bench(tmp_path / "late.bench", settings=settings)
    bench.begin()
    bench.hold(0.0, 2.1)
    with pytest.raises(DoubtedReadingError, match=words):
        bench.session.poll()
    bench.session.accept("compared with the other frame last week")
    taken = bench.take()
    assert Doubt.STANDARD_NOT_VALID in taken.doubts
    assert taken.accepted_because == "compared with the other frame last week"
    bench.session.close()
    again = BenchSession.open(bench.session.path, now=lambda: bench.utc)
    bench.session = again
    assert Doubt.STANDARD_NOT_VALID in bench.take().doubts
    again.close()


def test_the_day_of_a_reference_without_dates_is_not_asked(bench: Bench) -> None:
    assert bench.take().doubts == ()


def two_cells(tmp_path: Path) -> BenchSession:
    reference = ForceCertificate.from_coefficients(
        (0.0, 1e-4), capacity_kN=600.0, certificate_id="ref 7", u_relative=1e-4
    )
    plan = make_plan(capacity_kN=500.0, preloads=0)
    return BenchSession.create(
        tmp_path / "two.bench", settings=BenchSettings(capacity_kN=500.0), limits=LIMITS,
        plan=[replace(s, settle_s=0.0) for s in plan], seconds=1.0, reference=reference,
        now=lambda: datetime(2026, 5, 4, 8, 0, tzinfo=UTC),
    )  # fmt: skip


def read_two(
    session: BenchSession, start_s: float, cell: ArrayLike, standard: ArrayLike
) -> TakenReading | None:
    """One reading of both cells; 60 counts before it and 60 within."""
    for part in range(2):
        t = start_s + part * 1.2 + (np.arange(60) + 1) / 50.0
        session.live.feed(t, cell)
        session.live.feed_reference(t, standard)
        if part == 0:
            session.start_reading()
    return session.poll()


FLICKER = 3.0 * (-1.0) ** np.arange(60)


def test_the_reference_cell_shows_a_force_that_is_not_the_steps(tmp_path: Path) -> None:
    with two_cells(tmp_path) as session:
        read_two(session, 0.0, 1000.0 + FLICKER, 250.0 + FLICKER)
        with pytest.raises(
            DoubtedReadingError, match=r"applied force is 60 kN .*the step's 50"
        ):
            read_two(session, 10.0, 481_000.0 + FLICKER, 600_250.0 + FLICKER)
        held = session.held
        assert held is not None
        assert held.doubts == (Doubt.OFF_STEP,)


def test_the_reference_cell_bears_a_force_at_the_zero(tmp_path: Path) -> None:
    with two_cells(tmp_path) as session:
        read_two(session, 0.0, 1000.0 + FLICKER, 250.0 + FLICKER)
        read_two(session, 10.0, 401_000.0 + FLICKER, 500_250.0 + FLICKER)
        session.repeat(1, "a link lay on it")
        with pytest.raises(DoubtedReadingError, match="reference cell reads 9 kN above"):
            read_two(session, 20.0, 1000.0 + FLICKER, 90_250.0 + FLICKER)


@pytest.mark.parametrize("rail", [2**23 - 1, -(2**23)])
def test_a_reference_at_its_rail_can_not_be_accepted(tmp_path: Path, rail: int) -> None:
    with two_cells(tmp_path) as session:
        with pytest.raises(BenchError, match="reference cell stood at its rail"):
            read_two(session, 0.0, 1000.0 + FLICKER, np.full(60, float(rail)))
        assert session.held is None


def test_a_reference_that_moves_is_not_believed(tmp_path: Path) -> None:
    with (
        two_cells(tmp_path) as session,
        pytest.raises(DoubtedReadingError, match="reference cell is not stable"),
    ):
        read_two(session, 0.0, 1000.0 + FLICKER, 100.0 * FLICKER)


def facts_of(**words: object) -> SessionFacts:
    # Any option by its name.
    plan = make_plan(capacity_kN=500.0, steps=4, preloads=1, **words)  # type: ignore[arg-type]
    started = datetime(2026, 5, 4, tzinfo=UTC)
    return SessionFacts(settings=BenchSettings(capacity_kN=500.0), plan=plan, started=started)


def typed(facts: SessionFacts, taken: list[TakenReading], force: float, counts: float) -> bool:
    """Whether a reading of the next step is held back; it joins the others unless it is."""
    step = facts.plan[len(taken)]
    pending = prepare(step, (force, "typed"), None, reason="", repeat_of=None)
    draft = replace(read_by_eye(pending, counts), number=len(taken) + 1)
    found = weigh(draft, facts, taken, facts.started.date())
    if any(f.stops for f in found):
        return True
    taken.append(replace(draft, doubts=tuple(f.doubt for f in found)))
    return False


@given(
    gain=st.floats(100.0, 16_000.0),
    bend=st.floats(-0.02, 0.02),
    zero=st.floats(-50_000.0, 50_000.0),
    loop=st.floats(0.0, 0.002),
    sense=st.sampled_from(["tension", "compression"]),
    seed=st.integers(0, 2**32 - 1),
)
@settings(max_examples=15, deadline=None)
def test_a_sound_cell_is_never_held_back(
    gain: float, bend: float, zero: float, loop: float, sense: str, seed: int
) -> None:
    """Any gain, bend of 2 %, loop of 0.2 %, both senses, a press that misses by 0.3 %."""
    rng = np.random.default_rng(seed)
    facts, taken = facts_of(senses=(sense,), creep=True), list[TakenReading]()
    for step in facts.plan:
        force = step.applied_kN * (1.0 + 0.003 * rng.uniform(-1.0, 1.0))
        share = abs(force) / 500.0
        curve = 1.0 + bend * share
        if step.direction == "down":
            curve += loop * (1.0 - share)
        noise = rng.normal(0.0, 1e-4 * gain * 500.0)
        assert not typed(facts, taken, force, zero + gain * force * curve + noise)


@given(st.integers(2, 25), st.sampled_from(["unmoved", "neighbour", "swapped sign", "half"]))
@settings(max_examples=40, deadline=None)
def test_a_gross_fault_is_held_back_wherever_it_comes(at: int, fault: str) -> None:
    facts, taken = facts_of(), list[TakenReading]()
    while facts.plan[at].unloaded:
        at += 1
    for step in facts.plan[:at]:
        assert not typed(facts, taken, step.applied_kN, 1000.0 + 8000.0 * step.applied_kN)
    force = facts.plan[at].applied_kN
    wrong = {
        "unmoved": facts.plan[at - 1].applied_kN,
        "neighbour": force - 125.0,
        "swapped sign": -force,
        "half": 0.5 * force,
    }[fault]
    assert typed(facts, taken, force, 1000.0 + 8000.0 * wrong)
    assert not typed(facts, taken, force, 1000.0 + 8000.0 * force)

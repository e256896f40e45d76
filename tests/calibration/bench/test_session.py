from __future__ import annotations

import contextlib
import os
import sqlite3
import subprocess
import sys
from collections.abc import Iterator
from datetime import UTC, datetime, timedelta
from pathlib import Path

import numpy as np
import pytest
from hypothesis import given, settings
from hypothesis import strategies as st

from calibration.bench import session_file
from calibration.bench.plan import PlanStep, make_plan
from calibration.bench.session import BenchSession
from calibration.bench.session_file import BenchError, BenchStore, TakenReading
from calibration.bench.stability import StabilityLimits
from calibration.certificates.force import ForceCertificate
from calibration.readings.bench_settings import BenchSettings
from calibration.readings.readings import ReadingsError
from calibration.readings.readings_csv import parse_readings

LIMITS = StabilityLimits(window_s=1.0, drift_counts=100.0, noise_counts=100.0)


class Bench:
    """A made-up bench: a press that applies what the plan asks, a clock wound by hand."""

    def __init__(self, path: Path, *, session: BenchSession | None = None) -> None:
        self.t_s = 0.0
        self.utc = datetime(2026, 5, 4, 8, 0, tzinfo=UTC)
        self.rng = np.random.default_rng(3)
        self.session = session or BenchSession.create(
            path,
            settings=BenchSettings(capacity_kN=500.0, reference_U_pct=0.02),
            plan=make_plan(capacity_kN=500.0),
            limits=LIMITS,
            seconds=2.0,
            now=lambda: self.utc,
        )

    def hold(self, force_kN: float, seconds: float, *, noise: float = 30.0) -> None:
        n = int(seconds * 50)
        t = self.t_s + (np.arange(n) + 1) / 50.0
        counts = 1000.0 + 8000.0 * force_kN + self.rng.normal(0.0, noise, n)
        self.session.feed(t, np.round(counts))
        self.t_s = float(t[-1])
        self.utc += timedelta(seconds=seconds)

    def take(self, applied_kN: float | None = None) -> TakenReading:
        step = self.session.current
        assert step is not None
        force = step.applied_kN if applied_kN is None else applied_kN
        self.hold(force, 2.0)
        self.session.start_reading(applied_kN=applied_kN)
        assert self.session.poll() is None
        self.hold(force, 2.1)
        taken = self.session.poll()
        assert taken is not None
        return taken


@pytest.fixture
def bench(tmp_path: Path) -> Iterator[Bench]:
    made = Bench(tmp_path / "cell.bench")
    yield made
    made.session.close()


# ---------------------------------------------------------------- plan


def test_the_plan_has_preloads_series_positions_and_zeros() -> None:
    plan = make_plan(capacity_kN=500.0, steps=8, creep=True)
    assert [s.number for s in plan] == list(range(1, len(plan) + 1))
    assert [s.kind for s in plan[:3]] == ["preload"] * 3
    names = list(dict.fromkeys(s.series for s in plan if s.kind in ("step", "zero")))
    assert names == ["X1", "X2", "X3", "X4", "Xcreep"] or names[:4] == ["X1", "X2", "X3", "X4"]
    for name in names[:4]:
        series = [s for s in plan if s.series == name]
        assert series[0].kind == series[-1].kind == "zero"
        up = [s.applied_kN for s in series if s.kind == "step" and s.direction == "up"]
        assert up == [500.0 * i / 8 for i in range(1, 9)]
    assert {s.position_deg for s in plan if s.series in ("X1", "X2")} == {0.0}
    falling = {s.series for s in plan if s.direction == "down" and s.kind == "step"}
    assert falling == {"X3", "X4"}
    assert [s.settle_s for s in plan if s.kind == "creep"] == [30.0, 300.0]


def test_compression_has_a_minus_sign_and_series_of_its_own() -> None:
    plan = make_plan(capacity_kN=500.0, senses=("tension", "compression"), preloads=1)
    forces = [s.applied_kN for s in plan if s.series.startswith("C") and s.kind == "step"]
    assert min(forces) == -500.0
    assert max(forces) < 0.0


@pytest.mark.parametrize(
    "wrong",
    [
        {"capacity_kN": 0.0}, {"capacity_kN": float("nan")}, {"steps": 2}, {"steps": 99},
        {"positions_deg": ()}, {"positions_deg": (0.0, 0.0)}, {"senses": ()},
        {"senses": ("sideways",)}, {"preloads": -1},
    ],
)  # fmt: skip
def test_senseless_plans_are_refused(wrong: dict[str, object]) -> None:
    with pytest.raises(ValueError, match=next(iter(wrong))):
        make_plan(**{"capacity_kN": 500.0, **wrong})  # type: ignore[arg-type]


# ------------------------------------------------------------- session


def test_a_whole_session_becomes_a_certificate(bench: Bench) -> None:
    session = bench.session
    while session.current is not None:
        bench.take()
    assert session.done == len(session.plan)
    evaluation = session.evaluate()
    part = evaluation.senses[0]
    assert part.working.coefficients[1] == pytest.approx(1.0 / 8000.0, rel=1e-5)
    assert part.figure("iso376_class").value in ("00", "0.5")
    assert part.figure("e74_class_a_range").value is not None
    certificate = session.certificate()
    assert certificate.range_kN == (0.0, 500.0)
    table = parse_readings(session.to_csv())
    again = table.reading[table.used]
    assert again == pytest.approx(session.readings().reading[session.readings().used])


def test_a_reading_is_a_mean_with_its_standard_deviation(bench: Bench) -> None:
    taken = bench.take()
    assert taken.n == pytest.approx(100, abs=2)
    assert taken.seconds == pytest.approx(2.0, abs=0.05)
    assert taken.mean == pytest.approx(1000.0 + 8000.0 * 500.0, abs=20.0)
    assert taken.sd == pytest.approx(30.0, rel=0.3)
    assert taken.stable
    assert taken.applied_by == "plan"


def test_an_unstable_reading_says_so(bench: Bench) -> None:
    bench.hold(500.0, 2.0)
    bench.session.start_reading()
    bench.hold(500.0, 2.1, noise=5000.0)
    taken = bench.session.poll()
    assert taken is not None
    assert not taken.stable
    assert "noise" in taken.stability


def test_live_verdict(bench: Bench) -> None:
    assert not bench.session.stability().stable
    bench.hold(0.0, 2.0)
    assert bench.session.stability().stable


def test_a_repeat_is_a_new_reading_that_says_why(bench: Bench) -> None:
    for _ in range(6):
        bench.take()
    step = bench.session.repeat(5, "press crept")
    assert step.number == 5
    again = bench.take()
    assert again.repeat_of == 5
    assert again.reason == "press crept"
    assert len(bench.session.taken) == 7
    current = bench.session.current
    assert current is not None
    assert current.number == 7
    readings = bench.session.readings()
    assert readings.superseded.tolist() == [False] * 4 + [True, False, False]
    with pytest.raises(BenchError, match="reason"):
        bench.session.repeat(5, " ")
    with pytest.raises(BenchError, match="no reading to repeat"):
        bench.session.repeat(40, "why not")


def test_typed_force_is_checked_for_sign_and_size(bench: Bench) -> None:
    bench.hold(500.0, 2.0)
    with pytest.raises(BenchError, match="positive"):
        bench.session.start_reading(applied_kN=-500.0)
    with pytest.raises(BenchError, match="more than a fifth off"):
        bench.session.start_reading(applied_kN=50.0)
    with pytest.raises(BenchError, match="positive"):
        bench.session.start_reading(applied_kN=float("nan"))
    assert bench.take(500.3).applied_kN == 500.3
    assert bench.session.taken[0].applied_by == "typed"


def test_saturated_counts_are_refused_and_kept_as_an_event(bench: Bench) -> None:
    bench.hold(500.0, 2.0)
    bench.session.start_reading()
    bench.hold(500.0, 1.0)
    bench.session.feed([bench.t_s + 0.01], [8_388_607])
    bench.t_s += 0.01
    bench.hold(500.0, 1.5)
    with pytest.raises(BenchError, match="saturated"):
        bench.session.poll()
    assert bench.session.taken == ()
    assert bench.session.events[-1][1] == "refused"


def test_a_feed_with_a_hole_is_refused(bench: Bench) -> None:
    bench.hold(500.0, 2.0)
    bench.session.start_reading()
    bench.t_s += 1.9
    bench.hold(500.0, 0.2)
    with pytest.raises(BenchError, match="counts stopped"):
        bench.session.poll()


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


def test_the_wall_clock_may_step_back(bench: Bench) -> None:
    bench.take()
    bench.utc -= timedelta(hours=2)
    bench.take()
    first, second = bench.session.taken
    assert second.time_s >= first.time_s


def test_reading_by_eye(bench: Bench) -> None:
    taken = bench.session.type_reading(4_001_000.0, applied_kN=500.1)
    assert (taken.mean, taken.n, taken.stability) == (4_001_000.0, 1, "read by eye")
    with pytest.raises(BenchError, match="saturated"):
        bench.session.type_reading(8_388_607.0)
    with pytest.raises(BenchError, match="finite"):
        bench.session.type_reading(float("nan"))


def test_reference_force_from_a_second_channel(tmp_path: Path) -> None:
    reference = ForceCertificate.from_coefficients(
        (0.0, 1e-4), capacity_kN=600.0, nominal_zero_counts=0.0, certificate_id="ref 7"
    )
    plan = make_plan(capacity_kN=500.0, preloads=0)
    with BenchSession.create(
        tmp_path / "two.bench", settings=BenchSettings(capacity_kN=500.0), plan=plan,
        limits=LIMITS, seconds=1.0, reference=reference,
    ) as session:  # fmt: skip
        t = 0.0
        for true_kN in (0.0, 50.04):
            for _ in range(2):
                at = t + (np.arange(60) + 1) / 50.0
                session.feed(at, np.full(60, 1000.0 + 8000.0 * true_kN))
                session.feed_reference(at, np.full(60, 250.0 + 10_000.0 * true_kN))
                t = float(at[-1])
                if session.pending is None:
                    session.start_reading()
            assert session.poll() is not None
        taken = session.taken[-1]
        assert taken.applied_kN == pytest.approx(50.04)
        assert taken.applied_by == "certificate ref 7"
        assert session.reference_force_kN() == pytest.approx(50.04)
    with BenchSession.open(tmp_path / "two.bench") as again:
        assert again.reference == reference


# ------------------------------------------------------------ durable


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


_CHILD = """
import os, sys
from calibration.bench import session_file
from calibration.bench.session import BenchSession
session = BenchSession.open(sys.argv[1])
for value in (4001000.0, 4001010.0):
    session.type_reading(value)
    print("taken", flush=True)
sys.stdin.readline()
"""


def test_killed_at_once_after_a_reading_nothing_is_lost(tmp_path: Path) -> None:
    path = tmp_path / "k.bench"
    BenchSession.create(
        path, settings=BenchSettings(capacity_kN=500.0), plan=make_plan(capacity_kN=500.0)
    ).close()
    root = Path(__file__).parents[3]
    with subprocess.Popen(
        [sys.executable, "-c", _CHILD, str(path)], stdin=subprocess.PIPE,
        stdout=subprocess.PIPE, cwd=root, text=True,
        env={**os.environ, "PYTHONPATH": str(root)},
    ) as child:  # fmt: skip
        assert child.stdout is not None
        assert child.stdout.readline() == "taken\n"
        assert child.stdout.readline() == "taken\n"
        with pytest.raises(BenchError, match="in use"):
            BenchSession.open(path)
        child.kill()
    with BenchSession.open(path) as session:
        assert [r.mean for r in session.taken] == [4001000.0, 4001010.0]


def test_nothing_taken_can_be_changed_or_thrown_away(bench: Bench) -> None:
    bench.take()
    bench.session.note("note", "rain on the roof")
    bench.session.close()
    connection = sqlite3.connect(bench.session.path)
    for statement in (
        "DELETE FROM readings", "UPDATE readings SET body = ''",
        "DELETE FROM events", "UPDATE events SET text = ''",
    ):  # fmt: skip
        with pytest.raises(sqlite3.IntegrityError, match="never"):
            connection.execute(statement)
    connection.close()


def test_files_that_are_no_session_are_refused(tmp_path: Path, bench: Bench) -> None:
    bench.take()
    bench.session.close()
    good = bench.session.path.read_bytes()
    with pytest.raises(BenchError, match="exists already"):
        BenchSession.create(
            bench.session.path, settings=BenchSettings(), plan=make_plan(capacity_kN=1.0)
        )
    with pytest.raises(BenchError, match="no such bench session"):
        BenchSession.open(tmp_path / "none.bench")
    with pytest.raises(BenchError, match="no folder"):
        BenchSession.create(
            tmp_path / "a" / "b", settings=BenchSettings(), plan=make_plan(capacity_kN=1.0)
        )
    for i, data in enumerate((b"", b"not a database at all" * 50, good[:100], b"\0" * 5000)):
        path = tmp_path / f"bad{i}.bench"
        path.write_bytes(data)
        with pytest.raises(BenchError):
            BenchSession.open(path)


@given(st.integers(0, 40_000), st.binary(min_size=1, max_size=64))
@settings(max_examples=25, deadline=None)
def test_a_damaged_session_opens_or_is_refused(
    tmp_path_factory: pytest.TempPathFactory, at: int, junk: bytes
) -> None:
    folder = tmp_path_factory.mktemp("damaged")
    path = folder / "d.bench"
    with BenchSession.create(
        path, settings=BenchSettings(capacity_kN=9.0), plan=make_plan(capacity_kN=9.0, steps=3)
    ) as session:
        session.type_reading(9000.0)
    data = bytearray(path.read_bytes())
    at %= len(data)
    data[at : at + len(junk)] = junk
    path.write_bytes(bytes(data))
    # Anything but BenchError fails the test.
    with contextlib.suppress(BenchError), BenchSession.open(path) as session:
        assert len(session.taken) <= 1


def test_a_full_disk_is_told_and_the_reading_can_be_taken_again(
    bench: Bench, monkeypatch: pytest.MonkeyPatch
) -> None:
    def full(self: BenchStore, reading: TakenReading) -> None:
        del reading
        msg = f"{self.path}: not written (database or disk is full); free the disk"
        raise BenchError(msg)

    with monkeypatch.context() as patch:
        patch.setattr(BenchStore, "add_reading", full)
        with pytest.raises(BenchError, match="disk is full"):
            bench.take()
    assert bench.session.taken == ()
    assert bench.take().number == 1


def test_damaged_steps_are_refused() -> None:
    for wrong in (
        {},
        {"number": 1},
        {**make_plan(capacity_kN=9.0)[0].to_document(), "kind": "x"},
    ):
        with pytest.raises(ValueError, match="step of the plan"):
            PlanStep.from_document(wrong)


def test_a_place_that_cannot_hold_a_session_is_refused(tmp_path: Path) -> None:
    folder = tmp_path / "folder.bench"
    folder.mkdir()
    with pytest.raises(BenchError, match="cannot be opened"):
        BenchStore(folder, session_file._connect(folder))

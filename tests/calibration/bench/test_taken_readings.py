"""What a session has taken, as a table that says what else happened."""

from __future__ import annotations

import csv
from dataclasses import replace
from pathlib import Path

import numpy as np
import pytest

from calibration.bench.bench_reading import DoubtedReadingError
from calibration.bench.plan import make_plan
from calibration.bench.session import BenchSession
from calibration.bench.taken_readings import csv_of, readings_of
from calibration.certificates.force import ForceCertificate
from calibration.readings.bench_settings import BenchSettings
from calibration.readings.reading_doubts import Doubt
from calibration.readings.readings import Readings, ReadingsError
from calibration.readings.readings_csv import parse_readings
from tests.calibration.bench.made_bench import LIMITS, Bench


def test_the_table_tells_what_was_skipped_repeated_and_noted(bench: Bench) -> None:
    bench.take()
    bench.session.repeat(1, 'the "link" had turned')
    bench.take()
    bench.session.skip("nobody\nlooks")
    bench.session.note("note", "rain, on the roof")
    remarks = [ln for ln in bench.session.to_csv().splitlines() if ln.startswith("#")]
    assert [ln.partition(" ")[2].partition(" ")[2] for ln in remarks] == [
        'repeat asked: 1: the "link" had turned', "skipped: 2: nobody looks",
        "note: rain, on the roof",
    ]  # fmt: skip
    assert remarks[0].startswith("# 2026-05-04T08:")


def test_a_clean_session_says_so_in_readings_document_and_table(bench: Bench) -> None:
    while (step := bench.session.current) is not None:
        bench.take(step.applied_kN or None)
    made = bench.session.readings()
    assert not any(made.doubts)
    for readings in (
        made, Readings.from_document(made.to_document()), parse_readings(bench.session.to_csv())
    ):  # fmt: skip
        assert readings.doubts_kept


def test_of_an_older_session_nothing_is_known_of_its_doubts(bench: Bench) -> None:
    """Its readings kept neither their wait nor what stood against them."""
    while (step := bench.session.current) is not None:
        bench.take(step.applied_kN or None)
    older = [replace(r, waited_s=None) for r in bench.session.taken]
    plan = bench.session.plan
    assert not readings_of(older, plan, source="older").doubts_kept
    assert not parse_readings(csv_of(older, plan, ())).doubts_kept


def test_the_table_with_its_remarks_reads_again(bench: Bench) -> None:
    while bench.session.current is not None:
        bench.take()
    bench.session.note("note", '"quoted", and # more')
    again = parse_readings(bench.session.to_csv())
    assert again.reading.tolist() == bench.session.readings().reading.tolist()
    assert again.kind == bench.session.readings().kind
    assert again.doubts == bench.session.readings().doubts
    assert any(again.doubted(Doubt.AS_PLANNED))
    assert again.sd.tolist() == bench.session.readings().sd.tolist()
    assert again.sd == pytest.approx(30.0, rel=0.4)


def test_what_stood_against_a_reading_survives_table_and_certificate(bench: Bench) -> None:
    for _ in range(7):
        bench.take()
    bench.begin()
    bench.hold(150.0, 2.1, noise=5000.0)
    with pytest.raises(DoubtedReadingError):
        bench.session.poll()
    bench.session.accept('the "crane", walking')
    bench.take()
    made = bench.session.readings()
    for again in (
        parse_readings(bench.session.to_csv()),
        Readings.from_document(made.to_document()),
    ):
        assert again.doubts == made.doubts
        assert again.accepted_because == made.accepted_because
        assert np.flatnonzero(again.doubted(Doubt.UNSTABLE)).tolist() == [7]
    (words,) = [w for w in bench.session.evaluate().cautions if "not stable" in w]
    assert words == (
        "1 reading (row 8): taken while the signal was not stable; taken all the same because:"
        ' the "crane", walking'
    )


def test_a_doubt_that_nobody_knows_is_damage(bench: Bench) -> None:
    for _ in range(7):
        bench.take()
    document = bench.session.readings().to_document()
    document["doubts"][1] = ["a whim"]
    with pytest.raises(ReadingsError, match="damaged"):
        Readings.from_document(document)
    document["doubts"] = []
    with pytest.raises(ReadingsError, match="differ in length"):
        Readings.from_document(document)


def test_the_scatter_of_the_reference_is_in_the_table(tmp_path: Path) -> None:
    """10 000 counts a kN; ± 90 counts by turns are 0.009 kN (times √(n/(n−1)))."""
    reference = ForceCertificate.from_coefficients((0.0, 1e-4), capacity_kN=600.0)
    with BenchSession.create(
        tmp_path / "two.bench", settings=BenchSettings(capacity_kN=500.0), limits=LIMITS,
        plan=(replace(make_plan(capacity_kN=500.0)[1], number=1, settle_s=0.0),),
        seconds=1.0, reference=reference,
    ) as session:  # fmt: skip
        for start_s in (0.0, 1.2):
            t = start_s + (np.arange(60) + 1) / 50.0
            session.live.feed(t, np.full(60, 4_001_000.0))
            session.live.feed_reference(t, 5e6 + 90.0 * (-1.0) ** np.arange(60))
            if session.pending is None:
                session.start_reading()
        assert session.poll() is not None
        (row,) = csv.DictReader(session.to_csv().splitlines())
    assert float(row["reference_sd_kN"]) == pytest.approx(0.009, rel=0.02)


def test_nothing_taken_is_no_table_of_readings(bench: Bench) -> None:
    with pytest.raises(ReadingsError, match="no reading has been taken yet"):
        bench.session.readings()


def test_a_whole_number_beyond_64_bits_is_no_reading(tmp_path: Path) -> None:
    bench = Bench(tmp_path / "s.bench")
    taken = [replace(bench.take(), applied_kN=2**64)]
    with pytest.raises(ReadingsError, match=r"a value of 1\.84467e\+19 is no reading"):
        readings_of(taken, bench.session.plan, source="s")

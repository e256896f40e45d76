"""From raw records to values: zeros over time, restarts of a counter, flags."""

from __future__ import annotations

from dataclasses import replace
from datetime import date

import numpy as np
import pytest
from numpy.typing import NDArray

from calibration.certificates.certificate import Certificate, dump_certificate
from calibration.quantities import flags as flag_bits
from recorder.run.calibrate import (
    Calibrator,
    ZeroLine,
    calibrate_records,
    parse_certificates,
    zero_event,
    zero_lines,
)
from recorder.run.errors import RunFileError
from recorder.run.event import Event
from recorder.run.gap import Cause, Gap
from tests.recorder.made_runs import CELL, WHEEL, gnss, header, load_cell, wheel

CERTIFICATES: dict[str, Certificate] = {"certs/cell.json": CELL, "wheel": WHEEL}


def cell_records(counts: list[int]) -> NDArray[np.void]:
    records = np.zeros(len(counts), load_cell().record_dtype)
    records["ch0"] = counts
    return records


def wheel_records(counts: list[int], ticks: list[int] | None = None) -> NDArray[np.void]:
    records = np.zeros(len(counts), wheel().record_dtype)
    records["count"] = counts
    records["tick"] = ticks or [10_000 * (i + 1) for i in range(len(counts))]
    return records


def test_counts_above_the_zero_are_force() -> None:
    values, flags = calibrate_records(
        load_cell(), CERTIFICATES, cell_records([1000, 11_000, -9000]), {"pull": 1000.0}
    )["pull"]
    assert values == pytest.approx([0.0, 1.0, -1.0])  # 1e-4 kN a count, tension +
    assert flags.tolist() == [0, 0, 0]


def test_without_a_zero_the_nominal_one_holds() -> None:
    cell = replace(CELL, nominal_zero_counts=500.0)
    values, _ = calibrate_records(
        load_cell(), {"certs/cell.json": cell}, cell_records([500, 10_500]), {}
    )["pull"]
    assert values == pytest.approx([0.0, 1.0])


def test_between_two_zeros_the_zero_lies_on_a_line() -> None:
    lines = zero_lines([zero_event("pull", 0.0, 1000.0), zero_event("pull", 100.0, 2000.0)])
    time_s = np.array([-5.0, 0.0, 25.0, 100.0, 200.0])
    zeros = [1000, 1000, 1250, 2000, 2000]
    values, _ = calibrate_records(
        load_cell(), CERTIFICATES, cell_records(zeros), lines, time_s=time_s
    )["pull"]
    assert values == pytest.approx(np.zeros(5), abs=1e-12)


@pytest.mark.parametrize(
    "data",
    [
        {},
        {"channel": "pull"},
        {"channel": 3, "counts": 1.0},
        {"channel": "pull", "counts": "12"},
        {"channel": "pull", "counts": True},
        {"channel": "pull", "counts": float("nan")},
        {"channel": "pull", "counts": 5.0, "accepted": False},
    ],
)
def test_a_zero_that_cannot_be_used_is_left_out(data: dict[str, object]) -> None:
    assert zero_lines([Event(kind="zero", t_s=1.0, data=data)]) == {}


def test_flags_tell_rails_range_and_expiry() -> None:
    records = cell_records([2**23 - 1, 6_000_000, 0])
    _, flags = calibrate_records(
        load_cell(), CERTIFICATES, records, {"pull": 0.0}, on=date(2030, 1, 1)
    )["pull"]
    assert flags.tolist() == [
        flag_bits.SATURATED | flag_bits.OUT_OF_RANGE | flag_bits.EXPIRED,
        flag_bits.OUT_OF_RANGE | flag_bits.EXPIRED,  # 600 kN, certified to 500
        flag_bits.EXPIRED,
    ]


def test_an_illegal_quadrature_transition_is_suspect() -> None:
    records = wheel_records([0, 1, 2])
    records["flags"] = [0, 2, 1]
    _, flags = calibrate_records(wheel(), CERTIFICATES, records, {})["distance"]
    assert flags.tolist() == [0, flag_bits.SUSPECT, 0]


def test_values_without_a_certificate_are_as_they_came() -> None:
    records = np.zeros(2, gnss().record_dtype)
    records["latitude_deg"] = [51.5, np.nan]
    values, flags = calibrate_records(gnss(), CERTIFICATES, records, {})["latitude"]
    assert values.tolist()[0] == 51.5
    assert np.isnan(values[1])
    assert flags.tolist() == [0, 0]


class TestDistance:
    """One turn is 3 m and 100 pulses: 0.03 m a count."""

    def distances(
        self,
        pieces: list[NDArray[np.void]],
        *,
        events: list[Event] | None = None,
    ) -> list[float]:
        calibrator = Calibrator(header())
        for event in events or []:
            calibrator.note(event)
        found: list[float] = []
        at = 0
        for records in pieces:
            time_s = np.asarray((at + 1 + np.arange(len(records))) * 0.01, dtype=np.float64)
            at += len(records)
            values, _ = calibrator.calibrate("wheel", records, time_s)["distance"]
            found += values.tolist()
        return found

    def test_it_begins_at_nought_and_is_exact_at_any_count(self) -> None:
        start = 2**53 + 1  # one more than float64 can tell from its neighbour
        found = self.distances([wheel_records([start, start + 1, start + 100])])
        assert found == pytest.approx([0.0, 0.03, 3.0], abs=1e-15)

    def test_it_may_run_backwards(self) -> None:
        assert self.distances([wheel_records([50, 40, 30])]) == pytest.approx([0, -0.3, -0.6])

    def test_it_goes_on_after_a_restart(self) -> None:
        """The counter began anew at 2: what it counted before is kept, nothing is made up."""
        first = wheel_records([100_000, 100_010], [500_000, 510_000])
        second = wheel_records([2, 12, 22], [10_000, 20_000, 30_000])
        assert self.distances([first, second]) == pytest.approx([0, 0.3, 0.3, 0.6, 0.9])
        whole = np.concatenate([first, second])
        assert self.distances([whole]) == pytest.approx([0, 0.3, 0.3, 0.6, 0.9])

    def test_a_small_restart_is_known_from_its_gap(self) -> None:
        gap = Gap(
            device="wheel",
            t_start_s=0.02,
            t_end_s=0.03,
            cause=Cause.COUNTER_RESTARTED,
            before_record=2,
        )
        records = wheel_records([20, 30, 0, 10])
        assert self.distances([records]) == pytest.approx([0, 0.3, -0.6, -0.3])
        told = self.distances([records[:1], records[1:]], events=[gap.to_event()])
        assert told == pytest.approx([0, 0.3, 0.3, 0.6])

    def test_a_lost_wrap_of_32_bits_is_put_right(self) -> None:
        """A reopened link knows only the low 32 bits again."""
        records = wheel_records([2**32 + 5, 15, 25])
        assert self.distances([records]) == pytest.approx([0, 0.3, 0.6])


def test_speed_waits_for_the_seal() -> None:
    values, _ = calibrate_records(wheel(), CERTIFICATES, wheel_records([0, 1]), {})["speed"]
    assert np.isnan(values).all()


def test_certificates_a_run_does_not_hold() -> None:
    with pytest.raises(RunFileError, match=r"channel distance of wheel: certificate 'wheel'"):
        parse_certificates(header(certificates={"certs/cell.json": dump_certificate(CELL)}))
    with pytest.raises(RunFileError, match="certificate 'wheel': not a certificate"):
        parse_certificates(header(certificates={"wheel": "{"}))


def test_a_line_of_zeros_is_level_outside() -> None:
    line = ZeroLine(np.array([1.0, 2.0]), np.array([10.0, 20.0]))
    assert line.at([0.0, 1.5, 3.0]).tolist() == [10.0, 15.0, 20.0]

"""From raw records to values: zeros over time, restarts of a counter, flags."""

from __future__ import annotations

from dataclasses import replace
from datetime import UTC, datetime

import numpy as np
import pytest
from numpy.typing import NDArray

from calibration.certificates.certificate import dump_certificate
from calibration.certificates.force import ForceCertificate
from calibration.quantities import flags as flag_bits
from recorder.run.checks.zero_line import Zero
from recorder.run.parts.errors import RunFileError
from recorder.run.parts.event import Event
from recorder.run.parts.gap import Cause, Gap
from recorder.run.values.calibrate import Calibrated, Calibrator, parse_certificates
from tests.recorder.made_runs import CELL, WHEEL, gnss, header, load_cell, wheel


def cell_records(counts: list[int]) -> NDArray[np.void]:
    records = np.zeros(len(counts), load_cell().record_dtype)
    records["ch0"] = counts
    return records


def wheel_records(counts: list[int], ticks: list[int] | None = None) -> NDArray[np.void]:
    records = np.zeros(len(counts), wheel().record_dtype)
    records["count"] = counts
    records["tick"] = ticks or [10_000 * (i + 1) for i in range(len(counts))]
    return records


def calibrator(cell: ForceCertificate = CELL, *zeros: Zero, year: int = 2026) -> Calibrator:
    """For a run of that year with the made cell, wheel and receiver."""
    texts = {"certs/cell.json": dump_certificate(cell), "wheel": dump_certificate(WHEEL)}
    start_ns = int(datetime(year, 6, 1, tzinfo=UTC).timestamp()) * 10**9
    made = Calibrator(replace(header(certificates=texts), started_utc_ns=start_ns))
    made.note_zeros(zeros)
    return made


def zero(t_s: float, counts: float, *, accepted: bool = True) -> Zero:
    return Zero(channel="pull", t_s=t_s, counts=counts, accepted=accepted)


def pull(made: Calibrator, counts: list[int], time_s: list[float] | None = None) -> Calibrated:
    times = np.array(range(len(counts)) if time_s is None else time_s, dtype=np.float64)
    return made.calibrate(load_cell().name, cell_records(counts), times)["pull"]


def test_counts_above_the_zero_are_force() -> None:
    found = pull(calibrator(CELL, zero(0.0, 1000.0)), [1000, 11_000, -9000])
    assert found.values == pytest.approx([0.0, 1.0, -1.0])  # 1e-4 kN a count, tension +
    assert found.flags.tolist() == [0, 0, 0]


def test_without_a_zero_the_nominal_one_holds() -> None:
    cell = replace(CELL, nominal_zero_counts=500.0)
    refused = zero(0.0, 9000.0, accepted=False)
    for made in (calibrator(cell), calibrator(cell, refused)):
        assert pull(made, [500, 10_500]).values == pytest.approx([0.0, 1.0])


def test_between_two_zeros_the_zero_lies_on_a_line() -> None:
    made = calibrator(CELL, zero(0.0, 1000.0), zero(100.0, 2000.0))
    zeros = [1000, 1000, 1250, 2000, 2000]
    found = pull(made, zeros, [-5.0, 0.0, 25.0, 100.0, 200.0])
    assert found.values == pytest.approx(np.zeros(5), abs=1e-12)


def test_live_the_newest_zero_holds_for_what_comes() -> None:
    made = calibrator(CELL, zero(0.0, 1000.0))
    assert pull(made, [1000], [10.0]).values == pytest.approx([0.0])
    made.note(zero(20.0, 3000.0).to_event())
    assert pull(made, [3000], [21.0]).values == pytest.approx([0.0])
    made.note(zero(30.0, 7000.0, accepted=False).to_event())
    assert pull(made, [3000], [31.0]).values == pytest.approx([0.0])


def test_a_zero_withdrawn_on_the_way_holds_no_more() -> None:
    first, false = zero(0.0, 1000.0), zero(20.0, 3000.0)
    made = calibrator(CELL, first, false)
    made.note(replace(false, withdrawn="tight", revision=1).to_event())
    assert pull(made, [1000], [21.0]).values == pytest.approx([0.0])
    made.note(replace(first, withdrawn="tight", revision=1).to_event())
    nominal = round(CELL.nominal_zero_counts)
    assert pull(made, [nominal], [22.0]).values == pytest.approx([0.0])


def test_a_live_view_holds_what_it_is_told_and_nothing_else() -> None:
    made = calibrator(CELL, zero(0.0, 1000.0), zero(20.0, 3000.0))
    made.hold_zeros([zero(0.0, 1000.0)])
    assert pull(made, [1000], [30.0]).values == pytest.approx([0.0])
    made.hold_zeros([])
    nominal = round(CELL.nominal_zero_counts)
    assert pull(made, [nominal], [31.0]).values == pytest.approx([0.0])


def test_flags_tell_rails_range_and_expiry() -> None:
    made = calibrator(CELL, zero(0.0, 0.0), year=2030)
    assert pull(made, [2**23 - 1, 6_000_000, 0]).flags.tolist() == [
        flag_bits.SATURATED | flag_bits.OUT_OF_RANGE | flag_bits.EXPIRED,
        flag_bits.OUT_OF_RANGE | flag_bits.EXPIRED,  # 600 kN, certified to 500
        flag_bits.EXPIRED,
    ]


def test_an_illegal_quadrature_transition_is_suspect() -> None:
    records = wheel_records([0, 1, 2])
    records["flags"] = [0, 2, 1]
    found = calibrator().calibrate("wheel", records, np.array([0.0, 0.01, 0.02]))["distance"]
    assert found.flags.tolist() == [0, flag_bits.SUSPECT, 0]


def test_values_without_a_certificate_are_as_they_came() -> None:
    records = np.zeros(2, gnss().record_dtype)
    records["latitude_deg"] = [51.5, np.nan]
    found = calibrator().calibrate(gnss().name, records, np.array([0.0, 1.0]))["latitude"]
    assert found.values.tolist()[0] == 51.5
    assert np.isnan(found.values[1])
    assert found.flags.tolist() == [0, 0]


class TestDistance:
    """One turn is 3 m and 100 pulses: 0.03 m a count."""

    def distances(
        self,
        pieces: list[NDArray[np.void]],
        *,
        events: list[Event] | None = None,
    ) -> list[float]:
        made = calibrator()
        for event in events or []:
            made.note(event)
        found: list[float] = []
        at = 0
        for records in pieces:
            time_s = np.asarray((at + 1 + np.arange(len(records))) * 0.01, dtype=np.float64)
            at += len(records)
            values, _ = made.calibrate("wheel", records, time_s)["distance"]
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
    found = calibrator().calibrate("wheel", wheel_records([0, 1]), np.array([0.0, 0.01]))
    assert np.isnan(found["speed"].values).all()


def test_certificates_a_run_does_not_hold() -> None:
    with pytest.raises(RunFileError, match=r"channel distance of wheel: certificate 'wheel'"):
        parse_certificates(header(certificates={"certs/cell.json": dump_certificate(CELL)}))
    with pytest.raises(RunFileError, match="certificate 'wheel': not a certificate"):
        parse_certificates(header(certificates={"wheel": "{"}))

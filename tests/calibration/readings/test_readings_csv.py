from __future__ import annotations

import contextlib
from pathlib import Path

import numpy as np
import pytest
from hypothesis import given, settings
from hypothesis import strategies as st

from calibration.readings.readings import Readings, ReadingsError
from calibration.readings.readings_csv import parse_readings, read_readings
from tests.calibration.bench_tables import iso_csv, pontius_csv, three_runs_csv

FULL = "series,position_deg,direction,applied_kN,reading,temperature_C,time_s\n"
GOOD = FULL + "1,0,up,0,10,21,0\n1,0,up,10,110,21,30\n1,0,up,20,210,21,60\n"


def refuse(text: str) -> str:
    with pytest.raises(ReadingsError) as caught:
        parse_readings(text, source="bench.csv")
    message = str(caught.value)
    assert "\n" not in message
    assert message.startswith("bench.csv row ")
    return message


def test_only_force_and_reading_are_obligatory() -> None:
    r = parse_readings(pontius_csv())
    assert len(r) == 40
    assert r.force_unit == "lbf"
    assert r.reading_unit == "reading"
    assert r.resolution == 1e-5
    assert r.series_names == ()
    assert np.all(r.direction == 0)
    assert np.all(np.isnan(r.temperature_C))


def test_every_column_is_read() -> None:
    r = parse_readings(GOOD)
    assert r.applied.tolist() == [0.0, 10.0, 20.0]
    assert r.direction.tolist() == [1, 1, 1]
    assert r.position_deg.tolist() == [0.0, 0.0, 0.0]
    assert r.time_s.tolist() == [0.0, 30.0, 60.0]
    assert r.kind == ("zero", "step", "step")
    assert r.row.tolist() == [2, 3, 4]


@pytest.mark.parametrize("unit", ["kN", "N", "lbf", "kgf", "tf", "MN", "klbf", "kip"])
def test_the_unit_of_force_is_in_the_name(unit: str) -> None:
    r = parse_readings(f"applied_{unit},reading\n1,1\n2,2\n3,3\n")
    assert r.force_unit == unit


def test_other_separators_remarks_blank_lines_byte_order_mark(tmp_path: Path) -> None:
    path = tmp_path / "r.csv"
    path.write_bytes("\ufeff# remark\n\napplied_kN;reading\n1.5;2\n\n2.5;4\n".encode())
    assert read_readings(path).applied.tolist() == [1.5, 2.5]
    assert len(parse_readings("applied_kN\treading\n1\t2\n2\t4\n")) == 2


def test_a_remark_may_hold_anything() -> None:
    text = '# a "quoted, remark\napplied_kN,reading\n# "another\n0,1\n5,101\n10,201\n'
    readings = parse_readings(text)
    assert readings.reading.tolist() == [1.0, 101.0, 201.0]
    assert readings.row.tolist() == [4, 5, 6]


def test_other_units_of_temperature_and_time() -> None:
    r = parse_readings("applied_kN,reading,temperature_F,time_min\n1,1,68,0\n2,2,68,1\n")
    assert r.temperature_C == pytest.approx([20.0, 20.0])
    assert r.time_s.tolist() == [0.0, 60.0]


@pytest.mark.parametrize(
    ("text", "row", "words"),
    [
        ("", 1, "no header"),
        ("applied_kN,reading\n", 2, "no readings"),
        ("force,reading\n1,2\n", 1, "no column for the applied force"),
        ("applied_kN,value\n1,2\n", 1, "no column 'reading'"),
        ("applied,reading\n1,2\n", 1, "does not say its unit"),
        ("applied_furlong,reading\n1,2\n", 1, "allowed: N, kN"),
        ("applied_kN,applied_lbf,reading\n1,2,3\n", 1, "two columns"),
        ("applied_kN,reading\n1,2\n2,about 4\n", 3, "'about 4': not a number"),
        ("applied_kN,reading\n1,2\n,4\n", 3, "applied is empty"),
        ("applied_kN,reading\n1,2\n2,4,5\n", 3, "decimal comma"),
        ("applied_kN;reading\n1;2\n2,5;4\n", 3, "decimal comma"),
        ('applied_kN,reading\n1,2\n"2,5",4\n', 3, "decimal comma"),
        ("applied_kN,reading\n1,2\n2\n", 3, "1 fields where the header has 2"),
        ("applied_kN,reading\n1,2\n2000 lbf,4\n", 3, "units are mixed"),
        ("applied_kN,reading\n1,2\n2,nan\n", 3, "finite"),
        ("applied_kN,reading\n1,2\n2,NaN\n", 3, "finite"),
        ("applied_kN,reading\n1,2\n-inf,4\n", 3, "finite"),
        ("applied_kN,reading\n1,2\n1_0,4\n", 3, "finite"),
        ("applied_kN,reading\n1,2\n1e300,4\n", 3, "beyond"),
        ("applied_kN,reading\n1,2\n2,8388607\n", 3, "saturated"),
        ("applied_kN,reading_counts\n1,2\n2,-8388608\n", 3, "saturated"),
        ("applied_kN,reading\n1,2\n2,4\0\n", 3, "zero byte"),
        ("applied_kN,reading,sd\n1,2,0\n2,4,-1\n", 3, "sd is -1"),
        ("applied_kN,reading\n5,2\n", 2, "only one reading"),
        ("applied_kN,reading\n0,2\n0,3\n", 2, "no force was applied"),
        ("applied_kN,reading\n5,2\n5,3\n", 3, "every applied force is 5"),
        ("applied_kN,reading\n1,7\n2,7\n3,7\n", 4, "every reading is 7"),
        ("applied_kN,reading\n1,10\n2,20\n3,30\n4,30\n5,30\n", 6, "saturated or stuck"),
        (FULL + "1,0,sideways,0,10,21,0\n", 2, "'up' or 'down'"),
        (FULL + ",0,up,0,10,21,0\n", 2, "series is empty"),
        (FULL + "1,0,up,0,10,warm,0\n", 2, "temperature is 'warm'"),
        (GOOD + "1,0,up,20,211,21,60\n", 5, "duplicate step: 20 kN"),
        (GOOD + "1,0,up,10,110,21,90\n", 5, "out of order: 10 kN follows 20"),
        (GOOD + "1,0,down,10,110,21,90\n1,0,down,15,160,21,99\n", 6, "direction is down"),
        (GOOD + "1,0,up,30,310,21,30\n", 5, "time_s is 30 after 60"),
        (GOOD + "2,0,up,20,210,21,90\n", 5, "series 2 has only one reading"),
        ("applied_kN,reading\n0,0\n10,100\n20,200\n10,-100\n20,-200\n", 5, "tension +"),
    ],
)  # fmt: skip
def test_bad_input_gets_one_line_with_file_and_row(text: str, row: int, words: str) -> None:
    message = refuse(text)
    assert message.startswith(f"bench.csv row {row}: ")
    assert words in message


def test_two_like_readings_at_the_top_of_two_runs_are_no_saturation() -> None:
    """Forces as measured differ a little from run to run; the readings may be the same."""
    text = "series,applied_kN,reading\n" + "".join(
        f"{name},{force * off:g},{10 * force}\n"
        for name, off in (("a", 1.0), ("b", 1.003))
        for force in (10, 20, 30)
    )
    assert len(parse_readings(text)) == 6


def test_names_of_something_else_are_no_series() -> None:
    text = "series,applied_kN,reading\n" + "".join(
        f"n{i},{i},{10 * i}\n" for i in range(1, 300)
    )
    assert refuse(text).startswith("bench.csv row 202: more than 200 series")


def test_duplicate_in_the_middle_with_a_later_time_is_no_hold() -> None:
    text = GOOD + "1,0,up,20,211,21,90\n1,0,up,30,310,21,120\n"
    assert "duplicate step" in refuse(text)


def test_a_repeat_with_its_reason_supersedes_and_is_kept() -> None:
    head = "series,direction,applied_kN,reading,repeat_reason\n"
    r = parse_readings(
        head + "1,up,0,0,\n1,up,10,100,\n1,up,10,104,press crept\n1,up,20,200,\n"
    )
    assert r.superseded.tolist() == [False, True, False, False]
    assert r.used.tolist() == [True, False, True, True]
    late = parse_readings(
        head + "1,up,0,0,\n1,up,10,100,\n1,up,20,200,\n1,up,10,104,looked wrong\n"
    )
    assert late.superseded.tolist() == [False, True, False, False]


def test_directions_are_told_from_a_series_that_rises_and_falls() -> None:
    text = "series,applied_kN,reading\n" + "".join(
        f"1,{f},{10 * f}\n" for f in (0, 10, 20, 30, 20, 10, 0)
    )
    assert parse_readings(text).direction.tolist() == [1, 1, 1, 1, -1, -1, -1]
    mixed = "series,applied_kN,reading\n1,20,200\n1,10,101\n1,30,300\n1,20,202\n"
    assert parse_readings(mixed).direction.tolist() == [0, 0, 0, 0]


def test_resolution_is_told_only_from_plain_readings() -> None:
    assert parse_readings("applied_kN,reading\n1,1.25\n2,2.50\n3,3.75\n").resolution == 0.01
    assert parse_readings("applied_kN,reading\n1,1e-3\n2,2e-3\n").resolution is None
    long = "applied_kN,reading\n1,1.23456789012\n2,2.5\n"
    assert parse_readings(long).resolution is None
    fives = "applied_kN,reading\n" + "".join(f"{i},{5 * i * i}\n" for i in range(1, 15))
    assert parse_readings(fives).resolution == 5.0


def test_readings_survive_the_certificate() -> None:
    for text in (pontius_csv(), three_runs_csv(), iso_csv()):
        r = parse_readings(text)
        again = Readings.from_document(r.to_document())
        assert again.to_document() == r.to_document()


def test_how_the_indication_moved_is_read_and_kept() -> None:
    r = parse_readings("applied_kN,reading,sd_counts\n0,1,0.5\n10,100,\n20,201,2.5\n")
    assert np.array_equal(r.sd, [0.5, np.nan, 2.5], equal_nan=True)
    again = Readings.from_document(r.to_document())
    assert np.array_equal(again.sd, r.sd, equal_nan=True)
    assert np.array_equal(r.pick(r.applied > 0.0).sd, [np.nan, 2.5], equal_nan=True)
    assert "sd" not in parse_readings(GOOD).to_document()


@pytest.mark.parametrize("key", ["applied", "row", "kind", "series", "force_unit"])
def test_damaged_columns_of_a_certificate_are_refused(key: str) -> None:
    document = parse_readings(pontius_csv()).to_document()
    wrongs: tuple[object, ...] = (None, "x", [1], {}, [[1, 2]])
    for wrong in wrongs:
        with pytest.raises(ReadingsError):
            Readings.from_document({**document, key: wrong})


def test_not_text_and_too_large_files(tmp_path: Path) -> None:
    path = tmp_path / "r.csv"
    path.write_bytes(b"applied_kN,reading\n1,2\n\xff\xfe,4\n")
    with pytest.raises(ReadingsError, match="row 3 is not UTF-8"):
        read_readings(path)
    with pytest.raises(OSError, match="nowhere"):
        read_readings(tmp_path / "nowhere.csv")


@given(st.text(max_size=300))
@settings(max_examples=150, deadline=None)
def test_any_text_is_read_or_refused_in_one_line(text: str) -> None:
    # Anything but ReadingsError fails the test.
    with contextlib.suppress(ReadingsError):
        assert len(parse_readings(text)) > 1


@given(st.integers(0, 2000), st.sampled_from(list('\n",;#x\0\u00e9-')))
@settings(max_examples=150, deadline=None)
def test_a_damaged_table_is_read_or_refused(at: int, character: str) -> None:
    text = iso_csv(levels=4)
    at %= len(text)
    for damaged in (text[:at], text[:at] + character + text[at + 1 :]):
        try:
            r = parse_readings(damaged)
        except ReadingsError:
            continue
        assert np.all(np.isfinite(r.applied))
        assert np.all(np.isfinite(r.reading))


@pytest.mark.parametrize("unit", ["bananas", "kN", "lbf", "kg", "C", ""])
def test_a_unit_in_which_no_cell_is_read_is_refused_by_name(unit: str) -> None:
    message = refuse(f"applied_kN,reading_{unit}\n1,1\n2,2\n3,3\n")
    assert f"column 'reading_{unit}'" in message
    assert "known: counts, mV_V" in message


@pytest.mark.parametrize(
    ("spelt", "unit"),
    [("mV_V", "mV_V"), ("mV/V", "mV_V"), ("counts", "counts"), ("kPa", "kPa"), ("mA", "mA")],
)
def test_the_unit_of_the_reading_is_in_the_name(spelt: str, unit: str) -> None:
    assert parse_readings(f"applied_kN,reading_{spelt}\n1,1\n2,2\n3,3\n").reading_unit == unit

"""Limits of admission in the trip sheet: read, checked, and never taken for something else."""

from __future__ import annotations

import pytest
from hypothesis import given
from hypothesis import strategies as st

from recorder.sheets import SheetError, parse_trip_sheet
from recorder.sheets.admission_limits import AdmissionLimits

SHEET = '[trip]\nname = "t"\n[specification]\nstarting_pull_kN = 200.0\n'


def limits(lines: str) -> AdmissionLimits:
    stated = parse_trip_sheet(SHEET + lines).specification
    assert stated is not None
    return stated.admission


def test_a_sheet_that_says_nothing_has_the_defaults() -> None:
    assert limits("") == AdmissionLimits()


def test_limits_are_read_in_the_units_of_their_keys() -> None:
    found = limits(
        'throttle = ["8", "full"]\nthrottle_confirmed_min = 10\nlimit_margin_mph = 10\n'
        'trend_pct = 2.5\nrail = "dry"\nsand = false\ncut_off_pct = [30, 40]\nwind_most_km_h = 36\n'
    )
    assert found.throttle == ("8", "full")
    assert found.throttle_confirmed_s == pytest.approx(600.0)
    assert found.limit_margin_m_s == pytest.approx(4.4704)  # 1 mph = 0.44704 m/s, exactly
    assert (found.trend_pct, found.rail, found.sand) == (2.5, "dry", False)
    assert found.cut_off_pct == (30.0, 40.0)
    assert found.wind_most_m_s == pytest.approx(10.0)


@pytest.mark.parametrize(
    "line", ["trend_pct = -1", "cut_off_pct = [40, 30]", 'rail = "icy"', "adhesion_most = 2",
             "limit_margin = 5", "settle_s = nan", "cut_off_pct = true"],
)  # fmt: skip
def test_what_cannot_be_is_told_with_its_key(line: str) -> None:
    with pytest.raises(SheetError, match=line.split()[0]):
        parse_trip_sheet(SHEET + line + "\n")


KEYS = st.sampled_from(
    ["trend_pct", "own_pull_pct", "settle_s", "least_s", "adhesion_most", "keyed_late_s"]
)


@given(KEYS, st.floats() | st.integers() | st.booleans())
def test_any_number_is_read_or_refused(key: str, value: float) -> None:
    text = str(value).lower() if isinstance(value, bool) else repr(value)
    try:
        found = limits(f"{key} = {text}\n")
    except SheetError:
        return
    assert getattr(found, key) == value


def test_masses_and_the_line_have_doors_for_their_uncertainty() -> None:
    sheet = parse_trip_sheet(
        '[trip]\nname = "t"\n[locomotive]\nmass_t = 120\nu_mass_t = 0.6\n'
        '[route]\nfile = "r.csv"\nu_grade_pct = 0.05\ngrade_error_length_m = 800\n'
        "[[consist.cars]]\ncount = 10\nmass_t = 20\nu_mass_t = 0.2\n"
        "[[consist.cars]]\ncount = 5\nmass_t = 60\nu_mass_t = 0.3\n"
    )
    assert sheet.locomotive.u_mass_t == 0.6
    # Groups are independent, the cars of one are alike: √(2.0² + 1.5²).
    assert sheet.consist.u_mass_t == pytest.approx(2.5)
    assert sheet.route is not None
    assert sheet.route.u_grade_pct == 0.05

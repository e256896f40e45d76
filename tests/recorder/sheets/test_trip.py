"""The trip sheet in the trade's units comes out in SI; every mistake is told in one line."""

from __future__ import annotations

from datetime import date
from pathlib import Path

import pytest
from scipy import constants

from recorder.sheets import SheetError, SteamSheet, load_trip_sheet, parse_trip_sheet


def problems(text: str) -> tuple[str, ...]:
    with pytest.raises(SheetError) as caught:
        parse_trip_sheet(text, source="trip.toml")
    for line in caught.value.problems:
        assert line.startswith("trip.toml")
        assert "\n" not in line
    return caught.value.problems


def test_everything_is_read(trip_text: str, tmp_path: Path) -> None:
    path = tmp_path / "trip.toml"
    path.write_text(trip_text, "utf-8")
    trip = load_trip_sheet(path)
    assert trip.name == "Trial with forty cars"
    assert trip.date == date(2026, 5, 4)
    assert trip.crew == ("chief observer", "second observer")
    assert trip.planned_hours == 6.5
    assert trip.route is not None
    assert (trip.route.direction, trip.route.start_chainage_m) == ("decreasing", 12500.0)
    assert trip.route_path == tmp_path / "route.csv"
    assert (trip.mileposts.first, trip.mileposts.step) == (120.0, -1.0)
    assert trip.locomotive.resistance == (12.0, 0.1, 0.003)
    assert trip.test_car.rotary_allowance == 0.05
    assert trip.text == trip_text


def test_units_of_the_trade_against_scipy_constants(trip_text: str) -> None:
    trip = parse_trip_sheet(trip_text)
    engine = trip.locomotive
    assert engine.mass_t == pytest.approx(200 * constants.short_ton / 1000)
    assert engine.length_m == pytest.approx(80 * constants.foot)
    assert engine.steam is not None
    assert engine.steam.bore_m == pytest.approx(24 * constants.inch)
    assert engine.steam.boiler_pressure_Pa == pytest.approx(200 * constants.psi)
    assert trip.specification is not None
    assert trip.specification.starting_pull_kN == pytest.approx(45 * constants.lbf)
    assert trip.consist.cars[1].mass_t == pytest.approx(15 * constants.long_ton / 1000)
    (first, second) = trip.specification.points
    assert first == pytest.approx((10 * constants.mph, 38 * constants.lbf))
    assert second == pytest.approx((30 * constants.mph, 20 * constants.lbf))


def test_the_consist_adds_up(trip_text: str) -> None:
    consist = parse_trip_sheet(trip_text).consist
    caboose_t = 15 * constants.long_ton / 1000
    assert consist.count == 31
    assert consist.axles == 124
    assert consist.mass_t == pytest.approx(1500 + caboose_t)
    assert consist.length_m == pytest.approx(369)
    share = (1500 * 0.05 + caboose_t * 0.08) / (1500 + caboose_t)
    assert consist.rotary_allowance == pytest.approx(share)


def test_totals_alone_will_do() -> None:
    trip = parse_trip_sheet(
        '[trip]\nname = "x"\n[consist]\nmass_short_tons = 1000\ncount = 20\n'
    )
    assert trip.consist.mass_t == pytest.approx(1000 * constants.short_ton / 1000)
    assert trip.consist.count == 20
    assert trip.consist.length_m is None
    assert trip.consist.rotary_allowance is None


@pytest.mark.parametrize(
    ("bore_in", "stroke_in", "driver_in", "pressure_psi", "rated_lbf"),
    [(26, 30, 63, 200, 54724), (25, 28, 73, 200, 40753), (21, 28, 51, 190, 39100)],
)
def test_starting_effort_of_rated_engines(
    bore_in: int, stroke_in: int, driver_in: int, pressure_psi: int, rated_lbf: int
) -> None:
    """Rated starting efforts of engines of 1918 and 1919 (2-8-2, 4-6-2, 0-6-0), from memory."""
    engine = SteamSheet(
        bore_m=bore_in * constants.inch, stroke_m=stroke_in * constants.inch,
        driver_diameter_m=driver_in * constants.inch,
        boiler_pressure_Pa=pressure_psi * constants.psi,
    )  # fmt: skip
    assert engine.starting_effort_kN == pytest.approx(
        rated_lbf * constants.lbf / 1000, rel=2e-4
    )


def test_a_locomotive_in_words_shows_a_slip_of_the_pen(trip_text: str) -> None:
    engine = parse_trip_sheet(trip_text).locomotive
    # 0.85 · 200 psi · 24² in² · 30 in / 63 in = 46 629 lbf.
    assert engine.in_words() == "No. 61, steam, starting effort 207.4 kN by its cylinders"
    rated = parse_trip_sheet('[trip]\nname="x"\n[locomotive]\nrated_power_kW = 1500\n')
    assert rated.locomotive.in_words() == "not named, other, rated 1500 kW"


def test_what_is_not_said_is_not_made_up() -> None:
    trip = parse_trip_sheet('[trip]\nname = "x"\n')
    assert trip.date is None
    assert trip.route is None
    assert trip.specification is None
    assert trip.locomotive.mass_t is None
    assert trip.locomotive.resistance is None
    assert trip.consist.mass_t is None
    assert trip.consist.count is None
    assert trip.test_car.mass_t is None


def test_resistance_as_a_table(trip_text: str) -> None:
    text = trip_text.replace("resistance = [12.0, 0.1, 0.003]\n", "") + (
        "[locomotive.resistance]\na_N_per_t = 12\nb_N_per_t_per_km_h = 0.1\n"
        "c_N_per_t_per_km_h2 = 0.003\n"
    )
    assert parse_trip_sheet(text).locomotive.resistance == (12.0, 0.1, 0.003)


@pytest.mark.parametrize(
    ("old", "new", "words"),
    [
        ("mass_short_tons = 200", "mass = 200", "mass needs its unit in the key"),
        ("mass_short_tons = 200", "mass_shrt_tons = 200", "did you mean 'mass_short_tons'"),
        ("mass_short_tons = 200", "mass_t = 1\nmass_kg = 2", "give one of mass_t, mass_kg"),
        ("mass_short_tons = 200", "mass_m = 200", "allowed: mass_kg"),
        ("adhesive_mass_short_tons = 120", "adhesive_mass_t = 300", "at most mass_t"),
        ("date = 2026-05-04", 'date = "4 May"', "a day like 2026-05-04, got '4 May'"),
        ("date = 2026-05-04", "date = 2026", "a day like 2026-05-04, got 2026"),
        (
            'direction = "decreasing"',
            'direction = "down"',
            "increasing, decreasing, got 'down'",
        ),
        ('file = "route.csv"\n', "", "file is missing"),
        ("step = -1", "step = 0", "step must not be 0"),
        ('kind = "steam"', 'kind = "steem"', "did you mean 'steam'"),
        ("[12.0, 0.1, 0.003]", "[12.0, 0.1]", "three numbers a, b, c"),
        ("bore_in = 24\n", "", "bore_m is missing"),
        ("bore_in = 24", "bore_in = -24", "bore_m must be above 0"),
        ("pull_lbf = 38000", "pull_lb = 38000", "did you mean 'pull_lbf'"),
        ("speed_mph = 10", "speed_mph = 30", "two points have the same speed"),
        ("count = 30", "count = 0", "whole number from 1 to 1000, got 0"),
        ('crew = ["chief observer", "second observer"]', "crew = [1]", "crew must be a list"),
        ("planned_hours = 6.5", "planned_hours = inf", "planned_hours must be a finite number"),
    ],
)
def test_what_is_wrong_is_told(trip_text: str, old: str, new: str, words: str) -> None:
    assert old in trip_text
    found = problems(trip_text.replace(old, new, 1))
    assert any(words in line for line in found), found


def test_cars_and_totals_are_not_mixed(trip_text: str) -> None:
    text = trip_text.replace("[[consist.cars]]", "[consist]\nmass_t = 3\n[[consist.cars]]", 1)
    assert any("not both" in line for line in problems(text))


def test_an_empty_specification_promises_nothing() -> None:
    assert any(
        "promises nothing" in line for line in problems('[trip]\nname="x"\n[specification]\n')
    )


def test_what_the_title_block_says_is_optional_and_checked() -> None:
    sheet = parse_trip_sheet('[trip]\nname = "day"\n')
    assert sheet.paper.report_number == ""
    assert sheet.paper.signatures == ()
    sheet = parse_trip_sheet(
        '[trip]\nname = "day"\nreport_number = 12\nobject = "o"\nline = "l"\nfrom = "Ash"\n'
        'to = "Elm"\nsignatures = ["one", "two"]\n[test_car]\nname = "D 2"\n'
    )
    assert sheet.paper.report_number == "12"
    assert (sheet.paper.begins_at, sheet.paper.ends_at) == ("Ash", "Elm")
    assert sheet.paper.signatures == ("one", "two")
    assert sheet.test_car.name == "D 2"
    with pytest.raises(SheetError, match="signatures must be a list of texts"):
        parse_trip_sheet('[trip]\nname = "day"\nsignatures = 3\n')

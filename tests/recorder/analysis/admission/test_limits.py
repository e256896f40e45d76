"""Each criterion on both sides of its limit, as the sheet states it and the report prints it."""

from __future__ import annotations

from dataclasses import replace
from typing import Any

import numpy as np
import pytest

from calibration.quantities import flags as flag_bits
from calibration.quantities.constants import G_M_S2
from recorder.analysis.admission import balance, driving, instruments, surroundings
from recorder.analysis.admission.throttle import throttle_criteria, watch_of
from recorder.analysis.series.series import Series
from recorder.analysis.series.train import TrialTrain, Vehicles
from recorder.analysis.stretches.admission_record import Criterion
from recorder.analysis.stretches.handling import throttle_words
from recorder.analysis.stretches.specification import Specification
from recorder.analysis.stretches.stretch import Stretch
from recorder.marks.handling import ThrottleMark
from recorder.marks.mark import Mark
from recorder.sheets import parse_trip_sheet
from recorder.sheets.admission_limits import AdmissionLimits
from tests.recorder.analysis.admission.test_admit import STEAM_TRIP
from tests.recorder.analysis.admission.trials import SPECIFICATION, TRAIN
from tests.recorder.analysis.drawn_runs import drawn, drawn_run, mark

N = 1200
LIMITS = AdmissionLimits()
STRETCH = Stretch(start=700, stop=740, t_start_s=700.0, t_end_s=740.0)
"""Of a run of twenty minutes, a second a bin."""


def series(**changes: Any) -> Series:
    return drawn(np.full(N, 10.0), np.full(N, 120.0), step_s=1.0, **changes)


def limits(**changes: Any) -> AdmissionLimits:
    return replace(LIMITS, **changes)


def asked(**changes: Any) -> Specification:
    return replace(SPECIFICATION, admission=limits(**changes))


@pytest.mark.parametrize(
    ("a", "passed"), [(0.3, True), (-0.3, True), (0.301, False), (-0.301, False)]
)
def test_acceleration(a: float, passed: bool) -> None:
    run = drawn_run(series(acceleration_m_s2=np.full(N, a)), train=TRAIN)
    assert balance.acceleration_criterion(run, STRETCH, LIMITS).passed is passed


def test_an_acceleration_that_is_not_known_is_not_asked() -> None:
    run = drawn_run(series(acceleration_m_s2=np.full(N, np.nan)), train=TRAIN)
    criterion = balance.acceleration_criterion(run, STRETCH, LIMITS)
    assert (criterion.passed, criterion.value) == (None, "not known")


@pytest.mark.parametrize(("share", "passed"), [(0.32, True), (0.34, False)])
def test_adhesion(share: float, passed: bool) -> None:
    train = TrialTrain(locomotive=Vehicles(mass_t=120.0), adhesive_mass_t=100.0)
    pull = np.full(N, share * 100.0 * G_M_S2)
    run = drawn_run(drawn(np.full(N, 10.0), pull, step_s=1.0), train=train)
    criterion = balance.adhesion_criterion(run, STRETCH, LIMITS)
    assert criterion.passed is passed
    assert criterion.value == f"{share:.2f} of the adhesive weight"


def test_adhesion_without_a_weight_is_not_asked() -> None:
    criterion = balance.adhesion_criterion(drawn_run(series(), train=TRAIN), STRETCH, LIMITS)
    assert (criterion.passed, criterion.value) == (None, "not known")


def words_at(*keyed: tuple[float, str]) -> list[Mark]:
    return [mark("throttle", t_s, words) for t_s, words in keyed]


@pytest.mark.parametrize(
    ("changes", "starts", "passed"),
    [
        ([], [], True),
        ([689.0], [], True),
        ([692.0], [], False),
        ([], [689.0], True),
        ([], [692.0], False),
        ([600.0, 692.0], [], False),
        ([720.0], [], False),
        ([738.0], [], False),
        ([745.0], [], True),
    ],
)
def test_settled(changes: list[float], starts: list[float], passed: bool) -> None:
    """Ten seconds after the last change or start, and none within it."""
    criterion = driving.settled_criterion(STRETCH, changes, starts, LIMITS)
    assert criterion.passed is passed


def test_a_change_within_is_named_as_such_and_before_by_its_seconds() -> None:
    inside = driving.settled_criterion(STRETCH, [725.0], [], LIMITS)
    assert (inside.passed, inside.reason) == (False, "a change lies within it")
    before = driving.settled_criterion(STRETCH, [675.0, 695.0], [], LIMITS)
    assert (before.passed, before.value) == (False, "5 s after")
    assert before.reason == "less than 10 s after a change or a start"


@pytest.mark.parametrize(
    ("bins", "value"), [((), "off"), ((739,), "on for 1 s"), ((700, 701, 702), "on for 3 s")]
)
def test_brake(bins: tuple[int, ...], value: str) -> None:
    braked = np.zeros(N, bool)
    braked[list(bins)] = True
    braked[[699, 740]] = True
    criterion = driving.brake_criterion(STRETCH, braked)
    assert (criterion.passed, criterion.value) == (not bins, value)


@pytest.mark.parametrize(
    ("t_s", "passed"), [(689.0, True), (691.0, False), (749.0, False), (751.0, True)]
)
def test_slip(t_s: float, passed: bool) -> None:
    criterion = driving.slip_criterion(STRETCH, [mark("slip", t_s)])
    assert criterion.passed is passed


@pytest.mark.parametrize(
    ("keyed", "value"),
    [
        ([], "none keyed"),
        ([(100.0, "on")], "on"),
        ([(100.0, "on"), (600.0, "off")], "off"),
        ([(100.0, "on"), (720.0, "off")], "on"),
        ([(720.0, "on")], "on"),
        ([(745.0, "on")], "none keyed"),
        ([(100.0, "a bit")], "on"),
        ([(600.0, "off"), (720.0, "off")], "off"),
    ],
)
@pytest.mark.parametrize("allowed", [True, False])
def test_sand(keyed: list[tuple[float, str]], value: str, allowed: bool) -> None:
    marks = [mark("sand", t_s, words) for t_s, words in keyed]
    criterion = driving.sand_criterion(STRETCH, marks, limits(sand=allowed))
    assert criterion.value == value
    assert criterion.passed is (allowed or value != "on")


@pytest.mark.parametrize(
    ("setting", "keyed", "value", "passed"),
    [
        ("full", [], "not known", False),
        ("full regulator, 35 % cut-off", [], "35 %", True),
        ("full regulator, 25 % cut-off", [], "25 %", False),
        ("full", [(100.0, "30")], "30 %", True),
        ("full", [(100.0, "40")], "40 %", True),
        ("full", [(100.0, "41")], "41 %", False),
        ("full", [(100.0, "29")], "29 %", False),
        ("full", [(100.0, "50"), (600.0, "35")], "35 %", True),
        ("full", [(600.0, "35"), (720.0, "50")], "35 % and 50 %", False),
        ("full", [(600.0, "35"), (720.0, "full gear")], "not known", False),
        ("full", [(600.0, "35"), (745.0, "50")], "35 %", True),
        ("full regulator, 35 % cut-off", [(600.0, "45")], "45 %", False),
    ],
)
def test_cut_off(
    setting: str, keyed: list[tuple[float, str]], value: str, passed: bool
) -> None:
    """The contract allows 30 to 40 %; the last mark holds, and one within counts too."""
    marks = [mark("cutoff", t_s, words) for t_s, words in keyed]
    criterion = driving.cut_off_criterion(
        STRETCH, marks, ThrottleMark(words=setting), limits(cut_off_pct=(30.0, 40.0))
    )
    assert criterion is not None
    assert (criterion.value, criterion.passed) == (value, passed)
    assert driving.cut_off_criterion(STRETCH, marks, ThrottleMark(), LIMITS) is None


@pytest.mark.parametrize(
    ("room_km_h", "said_s", "passed"),
    [
        (5.1, None, True),
        (4.9, None, False),
        (4.9, 720.0, True),
        (4.9, 699.0, False),
        (4.9, 741.0, False),
    ],
)
def test_posted_limit(room_km_h: float, said_s: float | None, passed: bool) -> None:
    """Nearer than 5 km/h only the crew's word, keyed there, that the throttle stayed."""
    posted = np.full(N, 30.0)
    posted[720] = 10.0 + room_km_h / 3.6
    said = words_at((said_s, "full")) if said_s is not None else []
    for words, good in ((said, passed), (words_at((720.0, "5")), room_km_h > 5.0)):
        criterion = driving.limit_criterion(
            series(speed_limit_m_s=posted), STRETCH, throttle_words(words), SPECIFICATION
        )
        assert criterion.passed is good
    unknown = driving.limit_criterion(
        series(speed_limit_m_s=np.full(N, np.nan)), STRETCH, [], SPECIFICATION
    )
    assert (unknown.passed, unknown.value) == (None, "not known")


@pytest.mark.parametrize(
    ("words", "passed", "value"),
    [
        ([], None, "not known"),
        ([(1.0, "wind 10 m/s from 90")], True, "10.0 m/s"),
        ([(1.0, "wind 10.1 m/s from 90")], False, "10.1 m/s"),
        ([(1.0, "wind 18 m/s from 90"), (600.0, "wind 3 m/s from 90")], True, "3.0 m/s"),
        ([(1.0, "wind 18 m/s from 90"), (720.0, "wind 3 m/s from 90")], False, "18.0 m/s"),
        ([(600.0, "wind 3 m/s from 90"), (745.0, "wind 18 m/s from 90")], True, "3.0 m/s"),
    ],
)
def test_wind(words: list[tuple[float, str]], passed: bool | None, value: str) -> None:
    marks = [mark("weather", t_s, text) for t_s, text in words]
    criterion = surroundings.wind_criterion(STRETCH, marks, LIMITS)
    assert (criterion.passed, criterion.value) == (passed, value)


@pytest.mark.parametrize(
    ("words", "found"),
    [
        ([], "not known"),
        ([(1.0, "wet")], "wet"),
        ([(1.0, "wet"), (600.0, "dry")], "dry"),
        ([(1.0, "wet"), (720.0, "dry")], "wet"),
        ([(1.0, "dry"), (720.0, "wet")], "wet"),
        ([(1.0, "dry"), (745.0, "wet")], "dry"),
    ],
)
def test_rail(words: list[tuple[float, str]], found: str) -> None:
    marks = [mark("weather", t_s, text) for t_s, text in words]
    strict = surroundings.rail_criterion(STRETCH, marks, limits(rail="dry"))
    assert (strict.value, strict.passed) == (found, found == "dry")
    assert surroundings.rail_criterion(STRETCH, marks, LIMITS).passed is True


TRIP = parse_trip_sheet(STEAM_TRIP)


@pytest.mark.parametrize(
    ("keyed", "value", "passed"),
    [
        ([], "not known", None),
        ([(600.0, "1330 kPa")], "95 % of the working pressure", True),
        ([(600.0, "1328 kPa")], "95 % of the working pressure", False),
        ([(141.0, "1400 kPa")], "100 % of the working pressure", True),
        ([(139.0, "1400 kPa")], "not known", None),
        ([(600.0, "1000 kPa"), (720.0, "1400 kPa")], "100 % of the working pressure", True),
        ([(600.0, "1400 kPa"), (741.0, "1000 kPa")], "100 % of the working pressure", True),
    ],
)
def test_boiler_pressure(
    keyed: list[tuple[float, str]], value: str, passed: bool | None
) -> None:
    """A gauge reading holds for ten minutes; 95 % of 1,400 kPa are asked."""
    marks = [mark("steam", t_s, text) for t_s, text in keyed]
    criterion = surroundings.steam_criterion(STRETCH, series(), marks, TRIP, LIMITS)
    assert criterion is not None
    assert (criterion.value, criterion.passed) == (value, passed)


def test_a_channel_of_the_boiler_goes_before_the_marks_by_its_least() -> None:
    held = np.full(N, 1.4e6)
    held[[699, 740]] = 0.5e6
    marks = [mark("steam", 600.0, "1000 kPa")]
    for low_Pa, passed in ((1.4e6, True), (1.2e6, False)):
        held[720] = low_Pa
        shown = series(boiler_pressure_Pa=held.copy())
        criterion = surroundings.steam_criterion(STRETCH, shown, marks, TRIP, LIMITS)
        assert criterion is not None
        assert criterion.passed is passed
    silent = series(boiler_pressure_Pa=np.full(N, np.nan))
    criterion = surroundings.steam_criterion(STRETCH, silent, marks, TRIP, LIMITS)
    assert criterion is not None
    assert (criterion.passed, criterion.value) == (False, "71 % of the working pressure")
    assert surroundings.steam_criterion(STRETCH, series(), marks, None, LIMITS) is None


@pytest.mark.parametrize(
    ("t_s", "passed"), [(579.0, True), (581.0, False), (859.0, False), (861.0, True)]
)
@pytest.mark.parametrize("kind", ["remark", "steam", "throttle"])
def test_remarks_count_for_two_minutes_to_either_side(
    kind: str, t_s: float, passed: bool
) -> None:
    said = mark(kind, t_s, "priming badly")
    by_note = replace(mark(kind, t_s, "1390 kPa"), note="priming badly")
    for keyed in (said, by_note):
        fire = surroundings.fire_criterion(STRETCH, [keyed], TRIP)
        assert fire is not None
        assert fire.passed is passed
    assert surroundings.fire_criterion(STRETCH, [said], None) is None
    hot = mark(kind, t_s, "engine overheating")
    derated = surroundings.derating_criterion(STRETCH, [hot], None)
    assert derated is not None
    assert derated.passed is passed
    assert surroundings.derating_criterion(STRETCH, [hot], TRIP) is None


def test_a_remark_of_another_kind_is_none() -> None:
    keyed = mark("milepost", 720.0, "overheating")
    derated = surroundings.derating_criterion(STRETCH, [keyed], None)
    assert derated is not None
    assert derated.passed


def throttle(
    shown: Series, *keyed: tuple[float, str], specification: Specification = SPECIFICATION
) -> list[Criterion]:
    watch = watch_of(throttle_words(words_at(*keyed)), STRETCH)
    return throttle_criteria(shown, STRETCH, watch, specification)


@pytest.mark.parametrize(
    ("least", "passed", "value"),
    [(98.0, True, "100 % by channel"), (97.9, False, "97.9 % by channel")],
)
def test_a_throttle_channel_counts_by_its_least(least: float, passed: bool, value: str) -> None:
    """98 % of the travel are full; where it speaks for less than nine tenths it is not asked."""
    shown = np.full(N, 100.0)
    shown[[699, 740]] = 10.0
    shown[720] = least
    (criterion,) = throttle(series(throttle_pct=shown))
    assert (criterion.passed, criterion.value) == (passed, value)
    shown[700:704] = np.nan
    assert len(throttle(series(throttle_pct=shown))) == 1
    shown[700:705] = np.nan
    marked, confirmed = throttle(series(throttle_pct=shown))
    assert (marked.passed, confirmed.passed) == (False, None)


@pytest.mark.parametrize(("least", "passed"), [(8.0, True), (7.0, False), (7.6, False)])
def test_a_notch_channel_between_two_notches_shows_the_lower(
    least: float, passed: bool
) -> None:
    shown = np.full(N, 8.0)
    shown[720] = least
    notched = replace(SPECIFICATION, settings=(ThrottleMark(notch=8),))
    (criterion,) = throttle(series(notch=shown), specification=notched)
    assert criterion.passed is passed
    assert criterion.value == f"{int(least)} by channel"


@pytest.mark.parametrize(
    ("keyed", "passed", "why"),
    [
        ([(690.0, "full"), (800.0, "closed")], True, ""),
        ([(690.0, "full")], False, "was not keyed again"),
        ([(690.0, "full"), (769.0, "closed")], False, "which may be late"),
        ([(690.0, "full"), (770.0, "closed")], True, ""),
        ([(690.0, "full"), (750.0, "full")], True, ""),
        ([(-460.0, "full"), (2000.0, "closed")], True, ""),
        ([(-461.0, "full"), (2000.0, "closed")], False, "no throttle mark within 1200 s"),
        ([(-999.0, "full"), (1900.0, "closed")], True, ""),
    ],
)
def test_a_throttle_mark_is_believed_so_far(
    keyed: list[tuple[float, str]], passed: bool, why: str
) -> None:
    """Twenty minutes before or after, and not in the last half minute before it was left."""
    marked, confirmed = throttle(series(), *keyed)
    assert marked.passed
    assert confirmed.passed is passed
    assert why in confirmed.reason
    assert bool(confirmed.reason) is not passed


@pytest.mark.parametrize(
    ("bit", "name"),
    [
        (flag_bits.SATURATED, "railed"),
        (flag_bits.SUSPECT, "suspect"),
        (flag_bits.UNSOUND, "stuck or contradicted"),
    ],
)
def test_channel(bit: int, name: str) -> None:
    flags = np.zeros(N, np.uint8)
    flags[[699, 740]] = bit
    assert instruments.channel_criterion(series(flags=flags), STRETCH).passed
    flags[700:702] = bit
    criterion = instruments.channel_criterion(series(flags=flags), STRETCH)
    assert (criterion.passed, criterion.value) == (False, f"{name} for 2.0 s")


@pytest.mark.parametrize(
    ("away", "passed"), [(1.0, None), (1.018, True), (0.982, True), (1.022, False)]
)
def test_wheel_against_the_receiver(away: float, passed: bool | None) -> None:
    """A per cent, and what a good receiver scatters: at 10 m/s another one."""
    told = np.full(N, 10.0 / away)
    if passed is None:
        told[700:709] = np.nan
    run = drawn_run(series(gnss_speed_m_s=told), train=TRAIN)
    assert instruments.wheel_criterion(run, STRETCH, LIMITS).passed is passed

"""Values of marks: one grammar, both ways, for keys, files and analysis."""

from __future__ import annotations

import contextlib
from collections.abc import Callable

import pytest
from hypothesis import given
from hypothesis import strategies as st

from recorder.marks.grammar import MarkValue, MarkValueError, Quantity, plain
from recorder.marks.handling import (
    FULL,
    BrakeAction,
    BrakeMark,
    CutOffMark,
    SandMark,
    ThrottleMark,
)
from recorder.marks.kinds import Kind
from recorder.marks.stores import Amount, FuelMark, SteamMark, StoreWord, WaterMark
from recorder.marks.values import (
    BridgeMark,
    CurveMark,
    GradeMark,
    MilepostMark,
    RemarkMark,
    SectionMark,
    SignalMark,
    SlipMark,
    StartMark,
    StationMark,
    StopMark,
    UnreadMark,
    WordsMark,
    parse,
    read_kept,
)
from recorder.marks.weather import WeatherMark, Wind


@pytest.mark.parametrize("kind", Kind)
def test_every_kind_may_be_keyed_bare(kind: Kind) -> None:
    value = parse(kind, "  ")
    assert value.kind is kind
    assert value.text == ""
    assert parse(kind, "") == value


@pytest.mark.parametrize(
    ("kind", "typed", "kept"),
    [
        (Kind.MILEPOST, " 12 ", "12"),
        (Kind.MILEPOST, "12,250", "12.25"),
        (Kind.MILEPOST, "-0", "0"),
        (Kind.GRADE, "+0.8 %", "0.8"),
        (Kind.GRADE, "-1.25", "-1.25"),
        (Kind.GRADE, "level", "0"),
        (Kind.THROTTLE, "5", "5"),
        (Kind.THROTTLE, "notch 5", "5"),
        (Kind.THROTTLE, "0", "0"),
        (Kind.THROTTLE, "80 %", "80 %"),
        (Kind.THROTTLE, "80", "80 %"),
        (Kind.THROTTLE, "0.8", "80 %"),
        (Kind.THROTTLE, "half   open", "half open"),
        (Kind.CUTOFF, "25", "25 %"),
        (Kind.CUTOFF, "0", "0 %"),
        (Kind.CUTOFF, "full gear", "full gear"),
        (Kind.BRAKE, "ON", "on"),
        (Kind.BRAKE, "released", "release"),
        (Kind.BRAKE, "70", "70 kPa"),
        (Kind.BRAKE, "10 PSI", "10 psi"),
        (Kind.BRAKE, "0", "release"),
        (Kind.BRAKE, "0 kPa", "release"),
        (Kind.BRAKE, "0,0bar", "release"),
        (Kind.SAND, "0", "off"),
        (Kind.SAND, "On  rear wheels", "on rear wheels"),
        (Kind.FUEL, "250 kg", "used 250 kg"),
        (Kind.FUEL, "LEVEL 3200 l +/- 40", "level 3200 L ± 40"),
        (Kind.FUEL, "level 0 kg", "level 0 kg"),
        (Kind.WATER, "added 4,5 m3", "added 4.5 m3"),
        (Kind.STEAM, "200 PSI", "200 psi"),
        (Kind.WEATHER, "dry; wind 5 m/s from 270; 12 C", "dry; wind 5 m/s from 270; 12 C"),
        (Kind.WEATHER, "rain, wind 10 MPH from nw", "rain; wind 10 mph from 315"),
        (Kind.WEATHER, "wind 5,5 knots from 90", "wind 5.5 kn from 90"),
        (Kind.WEATHER, "fog; calm", "fog; wind calm"),
        (Kind.WEATHER, "wind 0", "wind calm"),
        (Kind.WEATHER, "no wind, 9 C", "wind calm; 9 C"),
        (Kind.REMARK, "sheep on\nthe line", "sheep on the line"),
    ],
)
def test_values_are_kept_in_one_form(kind: Kind, typed: str, kept: str) -> None:
    assert parse(kind, typed).text == kept
    assert parse(kind, kept) == parse(kind, typed)


@pytest.mark.parametrize(
    ("kind", "typed", "allowed"),
    [
        (Kind.MILEPOST, "twelve", "a milepost number"),
        (Kind.MILEPOST, "1e9", "a milepost number"),
        (Kind.MILEPOST, "nan", "a milepost number"),
        (Kind.MILEPOST, "٣", "a milepost number"),
        (Kind.GRADE, "30", "at most 15"),
        (Kind.GRADE, "%", "at most 15"),
        (Kind.THROTTLE, "120 %", "from 0 to 100"),
        (Kind.THROTTLE, "-5", "a notch from 0"),
        (Kind.THROTTLE, "2.5", "a notch from 0"),
        (Kind.THROTTLE, "101", "from 0 to 100"),
        (Kind.CUTOFF, "140", "per cent from 0 to 100"),
        (Kind.CUTOFF, "some %", "per cent from 0 to 100"),
        (Kind.BRAKE, "maybe", "on, apply, hold"),
        (Kind.BRAKE, "kPa", "0 is a release"),
        (Kind.BRAKE, "-70 kPa", "a reduction, for example 70 kPa"),
        (Kind.BRAKE, "10 pſi", "a reduction, for example 70 kPa"),
        (Kind.SAND, "perhaps", "on or off"),
        (Kind.FUEL, "250", "an amount and its unit"),
        (Kind.FUEL, "level kg", "an amount and its unit"),
        (Kind.WATER, "used 3 buckets", "an amount and its unit"),
        (Kind.STEAM, "1380", "a pressure and its unit"),
        (Kind.WEATHER, "wind 5", "the wind with its unit"),
        (Kind.WEATHER, "wind 5 m/s", "where it comes from"),
        (Kind.WEATHER, "wind 5 m/s from 400", "0 to 360"),
        (Kind.WEATHER, "wind 5 m/s from nnn", "a point such as NW"),
        (Kind.WEATHER, "wind 500 m/s from 40", "at most 60 m/s"),
        (Kind.REMARK, "x" * 201, "at most 200"),
        (Kind.REMARK, "bell\x07", "printable"),
        (Kind.REMARK, "\u202ebackwards", "printable"),
    ],
)
def test_what_cannot_stand_is_refused_in_one_line(kind: Kind, typed: str, allowed: str) -> None:
    with pytest.raises(MarkValueError) as caught:
        parse(kind, typed)
    assert str(caught.value).startswith(f"{kind}: got ")
    assert allowed in str(caught.value)
    assert "\n" not in str(caught.value)
    kept = read_kept(kind, typed)
    assert kept == UnreadMark(typed, str(caught.value))


@pytest.mark.parametrize(
    ("text", "released", "kPa"),
    [
        ("", False, None),
        ("on", False, None),
        ("emergency", False, None),
        ("off", True, None),
        ("release", True, None),
        ("0", True, None),
        ("0 kPa", True, None),
        ("70", False, 70.0),
        ("0.7 bar", False, 70.0),
    ],
)
def test_what_a_brake_mark_says(text: str, released: bool, kPa: float | None) -> None:
    value = parse(Kind.BRAKE, text)
    assert isinstance(value, BrakeMark)
    assert value.released is released
    found = None if value.reduction is None else value.reduction.in_unit("kPa")
    assert found == (None if kPa is None else pytest.approx(kPa))


@pytest.mark.parametrize(
    ("text", "share"),
    [
        ("", None), ("8", None), ("half", None), ("0", 0.0), ("0 %", 0.0), ("idle", 0.0),
        ("Shut off", 0.0), ("80 %", 0.8), ("100 %", 1.0), ("full", 1.0), ("Wide open", 1.0),
        ("1.0", 1.0), ("100", 1.0),
    ],
)  # fmt: skip
def test_what_share_of_full_a_throttle_mark_says(text: str, share: float | None) -> None:
    value = parse(Kind.THROTTLE, text)
    assert isinstance(value, ThrottleMark)
    assert value.share == share
    assert value.agrees(FULL) is (share == 1.0)


def test_settings_agree_by_what_they_say() -> None:
    assert ThrottleMark(notch=8).agrees(ThrottleMark(notch=8))
    assert not ThrottleMark(notch=8).agrees(ThrottleMark(notch=7))
    assert not ThrottleMark(notch=8).agrees(ThrottleMark(words="half"))
    assert ThrottleMark(words="Half").agrees(ThrottleMark(words="half"))
    assert ThrottleMark(words="closed").agrees(ThrottleMark(notch=0))
    assert not ThrottleMark().agrees(ThrottleMark())


@pytest.mark.parametrize(
    ("text", "amount"),
    [
        ("used 1 lb", Amount(0.45359237, "kg", None)),
        ("1 short_t", Amount(907.18474, "kg", None)),
        ("level 1 long_t", Amount(1016.0469088, "kg", None)),
        ("1 us_gal", Amount(3.785411784, "L", None)),
        ("added 2 imp_gal ± 1", Amount(9.09218, "L", 4.54609)),
        ("2 m3 +/- 0,1", Amount(2000.0, "L", 100.0)),
    ],
)
def test_amounts_come_in_kilograms_or_litres(text: str, amount: Amount) -> None:
    """Pound of 1959; gallons of 231 cubic inches and 4.54609 L (NIST SP 811, appendix B)."""
    value = parse(Kind.FUEL, text)
    assert isinstance(value, FuelMark)
    assert value.amount is not None
    assert value.amount.unit == amount.unit
    assert value.amount.value == pytest.approx(amount.value, rel=1e-12)
    assert value.amount.u == (None if amount.u is None else pytest.approx(amount.u))


def test_the_wind_stands_among_words() -> None:
    value = parse(Kind.WEATHER, "fine wind 36 km/h from S light haze")
    assert isinstance(value, WeatherMark)
    assert (value.before, value.after) == ("fine", "light haze")
    assert value.wind is not None
    assert value.wind.speed_m_s == pytest.approx(10.0)
    assert value.wind.from_deg == 180.0


@pytest.mark.parametrize(
    ("text", "speaks"),
    [("dry", False), ("windy", False), ("wind strong", True), ("calm", True), ("", False)],
)
def test_whether_the_wind_is_spoken_of(text: str, speaks: bool) -> None:
    value = parse(Kind.WEATHER, text)
    assert isinstance(value, WeatherMark)
    assert value.speaks_of_wind is speaks


def test_a_kind_of_a_newer_version_is_kept_as_text() -> None:
    kept = read_kept("catenary", "dip")
    assert isinstance(kept, UnreadMark)
    assert kept.text == "dip"
    assert "catenary" in kept.why


# ---------------------------------------------------------------------- any value, any text

_words = st.text(st.characters(codec="utf-8"), max_size=60)
_hostile = st.one_of(
    st.text(max_size=250),
    st.from_regex(r"\A[ \t]*(wind|used|on|notch|[+-]?[0-9.,]{1,9})[ ;,0-9a-zA-Z%/±.-]{0,40}\Z"),
)


@given(st.sampled_from(Kind), _hostile)
def test_any_text_is_read_or_refused_and_what_is_kept_reads_back(kind: Kind, text: str) -> None:
    with contextlib.suppress(MarkValueError):
        value = parse(kind, text)
        assert value.kind is kind
        assert parse(kind, value.text) == value
        assert parse(kind, value.text).text == value.text
    kept = read_kept(kind, text)
    assert not isinstance(kept, UnreadMark) or kept.text == text


_decimals = st.integers(0, 9_999_999_000_000).map(lambda n: n / 1e6)
_per_cents = st.integers(0, 100_000_000).map(lambda n: n / 1e6)
_spoken = st.from_regex(r"\A[a-z]{2,9}( [a-z]{2,9}){0,3}\Z").filter(
    lambda words: "wind" not in words and words != "calm"
)


def _words_of(kind: type[WordsMark]) -> st.SearchStrategy[MarkValue]:
    return st.builds(kind, _spoken)


def _store(kind: Callable[..., MarkValue]) -> st.SearchStrategy[MarkValue]:
    units = st.sampled_from(["kg", "t", "lb", "short_t", "long_t", "L", "m3", "gal", "imp_gal"])
    return st.builds(
        kind,
        word=st.sampled_from(StoreWord),
        quantity=st.builds(Quantity, _decimals, units),
        u=st.none() | _decimals,
    )


_winds = st.builds(
    Wind,
    st.builds(
        Quantity,
        st.integers(1, 60_000).map(lambda n: n / 1e3),
        st.sampled_from(["m/s", "km/h", "mph", "kn"]),
    ),
    st.integers(0, 3600).map(lambda n: n / 10.0),
)
VALUES: dict[Kind, st.SearchStrategy[MarkValue]] = {
    Kind.MILEPOST: st.builds(MilepostMark, _decimals),
    Kind.GRADE: st.builds(
        GradeMark, st.integers(-15_000_000, 15_000_000).map(lambda n: n / 1e6)
    ),
    Kind.THROTTLE: st.one_of(
        st.builds(ThrottleMark, notch=st.integers(0, 32)),
        st.builds(ThrottleMark, per_cent=_per_cents),
        st.builds(ThrottleMark, words=_spoken),
    ),
    Kind.CUTOFF: st.builds(CutOffMark, per_cent=_per_cents)
    | st.builds(CutOffMark, words=_spoken),
    Kind.BRAKE: st.builds(BrakeMark, action=st.sampled_from(BrakeAction))
    | st.builds(
        BrakeMark,
        reduction=st.builds(
            Quantity,
            _decimals.filter(lambda n: n > 0.0),
            st.sampled_from(["kPa", "psi", "bar"]),
        ),
    ),
    Kind.SAND: st.builds(SandMark, on=st.booleans(), words=st.just("") | _spoken),
    Kind.FUEL: _store(FuelMark),
    Kind.WATER: _store(WaterMark),
    Kind.STEAM: st.builds(
        SteamMark,
        st.builds(Quantity, _decimals, st.sampled_from(["kPa", "MPa", "bar", "psi"])),
    ),
    Kind.WEATHER: st.builds(
        WeatherMark,
        before=st.just("") | _spoken,
        wind=_winds,
        after=st.just("") | _spoken,
    )
    | st.builds(WeatherMark, before=_spoken),
    Kind.STATION: _words_of(StationMark),
    Kind.SIGNAL: _words_of(SignalMark),
    Kind.CURVE: _words_of(CurveMark),
    Kind.SLIP: _words_of(SlipMark),
    Kind.BRIDGE: _words_of(BridgeMark),
    Kind.STOP: _words_of(StopMark),
    Kind.START: _words_of(StartMark),
    Kind.SECTION: _words_of(SectionMark),
    Kind.REMARK: _words_of(RemarkMark),
}


@pytest.mark.parametrize("kind", Kind)
@given(st.data())
def test_any_value_comes_back_from_its_text(kind: Kind, data: st.DataObject) -> None:
    value = data.draw(VALUES[kind])
    assert parse(kind, value.text) == value


@given(_decimals)
def test_a_number_comes_back_from_its_plain_form(number: float) -> None:
    assert float(plain(number)) == number

"""Kinds of marks: each has a key, a label and a hint; names in sheets and files are found."""

from __future__ import annotations

import pytest

from recorder.marks.kinds import (
    DEFAULT_KEYS,
    Kind,
    UnknownKindError,
    check_keys,
    find_kind,
    keys_for,
    kind_or_name,
)


def test_every_kind_has_a_key_of_its_own() -> None:
    assert sorted(DEFAULT_KEYS.values()) == sorted(Kind)
    assert len(set(DEFAULT_KEYS)) == len(Kind)
    assert all(len(key) == 1 and key.isupper() for key in DEFAULT_KEYS)


def test_every_kind_says_what_may_be_typed() -> None:
    assert all(kind.label and kind.hint for kind in Kind)


def test_an_unknown_kind_names_the_likely_one_and_the_allowed_ones() -> None:
    with pytest.raises(UnknownKindError, match="did you mean 'milepost'") as caught:
        find_kind("milpost")
    assert "weather" in str(caught.value)
    assert "\n" not in str(caught.value)


@pytest.mark.parametrize(
    ("name", "kind"),
    [("regulator", Kind.THROTTLE), ("reverser", Kind.CUTOFF), ("note", Kind.REMARK)],
)
def test_the_other_side_s_words_are_known(name: str, kind: Kind) -> None:
    assert find_kind(name) is kind


def test_a_kind_of_a_newer_version_keeps_its_name() -> None:
    assert kind_or_name("catenary") == "catenary"
    assert kind_or_name("brake") is Kind.BRAKE


def test_a_car_sheet_may_give_keys() -> None:
    keys = keys_for({"K": "milepost", "M": "station", "F5": "regulator"})
    assert keys["K"] is Kind.MILEPOST
    assert keys["M"] is Kind.STATION
    assert keys["F5"] is Kind.THROTTLE
    assert keys["S"] is Kind.STATION
    (problem,) = check_keys({"K": "milpost"})
    assert problem.startswith("K: unknown kind of mark 'milpost'")

"""Which throttle settings count."""

from __future__ import annotations

import pytest

from recorder.analysis.stretches.specification import specification_of
from recorder.marks.handling import ThrottleMark
from recorder.sheets import parse_trip_sheet


def sheet(kind: str, extra: str = "") -> str:
    return (
        f'[trip]\nname = "t"\n[locomotive]\nkind = "{kind}"\n'
        f"[specification]\npower_kW = 1000.0\n{extra}"
    )


@pytest.mark.parametrize(
    ("kind", "extra", "word", "counts"),
    [
        ("diesel", "", "full", True),
        ("diesel", "", "8", True),
        ("diesel", "", "notch 8", True),
        ("diesel", "", "N8", True),
        ("diesel", "", "run 8", True),
        ("diesel", "", "100 %", True),
        ("diesel", "", "7", False),
        ("diesel", "", "98 %", False),
        ("steam", "", "full regulator, 35 % cut-off", True),
        ("steam", "", "regulator half open", False),
        ("steam", "", "8", False),
        ("diesel", 'throttle = ["notch 5"]\n', "5", True),
        ("diesel", 'throttle = ["notch 5"]\n', "full", False),
        ("steam", 'throttle = ["second valve"]\n', "Second valve", True),
        ("diesel", "", "wide open like mad", False),
        ("diesel", "", "", False),
    ],
)
def test_the_words_that_count(kind: str, extra: str, word: str, counts: bool) -> None:
    spec = specification_of(parse_trip_sheet(sheet(kind, extra)))
    assert spec is not None
    assert spec.accepts(ThrottleMark.read(word) if word else ThrottleMark()) is counts


def test_the_eighth_of_more_notches_is_not_the_last() -> None:
    spec = specification_of(parse_trip_sheet(sheet("electric")))
    assert spec is not None
    eighth = ThrottleMark(notch=8)
    assert spec.with_marks([eighth]).accepts(eighth)
    assert not spec.with_marks([eighth, ThrottleMark(notch=15)]).accepts(eighth)

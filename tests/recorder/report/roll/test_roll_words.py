"""Words on the roll: places side by side, scales and marks in either edition."""

from __future__ import annotations

import itertools
import time
import xml.etree.ElementTree as ET

import pytest
from fontTools.ttLib import TTFont  # type: ignore[import-untyped]  # a library without types
from hypothesis import given
from hypothesis import strategies as st

from recorder.marks.mark import Mark
from recorder.report.pages.shown_units import CUSTOMARY, METRIC
from recorder.report.pages.typeface import FOLDER
from recorder.report.particulars.keyed import mark_words
from recorder.report.roll.mark_rail import beside
from recorder.report.roll.paper import RollScale, hatched, text, wide, wrapped


@given(
    places=st.lists(st.floats(0.0, 100.0), max_size=12).map(sorted),
    widths=st.lists(st.floats(0.5, 8.0), min_size=12, max_size=12),
)
def test_labels_keep_their_order_room_and_distance(
    places: list[float], widths: list[float]
) -> None:
    wide = widths[: len(places)]
    found = beside(places, wide, (0.0, 100.0))
    edges = [(m - w / 2, m + w / 2) for m, w in zip(found, wide, strict=True)]
    assert all(left >= -1e-9 and right <= 100.0 + 1e-9 for left, right in edges)
    assert all(b[0] >= a[1] - 1e-9 for a, b in itertools.pairwise(edges))


def test_labels_with_room_stay_where_they_belong() -> None:
    assert beside([10.0, 50.0, 90.0], [4.0, 4.0, 4.0], (0.0, 100.0)) == [10.0, 50.0, 90.0]
    assert beside([50.0, 50.0], [4.0, 4.0], (0.0, 100.0)) == [48.0, 52.0]


@pytest.mark.parametrize(
    ("scale", "metric", "customary"),
    [
        (RollScale(mm_per_min=25.4), "25.4 mm = 1 min", "1 in = 1 min"),
        (RollScale(mm_per_min=None, mm_per_km=50.0), "50 mm = 1 km", "3.17 in = 1 mi"),
    ],
)
def test_the_paper_is_stated_in_either_edition(
    scale: RollScale, metric: str, customary: str
) -> None:
    """An inch is 25.4 mm, a mile 1.609344 km."""
    assert scale.words(METRIC) == metric
    assert scale.words(CUSTOMARY) == customary


@pytest.mark.parametrize(
    ("kind", "keyed", "metric", "customary"),
    [
        ("weather", "dry; wind 5 m/s from 270; 12 C", None, "dry; wind 11 mph from 270; 54 °F"),
        (
            "weather",
            "rain; wind 20 mph from NW; 50 F",
            "rain; wind 32 km/h from NW; 10 °C",
            None,
        ),
        ("brake", "70 kPa", None, "10 psi"),
        ("fuel", "used 250 kg", None, "used 551 lb"),
        ("fuel", "level 8956 kg ± 40", None, "level 19\u2009745 lb ± 88"),
        ("milepost", "12.25", None, None),
        ("signal", "114 clear", None, None),
        ("remark", "4 men and 3 mice", None, None),
    ],
)
def test_a_mark_is_said_in_the_edition_of_the_roll(
    kind: str, keyed: str, metric: str | None, customary: str | None
) -> None:
    """To as many digits as were keyed, two at the least; what is no quantity stays."""
    mark = Mark(mark_id="m", kind=kind, t_s=1.0, value=keyed)
    name = mark.kind_label
    assert mark_words(mark, METRIC) == f"{name} {metric or keyed}"
    assert mark_words(mark, CUSTOMARY) == f"{name} {customary or keyed}"


@given(
    words=st.lists(st.text("abcmWi.0 %°", min_size=1, max_size=30), min_size=1, max_size=20),
    room=st.floats(8.0, 120.0),
    most=st.integers(1, 4),
)
def test_lines_stay_in_their_room_and_a_cut_is_seen(
    words: list[str], room: float, most: int
) -> None:
    """Whole, they hold every letter; cut, they end in an ellipsis."""
    text = " ".join(" ".join(words).split())
    lines = wrapped(text, room, 2.7, most)
    assert len(lines) <= most
    assert all(wide(part, 2.7) <= room for part in lines)
    joined = " ".join(lines).replace("\N{NO-BREAK SPACE}", " ")
    assert joined == text or "…" in joined


def test_widths_are_those_of_the_shipped_typeface() -> None:
    """By its own table of advances, as fontTools reads it."""
    face = TTFont(FOLDER / "GentiumBookPlus-Regular.ttf")
    names, advances = face.getBestCmap(), face["hmtx"].metrics
    words = "Milepost 12, U ± 0.5 %"
    expected = sum(advances[names[ord(c)]][0] for c in words) / face["head"].unitsPerEm
    assert wide(words, 3.0) == pytest.approx(3.0 * expected, rel=1e-3)


def test_a_number_keeps_its_unit_in_its_line() -> None:
    lines = wrapped("certificate of a cell, U 0.9 % at most, last day 2027-10-19", 20.0, 2.7, 9)
    assert len(lines) > 2
    assert any("0.9\N{NO-BREAK SPACE}%" in words for words in lines)


@given(x=st.floats(0, 50), w=st.floats(0.1, 80), h=st.floats(0.5, 70))
def test_hatching_stays_in_its_box(x: float, w: float, h: float) -> None:
    drawn = hatched((x, 10.0, w, h), 2.0, "gap")
    path = drawn.split(' d="')[1].split('"')[0]
    points = [p.split(" ") for p in path.replace("M", "L").split("L") if p]
    assert all(x - 0.01 <= float(px) <= x + w + 0.01 for px, _ in points)
    assert all(10.0 - 0.01 <= float(py) <= 10.0 + h + 0.01 for _, py in points)


@given(st.text(max_size=60))
def test_words_in_any_script_have_a_width_and_can_be_read_back(words: str) -> None:
    """A letter that the roll's own face lacks is drawn by another, and loses no roll."""
    assert 0.0 <= wide(words, 3.0) <= 12.0 * len(words)
    assert ET.fromstring(text(1.0, 2.0, words, 3.0)).tag == "text"


def test_a_letter_of_another_script_takes_a_whole_place() -> None:
    assert wide("\u7dda\u8def", 3.0) == pytest.approx(6.0)
    assert wrapped("\u7dda" * 40, 30.0, 3.0, 1)[0].endswith("\N{HORIZONTAL ELLIPSIS}")


def test_a_word_of_a_hundred_thousand_letters_is_cut_at_once() -> None:
    began = time.process_time()
    (line,) = wrapped("i" * 100_000, 30.0, 3.0, 1)
    assert time.process_time() - began < 2.0
    assert wide(line, 3.0) <= 30.0 < wide(f"i{line}", 3.0)

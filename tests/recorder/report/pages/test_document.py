"""Numbers as they are printed: never surer than they are, never two ways."""

from __future__ import annotations

import math
import re

import pytest
from hypothesis import given
from hypothesis import strategies as st

from recorder.report.pages.document import (
    Block,
    Document,
    Heading,
    Text,
    TextTable,
    plain,
    pm,
    pm_of,
)
from recorder.report.pages.nomenclature import NOMENCLATURE
from recorder.report.pages.web_page import to_html
from tests.recorder.analysis.drawn_runs import kN


def read(text: str) -> float:
    """A printed number, read back."""
    return float(text.replace("\u2009", "").replace("−", "-"))


@given(st.floats(1e-3, 9e6), st.integers(2, 6))
def test_a_number_is_printed_to_the_digits_asked(value: float, digits: int) -> None:
    assert read(plain(value, digits)) == pytest.approx(value, rel=0.51 * 10.0 ** (1 - digits))


@given(st.floats(-9e6, -1e-3))
def test_less_than_zero_has_a_minus_sign_not_a_hyphen(value: float) -> None:
    assert "-" not in plain(value)
    assert read(plain(value)) < 0.0


@given(st.floats(-1e5, 1e5), st.floats(1e-3, 1e4))
def test_value_and_uncertainty_end_at_the_same_place(value: float, spread: float) -> None:
    shown, u = pm_of(value, spread).split(" ± ")
    assert len(shown.partition(".")[2]) == len(u.partition(".")[2])
    assert read(u) == pytest.approx(spread, rel=0.06, abs=0.5)
    assert read(shown) == pytest.approx(value, abs=max(0.06 * spread, 0.5))


def test_the_expanded_uncertainty_is_the_one_printed() -> None:
    """k = 1.96 for 95 % and many degrees of freedom (GUM, table G.1)."""
    assert pm(kN(100.0, a=1.0), unit=True) == "100.0 ± 2.0 kN"


@pytest.mark.parametrize("value", [math.nan, math.inf, -math.inf])
def test_what_is_no_number_is_a_dash(value: float) -> None:
    assert plain(value) == "—"


HOSTILE = '<script>alert(1)</script> #read("x") $ & "quoted" \\ _under_ *star* @ref [x]'


def document(*words: str) -> Document:
    blocks: list[Block] = [Heading(HOSTILE), *map(Text, words)]
    blocks.append(TextTable(("a", HOSTILE), ((HOSTILE, "1"),), HOSTILE))
    return Document(title=HOSTILE, subtitle=HOSTILE, blocks=blocks, footer=HOSTILE)


def test_what_a_crew_types_is_text_on_the_page_and_nothing_else() -> None:
    html = to_html(document(HOSTILE))
    assert "<script>alert" not in html
    assert "&lt;script&gt;alert(1)&lt;/script&gt;" in html


@given(st.text(max_size=80))
def test_any_words_can_stand_in_a_report(words: str) -> None:
    html = to_html(document(words))
    assert html.startswith("<!doctype html>") or html.lower().startswith("<!doctype html")
    assert len(re.findall(r"<script", html)) <= 1


def test_every_word_stands_once_in_the_nomenclature_with_what_others_call_it() -> None:
    words = [term.word for term in NOMENCLATURE]
    assert len(set(words)) == len(words)
    assert all(term.elsewhere and term.meaning for term in NOMENCLATURE)
    assert {"grade", "car", "throttle", "milepost"} <= set(words)

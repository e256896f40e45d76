"""TOML written here is TOML to Python's own reader."""

from __future__ import annotations

import tomllib
from datetime import date, datetime
from typing import Any

import pytest
from hypothesis import given, settings
from hypothesis import strategies as st

from simulated_feeds.sheets.toml_text import toml_text

TEXT = st.text(st.characters(exclude_categories=["Cs"]), max_size=12)
LEAF = st.one_of(
    st.booleans(), st.integers(-(2**62), 2**62), st.floats(allow_nan=False), TEXT, st.dates()
)
VALUE = st.recursive(
    LEAF,
    lambda inner: st.one_of(
        st.lists(inner, max_size=3), st.dictionaries(TEXT, inner, max_size=3)
    ),
    max_leaves=8,
)


@settings(max_examples=150, deadline=None)
@given(st.dictionaries(TEXT, VALUE, max_size=4))
def test_reads_back(data: dict[str, Any]) -> None:
    assert tomllib.loads(toml_text(data)) == data


def test_looks_like_a_sheet() -> None:
    data = {
        "trip": {"name": 'the "first"', "date": date(2026, 5, 4), "crew": ["a", "b"]},
        "consist": {"cars": [{"count": 2}, {"count": 3}]},
        "at": datetime(2026, 1, 1, 7, 0),  # noqa: DTZ001 - a local time of TOML
    }
    text = toml_text(data)
    assert tomllib.loads(text) == data
    assert "[[consist.cars]]\ncount = 2" in text


def test_what_has_no_form() -> None:
    with pytest.raises(TypeError, match="NoneType"):
        toml_text({"a": None})

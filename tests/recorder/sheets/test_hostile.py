"""Whatever the text, a sheet or a SheetError comes of it, never anything else."""

from __future__ import annotations

import contextlib
import tomllib
from collections.abc import Callable, Iterator
from typing import Any

import pytest
import tomli_w
from hypothesis import HealthCheck, given, settings
from hypothesis import strategies as st

from recorder.sheets import SheetError, parse_car_sheet, parse_trip_sheet

READERS = (parse_car_sheet, parse_trip_sheet)
ODD = st.one_of(
    st.none(),
    st.booleans(),
    st.integers(-(2**70), 2**70),
    st.floats(allow_nan=False, allow_infinity=False),
    st.text(alphabet=st.characters(codec="utf-8", min_codepoint=32), max_size=30),
    st.lists(st.integers(0, 3), max_size=3),
    st.dictionaries(st.sampled_from(["a", "ch0", "count"]), st.integers(0, 9), max_size=2),
)


@given(st.text(max_size=300))
def test_any_text(text: str) -> None:
    for read in READERS:
        with contextlib.suppress(SheetError):
            read(text)


@pytest.mark.parametrize("read", READERS)
def test_nested_beyond_reason(read: Callable[[str], object]) -> None:
    with pytest.raises(SheetError):
        read("a = " + "[" * 5000)


@settings(max_examples=60, suppress_health_check=[HealthCheck.function_scoped_fixture])
@given(data=st.data())
def test_any_value_in_any_place(data: st.DataObject, car_text: str, trip_text: str) -> None:
    for text, read in ((car_text, parse_car_sheet), (trip_text, parse_trip_sheet)):
        tables = tomllib.loads(text)
        places = list(_places(tables))
        holder, key = data.draw(st.sampled_from(places))
        value = data.draw(ODD)
        if value is None:
            del holder[key]
        else:
            holder[key] = value
        with contextlib.suppress(SheetError):
            read(tomli_w.dumps(tables))


def _places(node: dict[str, Any] | list[Any]) -> Iterator[tuple[Any, Any]]:
    items: Any = node.items() if isinstance(node, dict) else enumerate(node)
    for key, value in items:
        yield node, key
        if isinstance(value, dict | list):
            yield from _places(value)

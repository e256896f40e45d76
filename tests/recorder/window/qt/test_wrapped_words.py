"""Words over several lines: none is lost, none is cut."""

from __future__ import annotations

import pytest
from hypothesis import given, settings
from hypothesis import strategies as st
from PyQt6.QtGui import QFontMetricsF

from recorder.window.qt.panels.appearance import font
from recorder.window.qt.panels.painted import wrapped

pytestmark = pytest.mark.usefixtures("application")


@given(
    st.lists(st.text("ilmW", min_size=1, max_size=9), min_size=1, max_size=40),
    st.floats(120.0, 900.0),
    st.integers(1, 60),
)
@settings(max_examples=40, deadline=None)
def test_a_wrapped_line_loses_no_word_and_is_cut_nowhere(
    words: list[str], width: float, most: int
) -> None:
    metrics = QFontMetricsF(font(15.0, bold=True))
    text = " ".join(words)
    lines = wrapped(text, width, 15.0, most=most, bold=True)
    assert " ".join(lines) == text
    assert len(lines) <= most
    assert all(metrics.horizontalAdvance(line) <= width for line in lines[:-1] if " " in line)
    if len(lines) < most and " " in lines[-1]:
        assert metrics.horizontalAdvance(lines[-1]) <= width

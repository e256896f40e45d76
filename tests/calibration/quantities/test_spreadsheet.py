"""Texts that a spreadsheet would run are kept from it, and come back as they were."""

from __future__ import annotations

import csv
import io

import pytest
from hypothesis import example, given
from hypothesis import strategies as st

from calibration.quantities.spreadsheet import as_cell, as_remark, from_cell

RUN = tuple("=+-@\t\r\n＝＋－＠")
NUMBERS = ("-2.5", "+3", "-1e-3", "-.5", "12", "4.")


@pytest.mark.parametrize("sign", RUN)
def test_no_cell_begins_as_a_formula_does(sign: str) -> None:
    for text in (f"{sign}cmd|' /C calc'!A0", f" {sign}1+1", sign, f"'{sign}x"):
        assert as_cell(text).startswith("'")
        assert from_cell(as_cell(text)) == text


@pytest.mark.parametrize("number", NUMBERS)
def test_a_number_stays_a_number(number: str) -> None:
    assert as_cell(number) == number


@example("'=x")
@example("''=x")
@example("'-2.5")
@example(";'=x")
@example("seen; \"\t'=x")
@given(st.text(alphabet=st.sampled_from("'=+-@\t 1.5a,;\"\r\n")))
def test_every_text_comes_back(text: str) -> None:
    assert from_cell(as_cell(text)) == text


@given(st.text(alphabet=st.sampled_from("=+-@,;\t\"' ax\n")))
def test_no_piece_of_a_remark_is_a_formula(text: str) -> None:
    line = f"# remark: {as_remark(text)}"
    assert "\n" not in line
    for delimiter in ",;\t":
        (cells,) = csv.reader(io.StringIO(line), delimiter=delimiter)
        assert not any(cell.lstrip().startswith(RUN) for cell in cells)


@given(st.text(alphabet=st.sampled_from("=+-@,;\t\"' ax\n")))
def test_no_piece_that_is_cut_at_semicolons_is_a_formula(text: str) -> None:
    file = io.StringIO()
    csv.writer(file).writerow(["3.0", as_cell(text), "A. Crew"])
    for line in file.getvalue().splitlines():
        for cells in csv.reader([line], delimiter=";", quoting=csv.QUOTE_NONE):
            assert not any(cell.lstrip(' "').startswith(RUN) for cell in cells)

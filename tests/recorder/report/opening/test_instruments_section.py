"""The report's list of certificates says what each proves, and what none proves."""

from __future__ import annotations

from pathlib import Path
from typing import Any

import pytest

from recorder.analysis.campaign.answer import AnswerSettings, answer
from recorder.analysis.campaign.loading import load_runs
from recorder.report.opening.first_page import first_page
from recorder.report.opening.instruments_section import instruments_section
from recorder.report.pages.document import Text
from recorder.report.pages.shown_units import METRIC
from recorder.report.section_parts.naming import naming_of
from recorder.run.values.certificate_standing import PROVES
from tests.recorder.signed_runs import raised, signed_header, signed_run


def texts(path: Path) -> list[str]:
    worked = answer(load_runs([path]), AnswerSettings())
    blocks = instruments_section(worked, naming_of(worked, METRIC))
    return [b.text for b in blocks if isinstance(b, Text)]


@pytest.mark.slow
def test_whose_it_is_what_its_readings_give_and_who_issued_it(tmp_path: Path) -> None:
    told = texts(signed_run(tmp_path / "run.h5", signed_header()))
    (line,) = [words for words in told if words.startswith("Certificate F-1: ")]
    assert "of serial '4711', as the car sheet names" in line
    assert "its readings give curve and uncertainty again" in line
    assert "signed by Works laboratory, key sha256:" in line
    assert PROVES in told


@pytest.mark.slow
@pytest.mark.parametrize(
    ("made_so", "words"),
    [
        ({"signed_by": None}, "Run A: certificate F-1: it has no signature"),
        (
            {"named": ""},
            "Run A: certificate F-1: it is of serial '4711', the car sheet names none",
        ),
        ({"before": raised}, "its own readings do not give it: curve.tension[1]"),
    ],
)
def test_doubts_of_certificates_stand_on_the_first_page(
    tmp_path: Path, made_so: dict[str, Any], words: str
) -> None:
    runs = load_runs([signed_run(tmp_path / "run.h5", signed_header(**made_so))])
    worked = answer(runs, AnswerSettings())
    blocks = first_page(worked, naming_of(worked, METRIC), [])
    assert words in " ".join(getattr(block, "text", "") for block in blocks)

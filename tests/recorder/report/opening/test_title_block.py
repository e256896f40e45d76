"""The title block says what the sheets state, and of what they do not, where it would stand."""

from __future__ import annotations

import pytest

from recorder.analysis.campaign.answer import AnswerSettings, CampaignAnswer, answer_files
from recorder.report.closing.conclusion_section import SIGN, conclusion_section
from recorder.report.opening.instruments_section import object_section
from recorder.report.opening.title_block import report_number, title_block, title_of
from recorder.report.pages.document import Signatures, Text, VerdictBlock
from recorder.report.pages.shown_units import CUSTOMARY, METRIC
from recorder.report.section_parts.naming import naming_of
from tests.recorder.report.conftest import TRIP, Make

STATED = TRIP.replace(
    'date = 2026-05-04\n',
    'date = 2026-05-04\nreport_number = "T-12/26"\nobject = "Is the new blast pipe better?"\n'
    'line = "Vellumbrook branch"\nfrom = "Ash"\nto = "Elm"\ncrew = ["A. Tester"]\n'
    'signatures = ["Head of the trials office"]\n',
).replace("[test_car]\n", '[test_car]\nname = "Car 7"\n')  # fmt: skip


def rows_of(answer: CampaignAnswer, *, customary: bool = False) -> dict[str, str]:
    naming = naming_of(answer, CUSTOMARY if customary else METRIC)
    return dict(title_block(answer, naming).rows)


@pytest.mark.slow
def test_what_the_sheets_do_not_say_is_not_stated_with_its_key(make: Make) -> None:
    answer = answer_files([make()], AnswerSettings())
    rows = rows_of(answer)
    assert rows["Report number"].startswith(f"2026-05-04-{answer.runs[0].loaded.run_id[:8]}")
    assert "made of day and run" in rows["Report number"]
    assert rows["Line"].startswith("not stated ([trip] line)")
    assert rows["From, to"] == "not stated ([trip] from, to)"
    assert rows["Crew"].startswith("not stated ([trip] crew)")
    assert "observer" in rows["Crew"]
    assert rows["Test car"] == "not stated ([test_car] name), 50 t, 4 axles"
    assert rows["Locomotive"] == "No. 12, steam, 150 t, adhesive 80 t"
    assert rows["Runs"].startswith("A: run.h5")
    assert title_of(answer) == "Drawbar trial of No. 12"
    assert (
        rows_of(answer, customary=True)["Train"]
        == "1\N{THIN SPACE}047 short tons, 984 ft, 80 axles"
    )


@pytest.mark.slow
def test_what_the_sheets_say_stands_there_and_who_signs(make: Make) -> None:
    answer = answer_files([make(trip=STATED)], AnswerSettings())
    rows = rows_of(answer)
    assert report_number(answer) == rows["Report number"] == "T-12/26"
    assert rows["Object"] == "Is the new blast pipe better?"
    # A question ends once.
    section = object_section(answer, naming_of(answer, METRIC))
    assert Text("Is the new blast pipe better?") in section
    assert rows["Line"] == "Vellumbrook branch"
    assert rows["From, to"] == "Ash to Elm"
    assert rows["Crew"] == "A. Tester"
    assert rows["Test car"].startswith("Car 7")
    blocks = conclusion_section(answer, VerdictBlock("Meets", ""), rests_on="")
    assert [b.lines for b in blocks if isinstance(b, Signatures)] == [
        ("Head of the trials office",)
    ]
    assert SIGN == ("the test car", "motive power")

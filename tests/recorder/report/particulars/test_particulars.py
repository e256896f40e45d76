"""Every paper says the same of one run: when, where, with what, by whom."""

from __future__ import annotations

import html
import re
from dataclasses import replace
from pathlib import Path

import numpy as np
import pytest

from recorder.analysis.campaign.answer import AnswerSettings, answer_files
from recorder.analysis.campaign.loaded_run import LoadedRun
from recorder.analysis.campaign.loading import load_runs
from recorder.report.opening.title_block import title_block
from recorder.report.pages.shown_units import CUSTOMARY, METRIC, ShownUnits
from recorder.report.particulars.days import day_of, when_words
from recorder.report.roll.roll import RollScale, roll_sheets
from recorder.report.section_parts.naming import naming_of
from recorder.sheets import parse_car_sheet
from tests.recorder.report.conftest import PLACED, Make, line, posts_keyed

pytestmark = pytest.mark.slow

SPEED = 6.0 + 3.0 * (np.arange(1800) // 300)


def placed(make: Make, folder: Path) -> Path:
    line(folder)
    return make("run", trip=PLACED, speed=SPEED, marks=posts_keyed(SPEED))


def squeezed(words: str) -> str:
    """Without blanks of any kind: a line may end anywhere."""
    return re.sub(r"\s", "", words)


@pytest.mark.parametrize("units", [METRIC, CUSTOMARY])
def test_the_roll_says_of_a_run_what_the_title_block_says(
    make: Make, tmp_path: Path, units: ShownUnits
) -> None:
    answer = answer_files([placed(make, tmp_path)], AnswerSettings())
    rows = dict(title_block(answer, naming_of(answer, units)).rows)
    roll = roll_sheets(answer.runs[0].loaded, RollScale(), units=units)
    found = re.findall(r"<text[^>]*>([^<]*)</text>", roll.sheets[0].decode())
    drawn = squeezed("".join(html.unescape(words) for words in found))
    for name in ("From, to", "Date and time", "Locomotive", "Test car", "Train", "Crew"):
        assert squeezed(rows[name]) in drawn, name


def zoned(run: LoadedRun, zone: str) -> LoadedRun:
    """The same in a car of that zone, whose trip sheet states no day."""
    car = parse_car_sheet(
        f'[car]\nname = "Plumbline"\ntime_zone = "{zone}"\n'
        '[devices.a]\ndriver = "load-cell-frames"\nport = "tcp://127.0.0.1:4001"\n'
    )
    assert run.trip is not None
    clock = replace(
        run.provenance.description.clock, began_utc="2026-05-03T22:30:30.000000Z", known=True,
        u_s=0.2,
    )  # fmt: skip
    description = replace(run.provenance.description, clock=clock)
    known = replace(run.provenance, car=car, description=description)
    return replace(run, provenance=known, trip=replace(run.trip, date=None))


def test_day_and_hours_are_those_of_the_place(make: Make, tmp_path: Path) -> None:
    """Three hours ahead of UTC 22:30 is 01:30 of the next day; half an hour of run."""
    run = load_runs([placed(make, tmp_path)])[0]
    assert day_of(zoned(run, "UTC")) == "2026-05-03"
    assert day_of(zoned(run, "Etc/GMT-3")) == "2026-05-04"
    assert when_words(zoned(run, "Etc/GMT-3")).startswith(
        "2026-05-04, 01:30 to 02:00 +03, known to 0.4 s (95 %) by "
    )

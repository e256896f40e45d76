"""The truth of the trial day beside its report: a page, two tables, and lines for a terminal."""

from __future__ import annotations

import csv
import json
from collections import Counter
from dataclasses import asdict, dataclass
from typing import TYPE_CHECKING, Final

from calibration.files.durable import whole_file, write_whole
from calibration.quantities.constants import KM_H_PER_M_S
from recorder.analysis.specification.verdicts import Verdict
from recorder.command_line.demo.stated import FigureKind, Stated, stated_figures
from recorder.command_line.demo.true_day import TrueDay
from recorder.report.pages.document import (
    Block,
    Document,
    Heading,
    Text,
    TextTable,
    plain,
    pm_of,
)
from recorder.report.pages.rendering import to_pdf
from recorder.report.pages.web_page import to_html

if TYPE_CHECKING:
    from pathlib import Path

    from recorder.analysis.campaign.answer import CampaignAnswer
    from recorder.analysis.specification.bands import Band
    from simulated_feeds.outing.trial_day import TrialDay

__all__ = ["DayTold", "write_day_truth"]

TITLE: Final = "The truth beside the report"
_FOREWORD: Final = (
    "This trial day was simulated. What truly happened is therefore known, as it never is on a"
    " railway: the pull at every instant, the masses, the grades, the resistance. The report was"
    " made without that knowledge, from what the instruments sent and what the crew keyed. Here"
    " each of its figures stands beside the truth. An interval stated for 95 % is meant to hold"
    " the truth in 95 of 100 cases; so some must miss, and those that do are named."
)
_DRAWN: Final = (
    "The locomotive's promise was written from the law of its own engine, so that the margin is"
    " known: it truly pulls 2 to 3 % more at every specified speed. Cell, bench, wheel, masses,"
    " rotary allowances, grades and curve resistance are each off what sheets and certificates"
    " state of them, by an error drawn from the uncertainty stated there."
)


@dataclass(frozen=True, slots=True, kw_only=True)
class DayTold:
    """How the report stood to the truth."""

    figures: tuple[Stated, ...]
    lines: tuple[str, ...]
    """For the end of the demo."""

    @property
    def stated(self) -> int:
        """Intervals of which the truth is known."""
        return len(self.figures)

    @property
    def held(self) -> int:
        """Intervals that hold it."""
        return sum(f.holds for f in self.figures)


def write_day_truth(
    day: TrialDay, answer: CampaignAnswer, out: Path, *, run_offset_s: float = 0.0
) -> DayTold:
    """Hold an answer against the day it was recorded on; ``truth.pdf``, ``.html``, ``.csv`` and
    ``.json`` into a folder that is there.

    Parameters
    ----------
    day
        As it was simulated.
    answer
        Of the one run that was recorded.
    out
        The report's folder.
    run_offset_s
        Run time at simulated time 0.

    Raises
    ------
    OSError
        The folder cannot be written.
    """
    figures = stated_figures(answer, TrueDay(day, run_offset_s))
    told = DayTold(figures=tuple(figures), lines=tuple(_lines(answer, figures)))
    _write_tables(told, out)
    document = _document(answer, told, seed=day.scenario.seed)
    write_whole(out / "truth.pdf", to_pdf(document))
    write_whole(out / "truth.html", to_html(document).encode())
    return told


def _write_tables(told: DayTold, out: Path) -> None:
    rows = [
        {**asdict(f), "expanded_uncertainty": f.expanded, "holds": f.holds}
        for f in told.figures
    ]
    for row in rows:
        del row["expanded"]
    names = ("kind", "name", "unit", "value", "expanded_uncertainty", "truth", "holds")
    with (
        whole_file(out / "truth.csv") as part,
        part.open("w", encoding="utf-8", newline="") as stream,
    ):
        writer = csv.DictWriter(stream, names, lineterminator="\n")
        writer.writeheader()
        writer.writerows(rows)
    whole = {"stated": told.stated, "held": told.held, "figures": rows}
    text = json.dumps(whole, indent=1, ensure_ascii=False, allow_nan=False)
    write_whole(out / "truth.json", f"{text}\n".encode())


def _share_words(held: int, stated: int) -> str:
    return f"{held} of {stated} stated intervals hold the known truth (95 % are meant to)"


def _lines(answer: CampaignAnswer, figures: list[Stated]) -> list[str]:
    """What is told at the end of the demo."""
    rows = _band_rows(answer, figures)
    lines = [f"verdict: {answer.overall.verdict}"]
    lines += [
        f"  {band:12} {verdict:36} margin {stated} %, truly {truth} %"
        for band, verdict, stated, truth, _ in rows
    ]
    held = sum(f.holds for f in figures)
    return [*lines, _share_words(held, len(figures))]


def _band_rows(
    answer: CampaignAnswer, figures: list[Stated]
) -> list[tuple[str, str, str, str, str]]:
    """Band, verdict, margin as stated and as it was (per cent), whether it holds."""
    margins = {f.name: f for f in figures if f.kind is FigureKind.BAND_MARGIN}
    found = ((band, margins.get(f"margin at {band.name}")) for band in answer.bands)
    return [_band_row(band, margin) for band, margin in found if margin is not None]


def _band_row(band: Band, margin: Stated) -> tuple[str, str, str, str, str]:
    per_cent = 100.0 / band.limit_kN
    stated = pm_of(per_cent * margin.value, per_cent * margin.expanded)
    return (
        band.name, band.verdict.value, stated, plain(per_cent * margin.truth, 3),
        _yes(margin),
    )  # fmt: skip


def _yes(figure: Stated) -> str:
    return "yes" if figure.holds else "NO"


def _document(answer: CampaignAnswer, told: DayTold, *, seed: int) -> Document:
    met = sum(b.verdict is Verdict.MEETS for b in answer.bands if b.margin is not None)
    judged = sum(b.margin is not None for b in answer.bands)
    blocks: list[Block] = [
        Text(_FOREWORD),
        Text(_DRAWN),
        Text(
            f"The report says: {answer.overall.verdict}; {met} of {judged} speed bands meet."
            f" {_share_words(told.held, told.stated)}."
        ),
        TextTable(
            ("speed", "the report's verdict", "margin stated, %", "true margin, %", "holds"),
            tuple(_band_rows(answer, list(told.figures))),
            caption="Margin over the specified pull by speed band, ± 95 %.",
        ),
        _by_kind(told),
        _missed(told),
        Heading("Figures of the whole day", level=1, new_page=True),
        TextTable(
            ("figure", "stated", "truth", "unit", "holds"),
            tuple(_row(f) for f in told.figures if not f.kind.of_test_section),
            caption="Stated intervals of the whole day beside the truth; those of single test"
            " sections stand in truth.csv.",
        ),
    ]
    return Document(
        title=TITLE, subtitle=f"Trial day, seed {seed}", blocks=blocks,
        footer="simulated: no railway, no locomotive and no crew stood behind it",
    )  # fmt: skip


def _by_kind(told: DayTold) -> TextTable:
    stated = Counter(f.kind for f in told.figures)
    held = Counter(f.kind for f in told.figures if f.holds)
    return TextTable(
        ("figures", "stated", "hold the truth"),
        tuple((kind, str(n), str(held[kind])) for kind, n in stated.items()),
        caption="Stated intervals by kind, and how many hold the truth.",
    )


def _missed(told: DayTold) -> Block:
    missed = [f for f in told.figures if not f.holds]
    if not missed:
        return Text("No stated interval misses the truth.")
    return TextTable(
        ("figure", "stated", "truth", "unit", "off, in stated uncertainties"),
        tuple(
            (*_row(f)[:4], plain(abs(f.value - f.truth) / f.expanded, 2)) for f in missed
        ),
        caption="Stated intervals that miss the truth.",
    )  # fmt: skip


def _row(figure: Stated) -> tuple[str, str, str, str, str]:
    k = KM_H_PER_M_S if figure.unit == "m/s" else 1.0
    unit = "km/h" if figure.unit == "m/s" else figure.unit
    stated = pm_of(k * figure.value, k * figure.expanded)
    return figure.name, stated, plain(k * figure.truth, 5), unit, _yes(figure)

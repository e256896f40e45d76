"""Runs side by side: by speed band, and by section between mileposts they share."""

from __future__ import annotations

import math
from collections.abc import Callable, Iterable, Sequence
from pathlib import Path
from typing import TYPE_CHECKING, Any

import numpy as np

from recorder.analysis.campaign.answer import RunAnswer, Settings, answer
from recorder.analysis.campaign.comparison import Row, compare_bands
from recorder.analysis.campaign.route_sections import sections_on_route
from recorder.analysis.campaign.run_table import sections_between_marks
from recorder.analysis.uncertainty.instrument_uncertainty import (
    equivalent_pull,
    mean_pull,
    mean_speed,
)
from recorder.analysis.uncertainty.measured import Measured
from recorder.machine.version import software
from recorder.marks.kinds import Kind
from recorder.report.pages.charts import comparison_chart
from recorder.report.pages.document import (
    Block,
    Chart,
    Document,
    Heading,
    Text,
    TextTable,
    pm_of,
)
from recorder.report.pages.rendering import to_pdf
from recorder.report.trial.crew_edits import edits_for
from recorder.report.trial.results import measured_dict, plain_values
from recorder.report.trial.summary import CAUTION
from recorder.report.trial.writing import load_runs

if TYPE_CHECKING:
    from recorder.sheets import TripSheet

__all__ = ["compare_runs", "comparison_pdf", "in_words"]

WHOLE = 0.9
"""Share of a section that must have data to be compared."""


def compare_runs(
    paths: Sequence[Path],
    *,
    trip: TripSheet | None = None,
    route: Path | None = None,
    band_m_s: float = 10.0 / 3.6,
    progress: Callable[[float, str], None] | None = None,
) -> dict[str, Any]:
    """Compare every later run with the first; plain JSON values.

    Raises
    ------
    ValueError, OSError
        Fewer than two runs, or one that cannot be used.
    """
    loaded, sources = load_runs(paths, trip=trip, route=route, progress=progress)
    names = [r.name for r in loaded]
    worked = answer(loaded, Settings(band_m_s=band_m_s, edits=edits_for(sources, None)))
    notes: list[str] = []
    rows = compare_bands(
        [(name, run.results) for name, run in zip(names, worked.runs, strict=True)], band_m_s
    )
    told: dict[str, Any] = {
        "format": "testcar comparison",
        "version": 1,
        "software": software(),
        "runs": [
            {"name": n, "run_id": r.loaded.run_id, "stretches": len(r.results)}
            for n, r in zip(names, worked.runs, strict=True)
        ],
        "reference": names[0],
        "bands": [_band(row) for row in rows],
        "sections": _sections(worked.runs, notes),
        "notes": [*_notes(rows, worked.notes), *notes],
    }
    made: dict[str, Any] = plain_values(told)
    return made


def _band(row: Row) -> dict[str, Any]:
    return {
        "low_m_s": row.low_m_s,
        "high_m_s": row.high_m_s,
        "reference_pull": measured_dict(row.reference.pull),
        "reference_power": measured_dict(row.reference.power),
        "differences": [
            {
                "run": d.run,
                "pull": measured_dict(d.pull),
                "power": measured_dict(d.power),
                "per_cent": measured_dict(d.per_cent),
                "significant": d.significant,
            }
            for d in row.differences
        ],
    }


def _notes(rows: Sequence[object], notes: Sequence[str]) -> list[str]:
    none = [] if rows else ["no speed band has steady stretches of two runs"]
    return [*none, *notes]


def _sections(runs: Sequence[RunAnswer], notes: list[str]) -> list[dict[str, Any]]:
    """Mean pull, equivalent pull and speed between the mileposts that runs share.

    Only runs of one and the same line share mileposts: placed runs by the digest of their
    route, others by what the crews keyed, which is said.
    """
    first, *others = runs
    reference = _between_posts(first)
    found: dict[str, list[dict[str, Any]]] = {}
    for run in others:
        if _line(run) != _line(first):
            notes.append(
                f"{run.loaded.name} and {first.loaded.name} do not lie on one and the same"
                " route: no sections are compared"
            )
            continue
        held = _between_posts(run)
        if not _line(run) and held:
            notes.append(
                f"{run.loaded.name}: not placed on a route: sections are between milepost marks"
                " of the same numbers, as keyed"
            )
        for section in reference.keys() & held.keys():
            pairs = zip(_FIGURES, held[section], reference[section], strict=True)
            found.setdefault(section, []).append(_difference(run.loaded.name, pairs))
    return [
        {
            "section": section,
            **{
                f"reference_{k}": measured_dict(v)
                for k, v in zip(_FIGURES, values, strict=True)
            },
            "differences": found[section],
        }
        for section, values in reference.items()
        if section in found
    ]


_FIGURES = ("pull", "equivalent_pull", "speed")


def _difference(run: str, pairs: Iterable[tuple[str, Measured, Measured]]) -> dict[str, Any]:
    differences = {k: a.minus(b) for k, a, b in pairs}
    pull = differences["equivalent_pull"]
    return {
        "run": run,
        **{k: measured_dict(d) for k, d in differences.items()},
        "significant": math.isfinite(pull.value) and abs(pull.value) > pull.expanded,
    }


def _line(run: RunAnswer) -> str:
    """The digest of the route a run was placed on; empty when it was not."""
    route = run.loaded.route
    return "" if route is None else route.digest


def _between_posts(run: RunAnswer) -> dict[str, tuple[Measured, Measured, Measured]]:
    """By section; of one passed several times, the first."""
    loaded = run.loaded
    held: dict[str, tuple[Measured, Measured, Measured]] = {}
    sections = sections_on_route(loaded, Kind.MILEPOST) or sections_between_marks(
        loaded.series, loaded.marks, Kind.MILEPOST
    )
    for s in sections:
        word = f"{loaded.name} {s.name}"
        span = (s.start, s.stop)
        known = np.isfinite(loaded.series.pull_kN[s.start : s.stop]).mean()
        # Half a section is not the section.
        if s.name in held or known < WHOLE:
            continue
        held[s.name] = (
            mean_pull(loaded.series, *span, loaded.evidence, word),
            equivalent_pull(
                loaded.series, run.corrected, *span, loaded.train, loaded.evidence, word
            ),
            mean_speed(loaded.series, *span, loaded.evidence, word),
        )
    return held


def in_words(told: dict[str, Any]) -> str:
    """The comparison for a terminal."""
    lines = [f"compared with {told['reference']}:"]
    lines += [
        f"{row['low_m_s'] * 3.6:5.0f}-{row['high_m_s'] * 3.6:.0f} km/h  {d['run']}:"
        f" pull {_pm(d['pull'])}, {_told(d)}"
        for row in told["bands"]
        for d in row["differences"]
    ]
    lines += [
        f"  {row['section']}  {d['run']}: equivalent pull {_pm(d['equivalent_pull'])}:"
        f" {_word(d)}"
        for row in told["sections"]
        for d in row["differences"]
    ]
    lines += [f"note: {n}" for n in told["notes"]]
    return "\n".join(lines)


def _told(d: dict[str, Any]) -> str:
    return f"{_pm(d['per_cent'])}: {_word(d)}"


def _word(d: dict[str, Any]) -> str:
    return "a difference" if d["significant"] else "no difference that can be told"


def _pm(value: dict[str, Any] | None) -> str:
    if value is None or value["value"] is None:
        return "—"
    spread = value["expanded_uncertainty"]
    return pm_of(value["value"], math.inf if spread is None else spread, value["unit"])


def _curves(told: dict[str, Any]) -> dict[str, list[tuple[float, float, float]]]:
    """By run: middle of the band in km/h, pull, expanded uncertainty of the difference."""
    curves: dict[str, list[tuple[float, float, float]]] = {told["reference"]: []}
    for row in told["bands"]:
        base = row["reference_pull"]
        if base is None:
            continue
        v = (row["low_m_s"] + row["high_m_s"]) / 2 * 3.6
        curves[told["reference"]].append((v, base["value"], 0.0))
        for d in row["differences"]:
            if d["pull"] is not None:
                pull = base["value"] + d["pull"]["value"]
                spread = d["pull"]["expanded_uncertainty"] or 0.0
                curves.setdefault(d["run"], []).append((v, pull, spread))
    return curves


def comparison_pdf(told: dict[str, Any]) -> bytes:
    """The comparison as a PDF of the same look as the report."""
    blocks: list[Block] = [*_band_blocks(told), *_section_blocks(told)]
    blocks += [Text(f"• {n}") for n in told["notes"]]
    blocks.append(Text(CAUTION, "caution"))
    names = ", ".join(r["name"] for r in told["runs"])
    return to_pdf(
        Document(
            title="Comparison of runs", subtitle=names, blocks=blocks, footer=told["software"]
        )
    )


def _band_blocks(told: dict[str, Any]) -> list[Block]:
    rows = tuple(
        (
            f"{row['low_m_s'] * 3.6:.0f}-{row['high_m_s'] * 3.6:.0f}",
            _pm(row["reference_pull"]),
            d["run"],
            _pm(d["pull"]),
            _pm(d["power"]),
            _told(d),
        )
        for row in told["bands"]
        for d in row["differences"]
    )
    blocks: list[Block] = [Heading("By speed band")]
    if not rows:
        return [*blocks, Text("No band is shared.")]
    heads = ("km/h", "first run, pull", "run", "pull less first", "power less first", "told")
    caption = "Equivalent drawbar pull, ± 95 % of the difference from the first run."
    chart = Chart("comparison", comparison_chart(_curves(told)), caption)
    return [*blocks, chart, TextTable(heads, rows, "± 95 %.")]


def _section_blocks(told: dict[str, Any]) -> list[Block]:
    rows = tuple(
        (
            row["section"],
            d["run"],
            _pm(d["pull"]),
            _pm(d["equivalent_pull"]),
            _pm(d["speed"]),
            _word(d),
        )
        for row in told["sections"]
        for d in row["differences"]
    )
    blocks: list[Block] = [Heading("By section between mileposts")]
    if not rows:
        return [*blocks, Text("No section is shared.")]
    heads = ("section", "run", "pull", "equivalent pull", "speed", "told")
    return [*blocks, TextTable(heads, rows, "Less the first run, ± 95 %.")]

"""Runs side by side: by speed band, and by section between mileposts they share."""

from __future__ import annotations

from collections.abc import Callable, Sequence
from pathlib import Path
from typing import TYPE_CHECKING, Any

from recorder import software
from recorder.analysis.answer import RunAnswer, Settings, answer
from recorder.analysis.comparison import compare_bands
from recorder.analysis.evidence import equivalent_pull, mean_pull, mean_speed
from recorder.analysis.measured import Measured
from recorder.analysis.run_table import sections_between_marks
from recorder.report.document import Block, Document, Heading, Text, TextTable, plain
from recorder.report.rendering import to_pdf
from recorder.report.results import measured_dict, plain_values
from recorder.report.summary import CAUTION
from recorder.report.writing import load_runs

if TYPE_CHECKING:
    from recorder.sheets import TripSheet

__all__ = ["compare_runs", "comparison_pdf", "in_words"]


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
    loaded, _ = load_runs(paths, trip=trip, route=route, progress=progress)
    names = _distinct([r.name for r in loaded])
    worked = answer(loaded, Settings(band_m_s=band_m_s))
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
        "bands": [
            {
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
            for row in rows
        ],
        "sections": _sections(names, worked.runs),
        "notes": _notes(rows, worked.notes),
    }
    made: dict[str, Any] = plain_values(told)
    return made


def _notes(rows: Sequence[object], notes: Sequence[str]) -> list[str]:
    none = [] if rows else ["no speed band has steady stretches of two runs"]
    return [*none, *notes]


def _distinct(names: Sequence[str]) -> list[str]:
    if len(set(names)) == len(names):
        return list(names)
    return [f"{name} ({i})" for i, name in enumerate(names, 1)]


def _sections(names: Sequence[str], runs: Sequence[RunAnswer]) -> list[dict[str, Any]]:
    """Mean pull, equivalent pull and speed between the mileposts that runs share."""
    figures = [_between_posts(name, run) for name, run in zip(names, runs, strict=True)]
    out = []
    for section, first in figures[0].items():
        others = []
        for name, held in zip(names[1:], figures[1:], strict=True):
            if section in held:
                pairs = zip(
                    ("pull", "equivalent_pull", "speed"), held[section], first, strict=True
                )
                differences = {k: measured_dict(a.minus(b)) for k, a, b in pairs}
                others.append({"run": name, **differences})
        if others:
            out.append(
                {
                    "section": section,
                    "reference_pull": measured_dict(first[0]),
                    "reference_equivalent_pull": measured_dict(first[1]),
                    "reference_speed": measured_dict(first[2]),
                    "differences": others,
                }
            )
    return out


def _between_posts(name: str, run: RunAnswer) -> dict[str, tuple[Measured, Measured, Measured]]:
    loaded = run.loaded
    held = {}
    for s in sections_between_marks(loaded.series, loaded.marks, "milepost"):
        word = f"{name} {s.name}"
        span = (s.start, s.stop)
        pull = mean_pull(loaded.series, *span, loaded.evidence, word)
        equivalent = equivalent_pull(
            loaded.series, run.corrected, *span, loaded.train, loaded.evidence, word
        )
        held[s.name] = (
            pull,
            equivalent,
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
        f"  {row['section']}  {d['run']}: equivalent pull {_pm(d['equivalent_pull'])}"
        for row in told["sections"]
        for d in row["differences"]
    ]
    lines += [f"note: {n}" for n in told["notes"]]
    return "\n".join(lines)


def _told(d: dict[str, Any]) -> str:
    word = "a difference" if d["significant"] else "no difference that can be told"
    return f"{_pm(d['per_cent'])}: {word}"


def _pm(value: dict[str, Any] | None) -> str:
    if value is None or value["value"] is None:
        return "—"
    spread = value["expanded_uncertainty"]
    tail = "unknown" if spread is None else plain(spread, 2)
    return f"{plain(value['value'])} ± {tail} {value['unit']}"


def comparison_pdf(told: dict[str, Any]) -> bytes:
    """The comparison as a PDF of the same look as the report."""
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
    heads = ("km/h", "first run, pull", "run", "pull less first", "power less first", "told")
    blocks: list[Block] = [Heading("By speed band")]
    blocks.append(TextTable(heads, rows, "± 95 %.") if rows else Text("No band is shared."))
    sections = tuple(
        (row["section"], d["run"], _pm(d["pull"]), _pm(d["equivalent_pull"]), _pm(d["speed"]))
        for row in told["sections"]
        for d in row["differences"]
    )
    blocks.append(Heading("By section between mileposts"))
    heads_s = ("section", "run", "pull", "equivalent pull", "speed")
    blocks.append(
        TextTable(heads_s, sections, "Less the first run, ± 95 %.")
        if sections
        else Text("No section is shared.")
    )
    blocks += [Text(f"• {n}") for n in told["notes"]]
    blocks.append(Text(CAUTION, "caution"))
    names = ", ".join(r["name"] for r in told["runs"])
    return to_pdf(
        Document(
            title="Comparison of runs", subtitle=names, blocks=blocks, footer=told["software"]
        )
    )

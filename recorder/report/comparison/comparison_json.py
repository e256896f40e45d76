"""``comparison.json``: every difference with its unit and expanded uncertainty.

Top level: ``format``, ``version``, ``software``, ``runs``, ``reference`` (the first run),
``bands`` and ``sections`` (each with the first run's figures and ``differences``), ``notes``.
"""

from __future__ import annotations

from typing import Any

from recorder.analysis.campaign.comparison import (
    BandRow,
    Comparison,
    SectionDifference,
    SectionFigures,
    SectionRow,
)
from recorder.report.data.results_json import measured_json, plain_values

__all__ = ["comparison_json"]

FORMAT = "testcar comparison"
VERSION = 1


def comparison_json(comparison: Comparison, *, software: str) -> dict[str, Any]:
    """The whole of ``comparison.json`` as plain JSON values (no NaN, no infinity)."""
    runs = comparison.runs
    out: dict[str, Any] = {
        "format": FORMAT,
        "version": VERSION,
        "software": software,
        "runs": [
            {"name": r.loaded.name, "run_id": r.loaded.run_id, "stretches": len(r.results)}
            for r in runs
        ],
        "reference": runs[0].loaded.name,
        "bands": [_band(row) for row in comparison.bands],
        "sections": [_section(row) for row in comparison.sections],
        "notes": list(comparison.notes),
    }
    cleaned: dict[str, Any] = plain_values(out)
    return cleaned


def _band(row: BandRow) -> dict[str, Any]:
    return {
        "low_m_s": row.reference.low_m_s,
        "high_m_s": row.reference.high_m_s,
        "reference_pull": measured_json(row.reference.pull),
        "reference_power": measured_json(row.reference.power),
        "differences": [
            {
                "run": d.run,
                "pull": measured_json(d.pull),
                "power": measured_json(d.power),
                "per_cent": measured_json(d.per_cent),
                "significant": d.significant,
            }
            for d in row.differences
        ],
    }


def _section(row: SectionRow) -> dict[str, Any]:
    return {
        "section": row.section,
        **{f"reference_{k}": v for k, v in _figures(row.reference).items()},
        "differences": [_difference(d) for d in row.differences],
    }


def _difference(difference: SectionDifference) -> dict[str, Any]:
    return {
        "run": difference.run,
        **_figures(difference.figures),
        "significant": difference.significant,
    }


def _figures(figures: SectionFigures) -> dict[str, Any]:
    return {
        "pull": measured_json(figures.pull),
        "equivalent_pull": measured_json(figures.equivalent_pull),
        "speed": measured_json(figures.speed),
    }

"""The end of the report: calibration, clock, gaps, and how to get every figure again."""

from __future__ import annotations

import platform
from collections.abc import Sequence
from typing import TYPE_CHECKING

from recorder.analysis.campaign.answer import Answer as Worked
from recorder.report.pages.document import Block, Heading, Text, TextTable, plain
from recorder.report.trial.field_checks_section import field_checks_section
from recorder.report.trial.summary import seconds

if TYPE_CHECKING:
    from recorder.report.trial.writing import Source

__all__ = ["evidence", "reproduce"]


def evidence(answer: Worked, sources: Sequence[Source]) -> list[Block]:
    """Certificates, zeros and the clock of each run."""
    blocks: list[Block] = [Heading("Calibration and clock")]
    rows = []
    for source in sources:
        for name, c in source.told["certificates"].items():
            state = "EXPIRED" if c["expired"] else "in date"
            rows.append(
                (
                    source.name,
                    name,
                    c["certificate_id"],
                    c["issued"],
                    c["expires"] or "none",
                    state,
                )
            )
    if rows:
        heads = ("run", "certificate", "number", "issued", "last day", "on the day of the run")
        blocks.append(TextTable(heads, tuple(rows)))
    else:
        blocks.append(
            Text("No certificate is in the run: values carry what was stated with them.")
        )
    blocks += field_checks_section([(s.name, s.field_checks) for s in sources])
    for run, source in zip(answer.runs, sources, strict=True):
        e = run.loaded.evidence
        blocks.append(
            Text(
                f"{source.name}: zero ± {plain(e.zero_u_kN, 2)} kN, distance and speed"
                f" ± {100 * e.wheel_rel_u:.3f} % (standard){_scaled(e.wheel_scale)}; UTC by"
                f" {source.utc_source}, standard uncertainty at most"
                f" {seconds(source.utc_u_s)}."
            )
        )
        blocks.append(Text(_placing(source)))
    return blocks


def _scaled(scale: float) -> str:
    return "" if scale == 1.0 else f", corrected by the route's factor {scale:.5f}"


def _placing(source: Source) -> str:
    p = source.placement
    if p is None:
        return f"{source.name}: not placed on a route."
    doubted = len(p["marks_doubted"])
    return (
        f"{source.name}: placed on {p['route']} to ± {p['greatest_U95_m']:.1f} m or better (95 %)"
        f" by {p['marks_used']} milepost marks ({doubted} doubted,"
        f" {len(p['mileposts_skipped'])} posts without one) and {p['gnss_fixes_used']} GNSS"
        f" fixes; wheel {p['wheel_scale']:.5f} ± {2 * p['wheel_scale_u']:.5f} of its"
        f" certificate."
    )


def reproduce(sources: Sequence[Source]) -> list[Block]:
    """Digests, versions and sheets."""
    rows = tuple((s.name, s.run_id, s.software) for s in sources)
    blocks: list[Block] = [
        Heading("How to get every figure again"),
        Text(
            "The run files hold raw counts, certificates, sheets and route in full. The same run"
            " files, settings (in results.json) and version give the same figures:"
        ),
        TextTable(("run", "identity", "recorded by"), rows),
        *(Text(f"{s.name}: {s.digest or 'not sealed: no digest'}", "code") for s in sources),
        Text(f"Worked with Python {platform.python_version()}.", "small"),
    ]
    for what in ("Trip sheet", "Car sheet"):
        held: dict[str, list[str]] = {}
        for source in sources:
            text = source.trip_text if what == "Trip sheet" else source.car_text
            held.setdefault(text.strip(), []).append(source.name)
        for text, names in held.items():
            if text:
                blocks += [Heading(f"{what} of {', '.join(names)}", 2), Text(text, "code")]
    return blocks

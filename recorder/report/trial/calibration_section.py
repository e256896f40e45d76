"""The end of the report: calibration, zeros, clock, and how to get every figure again."""

from __future__ import annotations

import platform
from collections.abc import Sequence
from pathlib import Path
from typing import TYPE_CHECKING

import numpy as np

from recorder.report.pages.document import Block, Heading, Text, TextTable, plain
from recorder.report.pages.wording import utc_words
from recorder.report.trial.field_checks_section import field_checks_section
from recorder.run.values.certificate_standing import PROVES
from recorder.track.placing.placement import MarkUse

if TYPE_CHECKING:
    from recorder.analysis.campaign.loaded_run import LoadedRun

__all__ = ["calibration_section", "reproduction_section"]


def calibration_section(runs: Sequence[LoadedRun]) -> list[Block]:
    """Certificates, zeros, clock and placing of each run."""
    blocks: list[Block] = [Heading("Calibration and clock"), _certificates(runs)]
    blocks += _standings(runs)
    blocks += field_checks_section([(run.name, run.provenance.field_checks) for run in runs])
    for run in runs:
        blocks += [Text(_instruments(run)), *_time_cautions(run), Text(_placing(run))]
    return blocks


def _certificates(runs: Sequence[LoadedRun]) -> Block:
    rows = tuple(
        (
            run.name,
            name,
            held.certificate_id,
            held.issued.isoformat(),
            "none" if held.expires is None else held.expires.isoformat(),
            "EXPIRED" if held.expired else "in date",
        )
        for run in runs
        for name, held in run.provenance.description.certificates.items()
    )
    if not rows:
        return Text("No certificate is in the run: values carry what was stated with them.")
    heads = ("run", "certificate", "number", "issued", "last day", "on the day of the run")
    return TextTable(heads, rows)


def _standings(runs: Sequence[LoadedRun]) -> list[Block]:
    """Whose each certificate is, whether its figures follow, who issued it; what that proves."""
    blocks: list[Block] = [
        Text(
            f"{run.name}: certificate {name}: {'; '.join(finding.words for finding in found)}."
        )
        for run in runs
        for name, found in run.provenance.standings.items()
    ]
    return [*blocks, Text(PROVES, "small")] if blocks else []


def _instruments(run: LoadedRun) -> str:
    held, clock = run.instruments, run.provenance.description.clock
    by_route = (
        ""
        if held.wheel_scale == 1.0
        else (f", corrected by the route's factor {held.wheel_scale:.5f}")
    )
    return f"{run.name}: {_zero(run)}, {_rolling(run)}{by_route}; {utc_words(clock)}."


def _time_cautions(run: LoadedRun) -> list[Block]:
    """What contradicts the time of a run: witnesses of UTC, clocks of devices."""
    clock = run.provenance.description.clock
    told = list(clock.ticks)
    if clock.contradicted:
        told += clock.witnesses
    if clock.simulated_speed is not None:
        told.append("time was simulated: no instant of this run was one of a real day")
    return [Text(f"{run.name}: {words}.", "small") for words in told]


def _zero(run: LoadedRun) -> str:
    if not np.isfinite(run.series.pull_kN).any():
        return "no pull"
    return f"zero ± {plain(run.instruments.zero_u_kN, 2)} kN (standard)"


def _rolling(run: LoadedRun) -> str:
    if not np.isfinite(run.series.speed_m_s).any():
        return "no distance or speed"
    return f"distance and speed ± {100 * run.instruments.wheel_rel_u:.3f} % (standard)"


def _placing(run: LoadedRun) -> str:
    placement, route = run.provenance.placement, run.route
    if placement is None or route is None:
        return f"{run.name}: not placed on a route."
    used = sum(m.status is MarkUse.USED for m in placement.marks)
    return (
        f"{run.name}: placed on {Path(route.source).name} to"
        f" ± {placement.greatest_u95_m:.1f} m or better (95 %) by {used} milepost"
        f" mark{'s' * (used != 1)}"
        f" ({len(placement.marks) - used} doubted, {len(placement.skipped)} posts without one) and"
        f" {placement.gnss_used} GNSS fixes; wheel {placement.scale:.5f}"
        f" ± {2 * placement.u_scale:.5f} of its certificate."
    )


def reproduction_section(runs: Sequence[LoadedRun]) -> list[Block]:
    """Digests, versions and sheets."""
    rows = tuple((r.name, r.run_id, r.provenance.header.software) for r in runs)
    digests = ((r.name, r.provenance.description.digest) for r in runs)
    blocks: list[Block] = [
        Heading("How to get every figure again"),
        Text(
            "The run files hold raw counts, certificates, sheets and route in full. The same run"
            " files, settings (in results.json) and version give the same figures:"
        ),
        TextTable(("run", "identity", "recorded by"), rows),
        *(Text(f"{name}: {held or 'not sealed: no digest'}", "code") for name, held in digests),
        Text(f"Worked with Python {platform.python_version()}.", "small"),
    ]
    headers = [(r.name, r.provenance.header) for r in runs]
    blocks += _sheets("Trip sheet", [(name, h.trip_sheet) for name, h in headers])
    return blocks + _sheets("Car sheet", [(name, h.car_sheet) for name, h in headers])


def _sheets(what: str, texts: Sequence[tuple[str, str]]) -> list[Block]:
    """Each sheet in full, once for all runs that share it."""
    held: dict[str, list[str]] = {}
    for name, text in texts:
        held.setdefault(text.strip(), []).append(name)
    blocks: list[Block] = []
    for text, names in held.items():
        if text:
            blocks += [Heading(f"{what} of {', '.join(names)}", 2), Text(text, "code")]
    return blocks

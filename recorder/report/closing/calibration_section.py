"""Zeros and shunt checks of the trial, its clock, and how runs were placed on the route."""

from __future__ import annotations

from collections.abc import Sequence
from pathlib import Path
from typing import TYPE_CHECKING

import numpy as np

from calibration.quantities.sentence import amount, say
from calibration.quantities.written import many
from recorder.report.closing.field_checks_section import field_checks_section
from recorder.report.pages.document import Block, Heading, Text, plain
from recorder.report.pages.wording import utc_words
from recorder.track.placing.placement import MarkUse

if TYPE_CHECKING:
    from recorder.analysis.campaign.loaded_run import LoadedRun
    from recorder.report.section_parts.naming import Naming
    from recorder.track.route.route import Route

__all__ = ["calibration_section"]


def calibration_section(runs: Sequence[LoadedRun], naming: Naming) -> list[Block]:
    """Zeros, clock and placing of each run."""
    blocks: list[Block] = [Heading("Checks in the field, clock and place", 2)]
    held = [(naming.letter(run.name), run.provenance.field_checks) for run in runs]
    blocks += field_checks_section(held, naming.units)
    for run in runs:
        told = [_instruments(run, naming), *_time_cautions(run), _placing(run, naming)]
        called = f"Run {naming.letter(run.name)}"
        blocks += [Text(f"{called}: {words}", "small") for words in told]
    return blocks


def _instruments(run: LoadedRun, naming: Naming) -> str:
    held, clock = run.instruments, run.provenance.description.clock
    by_route = (
        ""
        if held.wheel_scale == 1.0
        else (f", corrected by the route's factor {held.wheel_scale:.5f}")
    )
    return f"{_zero(run, naming)}; {_rolling(run)}{by_route}; {utc_words(clock)}."


def _time_cautions(run: LoadedRun) -> list[str]:
    """What contradicts the time of a run: witnesses of UTC, clocks of devices."""
    clock = run.provenance.description.clock
    told = list(clock.ticks)
    if clock.contradicted:
        told += clock.witnesses
    if clock.simulated_speed is not None:
        told.append("time was simulated: no instant of this run was one of a real day")
    return [f"{words}." for words in told]


def _zero(run: LoadedRun, naming: Naming) -> str:
    if not np.isfinite(run.series.pull_kN).any():
        return "no pull was measured"
    units = naming.units
    if run.instruments.zero_u_kN == 0.0:
        return "no zero was taken, and none is asked for: the values came with their own"
    u = plain(run.instruments.zero_u_kN * units.factor("kN"), 2)
    return f"the zero is uncertain by {u} {units.label('kN')} (standard uncertainty)"


def _rolling(run: LoadedRun) -> str:
    if not np.isfinite(run.series.speed_m_s).any():
        return "no distance or speed was measured"
    share = 100 * run.instruments.wheel_rel_u
    return f"distance and speed by {share:.3f} % (standard uncertainty)"


def _named(route: Route) -> str:
    """The file's name; the one kept in the run has none of its own."""
    kept = ": " in route.source
    return "the route kept in the run" if kept else f"the route {Path(route.source).name}"


def _placing(run: LoadedRun, naming: Naming) -> str:
    placement, route = run.provenance.placement, run.route
    if placement is None or route is None:
        return "not placed on a route."
    used = sum(m.status is MarkUse.USED for m in placement.marks)
    doubted = len(placement.marks) - used
    told = say(
        f"placed on {_named(route)} to ± ",
        amount(placement.greatest_u95_m, "m", 1),
        f" or better (95 %) by {many(used, 'mark')} of mileposts ({doubted} more doubted,"
        f" {many(len(placement.skipped), 'post')} passed without one) and"
        f" {many(placement.gnss_used, 'fix').replace('fixs', 'fixes')} of the receiver; the wheel"
        f" is {placement.scale:.5f} ± {2 * placement.u_scale:.5f} (95 %) of its certificate.",
    )
    return naming.units.words(told)

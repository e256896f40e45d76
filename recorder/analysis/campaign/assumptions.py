"""What no instrument of a run measured: stated in the trip sheet, or assumed, with its value."""

from __future__ import annotations

import math
from dataclasses import dataclass
from typing import TYPE_CHECKING, Final

from calibration.quantities.sentence import amount, say
from recorder.analysis.series.series import GradeSource
from recorder.analysis.series.train import Side
from recorder.analysis.uncertainty.wander import usual_wander

if TYPE_CHECKING:
    from recorder.analysis.campaign.loaded_run import LoadedRun

__all__ = ["Assumption", "assumptions_of"]

STATED: Final = "trip sheet"
FROM_EXPERIENCE: Final = "chosen from experience; no publication stands behind it"
AREA: Final = (
    "0.8 lb per short ton per degree, by the American Railway Engineering Association; from memory,"
    " its manual was not at hand"
)
FITTED: Final = "fitted to the mileposts keyed on this run"


_GRADE: Final = {
    GradeSource.ROUTE: "as the route has it",
    GradeSource.CHANNEL: "as recorded",
    GradeSource.MARKS: "as keyed",
    GradeSource.UNKNOWN: "not known",
}


@dataclass(frozen=True, slots=True, kw_only=True)
class Assumption:
    """One value that figures rest on, and how far it may be out."""

    what: str
    value: str
    """With its unit."""
    u: str
    """Its standard uncertainty, with unit."""
    stated: bool
    """In the trip sheet; else it is assumed."""
    source: str
    """Where the value is from; of what is stated in part, where the uncertainty is from."""


def assumptions_of(run: LoadedRun) -> tuple[Assumption, ...]:
    """Masses, rotary allowances, the line, the crew's reaction, and a wander of the pull that the
    run could not show; of one run.
    """
    out = [made for side in Side for made in _vehicles(run, side)]
    out += _line(run)
    late, u_late = run.reaction
    placed = run.provenance.placement is not None
    out.append(
        Assumption(
            what="lateness of the crew's keys",
            value=say(amount(late, "s", digits=2)),
            u=say(amount(u_late, "s", digits=2)),
            stated=False,
            source=FITTED if placed else FROM_EXPERIENCE,
        )
    )
    if run.wander is usual_wander():
        out.append(
            Assumption(
                what="slow wander of the pull, which nothing judged could show",
                value="none",
                u=f"{100 * run.wander.sd:.2g} % for seconds to minutes",
                stated=False,
                source=FROM_EXPERIENCE,
            )
        )
    return tuple(out)


def _vehicles(run: LoadedRun, side: Side) -> list[Assumption]:
    """Mass and rotary allowance of one side of the coupler."""
    train = run.train
    held, owner = train.vehicles(side), train.owner(side)
    known = held.mass_t is not None
    mass_t = held.mass_t if held.mass_t is not None else math.nan
    return [
        Assumption(
            what=say("mass of the ", owner),
            value=say(amount(mass_t, "t", 1)) if known else "not stated",
            u=say(amount(mass_t * train.mass_rel_u(side), "t", digits=2)) if known else "—",
            stated=held.mass_rel_u is not None,
            source=_source(stated=held.mass_rel_u is not None, value=known),
        ),
        Assumption(
            what=say("rotary allowance of the ", owner),
            value=f"{held.rotary:.3g} of the mass",
            u=f"{train.rotary_u(side):.2g}",
            stated=held.rotary_u is not None,
            source=_source(stated=held.rotary_u is not None, value=_rotary_stated(run, side)),
        ),
    ]


def _rotary_stated(run: LoadedRun, side: Side) -> bool:
    if run.trip is None:
        return False
    sheet = run.trip
    held = sheet.locomotive if side is Side.LOCOMOTIVE else sheet.consist
    return held.rotary_allowance is not None


def _line(run: LoadedRun) -> list[Assumption]:
    """Slope and curve resistance."""
    assumed = run.train.assumed
    line = None if run.trip is None else run.trip.route
    by_route = _GRADE[run.series.grade_source]
    local = line is not None and line.u_grade_pct is not None
    common = line is not None and line.u_grade_common_pct is not None
    curve = line is not None and line.u_curve_pct is not None
    radius = assumed.curve_N_per_kN_m
    return [
        Assumption(
            what=say("slope, over each ", amount(assumed.grade_length_m, "m", 0)),
            value=by_route,
            u=f"{100 * assumed.grade:.2g} %",
            stated=local,
            source=_source(stated=local, value=False),
        ),
        Assumption(
            what="slope, of the whole line alike",
            value=by_route,
            u=f"{100 * assumed.grade_common:.2g} %",
            stated=common,
            source=_source(stated=common, value=False),
        ),
        Assumption(
            what="curve resistance",
            value=say("of the weight: ", amount(radius / 1000.0, "m", 3), " over the radius"),
            u=f"{100 * assumed.curve_rel:.2g} % of it",
            stated=curve,
            source=f"value: {AREA}; uncertainty: {STATED if curve else FROM_EXPERIENCE}",
        ),
    ]


def _source(*, stated: bool, value: bool) -> str:
    if stated:
        return STATED
    return f"value: {STATED}; uncertainty: {FROM_EXPERIENCE}" if value else FROM_EXPERIENCE

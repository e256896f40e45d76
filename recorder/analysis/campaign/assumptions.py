"""What no instrument of a run measured: stated in the trip sheet, or assumed, with its value."""

from __future__ import annotations

import math
from dataclasses import dataclass
from typing import TYPE_CHECKING, Final

from calibration.quantities.sentence import amount, say
from recorder.analysis.series.train import Side
from recorder.analysis.uncertainty.wander import usual_wander

if TYPE_CHECKING:
    from recorder.analysis.campaign.loaded_run import LoadedRun

__all__ = ["SOURCES", "Assumption", "assumptions_of"]

STATED: Final = "trip sheet"
EXPERIENCE: Final = "experience"
AREA: Final = "0.8 lb rule"
FITTED: Final = "mileposts keyed"
SOURCES: Final = (
    "Experience: chosen by us from experience; no publication stands behind it. The 0.8 lb rule:"
    " 0.8 lb of resistance per short ton for each degree of curve (American Railway Engineering"
    " Association; from memory, its manual was not at hand). Mileposts keyed: fitted to those of"
    " this run. The route: its own table."
)


@dataclass(frozen=True, slots=True, kw_only=True)
class Assumption:
    """One value that figures rest on, and how far it may be out."""

    what: str
    value: str
    """With its unit."""
    value_from: str
    u: str
    """Its standard uncertainty, with unit."""
    u_from: str
    """Where it is from: the trip sheet, or one of :data:`SOURCES`."""

    @property
    def stated(self) -> bool:
        """Whether the trip sheet states how far it may be out; else that is assumed."""
        return self.u_from == STATED


def assumptions_of(run: LoadedRun) -> tuple[Assumption, ...]:
    """Masses, rotary allowances, the line, the crew's reaction, and a wander of the pull that the
    run could not show; of one run.
    """
    out = [made for side in Side for made in _vehicles(run, side)]
    out += _line(run)
    late, u_late = run.reaction
    by = EXPERIENCE if run.provenance.placement is None else FITTED
    out.append(
        Assumption(
            what="lateness of the crew's keys",
            value=say(amount(late, "s", digits=2)),
            value_from=by,
            u=say(amount(u_late, "s", digits=2)),
            u_from=by,
        )
    )
    if run.wander is usual_wander():
        out.append(
            Assumption(
                what="slow wander of the pull, which nothing judged could show",
                value="0 %",
                value_from=EXPERIENCE,
                u=f"{100 * run.wander.sd:.2g} % for seconds to minutes",
                u_from=EXPERIENCE,
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
            value_from=STATED if known else "—",
            u=say(amount(mass_t * train.mass_rel_u(side), "t", digits=2)) if known else "—",
            u_from=STATED if held.mass_rel_u is not None else EXPERIENCE,
        ),
        Assumption(
            what=say("rotary allowance of the ", owner),
            value=f"{held.rotary:.3g} of the mass",
            value_from=STATED if _rotary_stated(run, side) else EXPERIENCE,
            u=f"{train.rotary_u(side):.2g}",
            u_from=STATED if held.rotary_u is not None else EXPERIENCE,
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
    stated = [
        line is not None and held is not None
        for held in (
            (line.u_grade_pct, line.u_grade_common_pct, line.u_curve_pct)
            if line is not None
            else (None, None, None)
        )
    ]
    local, common, curve = (STATED if held else EXPERIENCE for held in stated)
    by = run.series.grade_source.words
    radius = amount(assumed.curve_N_per_kN_m / 1000.0, "m", 3)
    return [
        Assumption(
            what=say("slope, over each ", amount(assumed.grade_length_m, "m", 0)),
            value="as it changes",
            value_from=by,
            u=f"{100 * assumed.grade:.2g} %",
            u_from=local,
        ),
        Assumption(
            what="slope, of the whole line alike",
            value="as it changes",
            value_from=by,
            u=f"{100 * assumed.grade_common:.2g} %",
            u_from=common,
        ),
        Assumption(
            what="curve resistance, of the weight",
            value=say(radius, " over the radius"),
            value_from=AREA,
            u=f"{100 * assumed.curve_rel:.2g} % of it",
            u_from=curve,
        ),
    ]

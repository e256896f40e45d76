"""What no instrument of a run measured: stated in the trip sheet, or assumed."""

from __future__ import annotations

from dataclasses import dataclass
from typing import TYPE_CHECKING

from recorder.analysis.series.train import Side
from recorder.analysis.uncertainty.wander import usual_wander

if TYPE_CHECKING:
    from recorder.analysis.campaign.loaded_run import LoadedRun

__all__ = ["Assumption", "assumptions_of"]

PRACTICE = "common practice"


@dataclass(frozen=True, slots=True, kw_only=True)
class Assumption:
    """One standard uncertainty that figures rest on."""

    what: str
    value: str
    """With its unit."""
    stated: bool
    """In the trip sheet; else it is assumed."""
    source: str


def assumptions_of(run: LoadedRun) -> tuple[Assumption, ...]:
    """Masses, rotary allowances, the line, the crew's reaction, and a wander of the pull that the
    run could not show; of one run.
    """
    train = run.train
    line = None if run.trip is None else run.trip.route
    out = []
    for side in Side:
        vehicles = train.vehicles(side)
        mass = vehicles.mass_rel_u is not None
        rotary = vehicles.rotary_u is not None
        share = f"{100 * train.mass_rel_u(side):.2g} %"
        out.append(_made(f"mass of {train.owner(side)}", share, stated=mass))
        held = f"{train.rotary_u(side):.2g} of {vehicles.rotary:.2g}"
        out.append(_made(f"rotary allowance of {train.owner(side)}", held, stated=rotary))
    assumed = train.assumed
    out += [
        _made(
            f"slope over {assumed.grade_length_m:.0f} m",
            f"{100 * assumed.grade:.2g} %",
            stated=line is not None and line.u_grade_pct is not None,
        ),
        _made(
            "slope of the whole line",
            f"{100 * assumed.grade_common:.2g} %",
            stated=line is not None and line.u_grade_common_pct is not None,
        ),
        _made(
            "curve resistance",
            f"{100 * assumed.curve_rel:.2g} %",
            stated=line is not None and line.u_curve_pct is not None,
        ),
        _made(
            "lateness of the crew's keys",
            f"{run.reaction[1]:.2g} s about {run.reaction[0]:.2g} s",
            stated=False,
        ),
    ]
    if run.wander is usual_wander():
        share = f"{100 * run.wander.sd:.2g} % for seconds to minutes"
        out.append(_made("slow wander of the pull (nothing was judged)", share, stated=False))
    return tuple(out)


def _made(what: str, value: str, *, stated: bool) -> Assumption:
    return Assumption(
        what=what, value=value, stated=stated, source="trip sheet" if stated else PRACTICE
    )

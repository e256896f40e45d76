"""Every stretch asked every question: admitted, or refused with the reason.

The one place where it is decided whether a stretch is judged. No stretch is left out, and no
criterion is skipped once one has refused: the reader sees them all.
"""

from __future__ import annotations

import math
from collections.abc import Sequence
from dataclasses import dataclass, replace
from typing import TYPE_CHECKING, Final

import numpy as np

from recorder.analysis.admission import balance, driving, surroundings
from recorder.analysis.admission.instruments import channel_criterion, wheel_criterion
from recorder.analysis.admission.outlying import (
    SIGMAS,
    below_beside,
    outlying_criteria,
    relative_u,
)
from recorder.analysis.admission.own_pull import (
    OwnPull,
    own_pull_criterion,
    own_pulls,
    windows_of,
)
from recorder.analysis.admission.throttle import (
    Trust,
    Watch,
    throttle_criteria,
    trust_of,
    watch_of,
)
from recorder.analysis.stretches.admission_record import Admission, Criterion, CriterionKind
from recorder.analysis.stretches.handling import (
    ThrottleWord,
    brake_on,
    changes_s,
    throttle_words,
)
from recorder.analysis.stretches.specification import Specification
from recorder.analysis.stretches.stretch_results import StretchResult
from recorder.run.checks.motion import MOVES_M_S

if TYPE_CHECKING:
    from numpy.typing import NDArray

    from recorder.analysis.stretches.stretch import Stretch
    from recorder.analysis.uncertainty.run_basis import RunBasis
    from recorder.sheets import TripSheet

__all__ = ["admit"]

UNSPECIFIED: Final = Specification(name="", speed_m_s=(), pull_kN=())


@dataclass(frozen=True, slots=True, kw_only=True)
class _Run:
    """What the criteria of a run share."""

    run: RunBasis
    specification: Specification
    trip: TripSheet | None
    words: list[ThrottleWord]
    changes: list[float]
    starts: list[float]
    braked: NDArray[np.bool_]


def admit(
    run: RunBasis,
    results: Sequence[StretchResult],
    specification: Specification | None,
    trip: TripSheet | None = None,
) -> list[StretchResult]:
    """The stretches with what was asked of each.

    Without a specification nothing is judged, but what a stretch may be shown for is asked all
    the same, with the default limits.
    """
    specification = specification or UNSPECIFIED
    specification = specification.with_marks([w.setting for w in throttle_words(run.marks)])
    held = _shared(run, specification, trip)
    watches = [watch_of(held.words, r.stretch) for r in results]
    asked = [_alone(held, r, w) for r, w in zip(results, watches, strict=True)]
    trusts = [trust_of(held.words, w) for w in watches]
    able = [_shows_ability(criteria) for criteria in asked]
    below = below_beside(results, able)
    pulls = [
        _borne_out(pull, result, float(short), specification)
        for pull, result, short in zip(
            _own_pulls(held, results, trusts, able), results, below, strict=True
        )
    ]
    asked = [
        (*criteria, *_in_time(held, r, pull))
        for r, criteria, pull in zip(results, asked, pulls, strict=True)
    ]
    admitted = [Admission(criteria=criteria).admitted for criteria in asked]
    shown = [all(c.kind is not CriterionKind.CONFIRMED for c in criteria) for criteria in asked]
    own_pct = specification.admission.own_pull_pct
    witnesses = outlying_criteria(results, trusts, admitted, shown, below, own_pct)
    return [
        replace(r, admission=Admission(criteria=(*criteria, witness)))
        for r, criteria, witness in zip(results, asked, witnesses, strict=True)
    ]


def _shared(run: RunBasis, specification: Specification, trip: TripSheet | None) -> _Run:
    series, marks = run.series, sorted(run.marks, key=lambda m: m.t_s)
    moving = np.abs(np.nan_to_num(series.speed_m_s)) >= MOVES_M_S
    started = np.flatnonzero(np.diff(moving.astype(np.int8), prepend=0) > 0)
    return _Run(
        run=run,
        specification=specification,
        trip=trip,
        words=throttle_words(marks),
        changes=changes_s(marks),
        starts=[float(t) for t in series.t_s[started]],
        braked=brake_on(series, marks),
    )


def _borne_out(
    pull: OwnPull, result: StretchResult, below: float, specification: Specification
) -> OwnPull:
    """A stretch whose mark is doubted, but that pulls what was shown at the speeds beside it."""
    most = max(specification.admission.own_pull_pct / 100.0, SIGMAS * relative_u(result))
    return replace(pull, doubted=False) if pull.doubted and below <= most else pull


def _in_time(held: _Run, result: StretchResult, pull: OwnPull) -> tuple[Criterion, ...]:
    """What is asked of the pull's course in time, here and elsewhere in the run."""
    agrees = math.isfinite(pull.short) and not pull.contradicted and not pull.doubted
    trend = balance.trend_criterion(held.run, result, held.specification, borne_out=agrees)
    return trend, own_pull_criterion(pull)


def _alone(held: _Run, result: StretchResult, watch: Watch) -> tuple[Criterion, ...]:
    """What can be asked of a stretch by itself."""
    run, spec, stretch = held.run, held.specification, result.stretch
    series, marks, limits = run.series, run.marks, spec.admission
    found: list[Criterion | None] = [
        balance.specified_criterion(result, spec),
        *throttle_criteria(series, stretch, watch, spec),
        driving.cut_off_criterion(stretch, marks, watch.setting, limits),
        driving.brake_criterion(stretch, held.braked),
        driving.settled_criterion(stretch, held.changes, held.starts, limits),
        balance.length_criterion(result, limits),
        driving.limit_criterion(series, stretch, held.words, spec),
        channel_criterion(series, stretch),
        wheel_criterion(run, stretch, limits),
        driving.slip_criterion(stretch, marks),
        driving.sand_criterion(stretch, marks, limits),
        balance.adhesion_criterion(run, stretch, limits),
        balance.acceleration_criterion(run, stretch, limits),
        surroundings.steam_criterion(stretch, series, marks, held.trip, limits),
        surroundings.fire_criterion(stretch, marks, held.trip),
        surroundings.derating_criterion(stretch, marks, held.trip),
        surroundings.wind_criterion(stretch, marks, limits),
        surroundings.rail_criterion(stretch, marks, limits),
        _crew(stretch),
    ]
    return tuple(c for c in found if c is not None)


def _crew(stretch: Stretch) -> Criterion:
    return Criterion(
        kind=CriterionKind.CREW,
        value=f"struck out: {stretch.struck}" if stretch.struck else "stands",
        limit="not struck out",
        passed=not stretch.struck,
        reason=f"struck out by the crew: {stretch.struck}",
    )


_QUIET = frozenset({
    CriterionKind.BRAKE, CriterionKind.SETTLED, CriterionKind.CHANNEL, CriterionKind.SLIP,
    CriterionKind.SPECIFIED, CriterionKind.CREW,
})  # fmt: skip
"""What must hold for a stretch's pull to be evidence of what the locomotive can do."""


def _shows_ability(criteria: Sequence[Criterion]) -> bool:
    """Whether a stretch's pull is evidence of what the locomotive can do."""
    return not any(c.refuses for c in criteria if c.kind in _QUIET)


def _own_pulls(
    held: _Run,
    results: Sequence[StretchResult],
    trusts: Sequence[Trust],
    able: Sequence[bool],
) -> list[OwnPull]:
    if not held.specification.speed_m_s:
        return [OwnPull(math.nan, math.nan, math.nan)] * len(results)
    fit = np.zeros(len(held.run.series), bool)
    for result, shows in zip(results, able, strict=True):
        if shows:
            fit[result.stretch.span] = True
    windows = windows_of(held.run, held.specification, fit)
    least = held.specification.admission.own_pull_pct / 100.0
    return own_pulls(windows, [r.stretch for r in results], trusts, least)

"""The whole answer of one run or of a campaign: every figure the report prints."""

from __future__ import annotations

from collections.abc import Mapping, Sequence
from dataclasses import dataclass, field, replace
from functools import partial
from pathlib import Path
from typing import TYPE_CHECKING, Final

import numpy as np

from calibration.quantities.constants import KM_H_PER_M_S
from calibration.quantities.sentence import between, say
from recorder.analysis.campaign.campaign_rating import CampaignRating, rate_campaign
from recorder.analysis.campaign.campaign_resistance import (
    CampaignResistance,
    balance_fit,
    resistance_of,
)
from recorder.analysis.campaign.crew_edits import edits_for, keep_edits
from recorder.analysis.campaign.doubt_answers import keep_answers, with_answers
from recorder.analysis.campaign.loading import load_runs
from recorder.analysis.campaign.run_answer import RunAnswer, answer_run
from recorder.analysis.campaign.unmade import Unmade, attempt
from recorder.analysis.dynamics.energy import balance_energy
from recorder.analysis.dynamics.stops_and_starts import starting_effort
from recorder.analysis.series.corrections import Switches
from recorder.analysis.specification.bands import Band, speed_bands, weight_of
from recorder.analysis.specification.conditions import (
    Conditions,
    conditions_of,
    in_view_of_conditions,
)
from recorder.analysis.specification.monte_carlo import (
    Simulated,
    simulate_margin,
    stretch_inputs,
)
from recorder.analysis.specification.overall import (
    Overall,
    in_view_of_counts,
    in_view_of_doubts,
    judge_all,
)
from recorder.analysis.specification.verdicts import StartingVerdict, Verdict, judge_starting
from recorder.analysis.specification.withheld import (
    withheld_bands,
    withheld_conditions,
    withheld_starting,
)
from recorder.analysis.stretches.specification import Specification
from recorder.analysis.stretches.stretch_edits import StretchEdit
from recorder.analysis.uncertainty.measured import Measured, pooled

if TYPE_CHECKING:
    from recorder.analysis.campaign.loaded_run import LoadedRun
    from recorder.analysis.plausibility.doubt import DoubtKind
    from recorder.run.parts.progress import Progress
    from recorder.sheets import TripSheet

__all__ = ["AnswerSettings", "CampaignAnswer", "answer", "answer_files"]


NO_RESISTANCE: Final = CampaignResistance(fit=None, observations=())


@dataclass(frozen=True, slots=True, kw_only=True)
class AnswerSettings:
    """How the answer is worked; printed with it."""

    band_m_s: float = 10.0 / KM_H_PER_M_S
    switches: Switches = field(default_factory=Switches)
    weather: str = "fair"
    minimum_speed_m_s: float | None = None
    """For the tonnage rating; by default the slowest band that was measured."""
    edits: tuple[StretchEdit, ...] = ()


@dataclass(frozen=True, slots=True, kw_only=True)
class CampaignAnswer:
    """The campaign's answer."""

    settings: AnswerSettings
    runs: tuple[RunAnswer, ...]
    specification: Specification | None
    """Of the first run that has one."""
    bands: tuple[Band, ...]
    overall: Overall
    conditions: Conditions
    """Verdicts by run and by rail, and whether the runs agree."""
    starting: Measured | None
    starting_verdict: StartingVerdict
    resistance: CampaignResistance
    rating: CampaignRating
    simulated: Simulated | None
    """Monte Carlo of the mean margin, beside the one by propagation."""
    propagated_margin_kN: Measured | None
    notes: tuple[str, ...]
    unmade: tuple[Unmade, ...] = ()
    """What could not be made; the rest stands."""

    @property
    def trip(self) -> TripSheet | None:
        """Of the first run that has one."""
        return next((r.loaded.trip for r in self.runs if r.loaded.trip is not None), None)

    @property
    def starting_limit_kN(self) -> float | None:
        """The specified starting pull."""
        return None if self.specification is None else self.specification.starting_pull_kN


def answer_files(
    paths: Sequence[Path],
    settings: AnswerSettings,
    *,
    trip: TripSheet | None = None,
    route: Path | None = None,
    edits: tuple[StretchEdit, ...] | None = None,
    answers: Mapping[DoubtKind, str] | None = None,
    by: str = "",
    progress: Progress | None = None,
) -> CampaignAnswer:
    """Load run files and work the whole answer.

    Parameters
    ----------
    trip, route : replace the runs' own.
    edits : stretch edits, kept beside their runs once they have been used; ``None`` uses those
        kept there.
    answers : to doubts of any of the runs, kept beside them with those kept so far.
    by : who edits and answers.

    Raises
    ------
    ValueError, OSError
        A run, sheet, route, edit or setting that cannot be used; one line.
    """
    runs = load_runs(
        paths,
        trip=trip,
        route=route,
        switches=settings.switches,
        kept=edits is None,
        progress=progress,
    )
    _refuse_twice(runs)
    runs = [with_answers(run, answers or {}) for run in runs]
    if progress is not None:
        progress(1.0, "working the answer")
    chosen = edits_for(runs, edits)
    worked = answer(runs, replace(settings, edits=chosen))
    if edits is not None:
        keep_edits(runs, chosen, by=by)
    if answers:
        keep_answers(runs, by=by)
    return worked


def answer(runs: Sequence[LoadedRun], settings: AnswerSettings) -> CampaignAnswer:
    """Work the whole answer of loaded runs.

    Raises
    ------
    ValueError
        No runs, runs loaded with other corrections than the settings', or an edit that cannot
        be done.
    """
    _check(runs, settings)
    notes, unmade = list[str](), list[Unmade]()
    doubts = [d for run in runs for d in run.doubts]
    worked = [answer_run(run, [e for e in settings.edits if e.run == run.name]) for run in runs]
    resistance = attempt(
        "the train resistance", lambda: resistance_of(worked, notes), NO_RESISTANCE, unmade
    )
    worked = [_closed(run, resistance, unmade) for run in worked]
    results = [r for run in worked for r in run.results]
    spec = next((run.specification for run in runs if run.specification), None)
    bands = speed_bands(results, settings.band_m_s, spec)
    conditions = conditions_of(results, settings.band_m_s)
    notes += [conditions.homogeneity.in_words] * conditions.parted
    limit_kN = spec.starting_pull_kN if spec else None
    starting = starting_effort([s for run in worked for s in run.starts])
    shown = withheld_bands(bands, doubts)
    rating = _rated(runs[0], shown, resistance, settings, notes, unmade)
    notes += [_not_closed(r) for r in worked if r.energy_balance.closes is False]
    checked = _checked(worked, unmade)
    apart = _disagreeing(worked, checked)
    notes += apart
    return CampaignAnswer(
        settings=settings,
        runs=tuple(worked),
        specification=spec,
        bands=shown,
        overall=_overall(runs, judge_all(bands, starting, spec), conditions, apart),
        conditions=withheld_conditions(conditions, {r.name: r.doubts for r in runs}),
        starting=starting,
        starting_verdict=withheld_starting(judge_starting(starting, limit_kN), doubts),
        resistance=resistance,
        rating=rating,
        simulated=checked[0][0],
        propagated_margin_kN=checked[0][1],
        notes=tuple(dict.fromkeys([n for r in worked for n in r.notes] + notes)),
        unmade=tuple(unmade),
    )


def _rated(
    run: LoadedRun,
    bands: Sequence[Band],
    resistance: CampaignResistance,
    settings: AnswerSettings,
    notes: list[str],
    unmade: list[Unmade],
) -> CampaignRating:
    return attempt(
        "the tonnage rating",
        lambda: rate_campaign(
            run,
            bands,
            resistance.fit,
            notes,
            minimum_speed_m_s=settings.minimum_speed_m_s,
            weather=settings.weather,
        ),
        CampaignRating(),
        unmade,
    )


def _checked(
    worked: Sequence[RunAnswer], unmade: list[Unmade]
) -> list[tuple[Simulated | None, Measured | None]]:
    nothing: tuple[Simulated | None, Measured | None] = (None, None)
    return [
        attempt(
            f"the Monte Carlo check of {run.loaded.name}",
            partial(_simulate, run),
            nothing,
            unmade,
        )
        for run in worked
    ]


def _overall(
    runs: Sequence[LoadedRun],
    judged: Overall,
    conditions: Conditions,
    apart: Sequence[str],
) -> Overall:
    """The one answer, if pull and speed were measured, the uncertainty holds, runs agree, and no
    doubt about a record stands.
    """
    judged = in_view_of_conditions(judged, conditions)
    if apart and judged.verdict in (Verdict.MEETS, Verdict.DOES_NOT_MEET):
        judged = Overall(verdict=Verdict.CANNOT_TELL, reasons=tuple(apart))
    judged = in_view_of_doubts(judged, [d for run in runs for d in run.doubts])
    return in_view_of_counts(judged, _in_counts(runs))


def _in_counts(runs: Sequence[LoadedRun]) -> list[str]:
    """Why no run has pull and speed at once, where they are in counts; empty where one has."""
    told: list[str] = []
    for run in runs:
        if np.isfinite(run.series.pull_kN * run.series.speed_m_s).any():
            return []
        told += run.provenance.header.unmeasured_motion
    return list(dict.fromkeys(told))


def _disagreeing(
    worked: Sequence[RunAnswer],
    checked: Sequence[tuple[Simulated | None, Measured | None]],
) -> list[str]:
    """Runs whose uncertainty by propagation the Monte Carlo check does not bear out."""
    return [
        say(
            f"{run.loaded.name}: Monte Carlo gives the mean margin ",
            between(found.low_kN, found.high_kN, "kN", 2, joined=" to "),
            ", the law of propagation ",
            between(
                held.value - held.expanded, held.value + held.expanded, "kN", 2, joined=" to "
            ),
            ": no verdict rests on either",
        )
        for run, (found, held) in zip(worked, checked, strict=True)
        if found is not None and held is not None and not found.agrees_with(held)
    ]


def _refuse_twice(runs: Sequence[LoadedRun]) -> None:
    """One run counted twice would make the answer look surer than it is."""
    seen: dict[str, LoadedRun] = {}
    for run in runs:
        first = seen.setdefault(run.run_id, run)
        if first is not run:
            one, other = first.provenance.path, run.provenance.path
            msg = f"{one} and {other} are the same run: give it once"
            raise ValueError(msg)


def _check(runs: Sequence[LoadedRun], settings: AnswerSettings) -> None:
    if not runs:
        msg = "an answer wants at least one run"
        raise ValueError(msg)
    for run in runs:
        if run.switches != settings.switches:
            msg = (
                f"{run.name} was loaded with the corrections {run.switches}, the answer is to be"
                f" worked with {settings.switches}: load it with these"
            )
            raise ValueError(msg)
    promised = {
        (s.speed_m_s, s.pull_kN, s.starting_pull_kN) for run in runs if (s := run.specification)
    }
    if len(promised) > 1:
        msg = (
            "the runs' trip sheets state different specifications: give one for all, as in"
            " testcar report RUN.h5 … --trip TRIP.toml"
        )
        raise ValueError(msg)
    names = [run.name for run in runs]
    for edit in settings.edits:
        if edit.run not in names:
            msg = (
                f"edit of a test section at {edit.t_start_s:.1f} s: run {edit.run!r} is not one of"
                f" {', '.join(names)}; state which in the column run"
            )
            raise ValueError(msg)


def _closed(run: RunAnswer, resistance: CampaignResistance, unmade: list[Unmade]) -> RunAnswer:
    """The run with its balance closed by a resistance fitted elsewhere, when there is one."""
    what = f"the energy balance of {run.loaded.name}"
    return attempt(what, partial(_balanced, run, resistance), run, unmade)


def _balanced(run: RunAnswer, resistance: CampaignResistance) -> RunAnswer:
    found = balance_fit(run, resistance)
    rolling = None if found.fit is None else found.fit.at
    balance = balance_energy(
        run.loaded, run.braked, rolling, found.fitted_on, no_rolling=found.why
    )
    return replace(run, energy_balance=balance)


def _not_closed(run: RunAnswer) -> str:
    return (
        f"{run.loaded.name}: the energy balance leaves more unaccounted for than its uncertainty:"
        " do not believe this run before the reason is found"
    )


def _simulate(run: RunAnswer) -> tuple[Simulated | None, Measured | None]:
    """Monte Carlo and propagation of the same weighted mean margin, for one run."""
    spec = run.loaded.specification
    judged = [(r, r.margin) for r in run.results if r.judged and r.margin is not None]
    if spec is None or not judged:
        return None, None
    weights = [weight_of(r) for r, _ in judged]
    if not any(weights):
        return None, None
    inputs = [
        stretch_inputs(run.loaded, r, w) for (r, _), w in zip(judged, weights, strict=True)
    ]
    propagated = pooled([margin for _, margin in judged], weights)
    return simulate_margin(inputs, run.loaded, spec), propagated

"""The whole answer of one run or of a campaign: every figure the report prints."""

from __future__ import annotations

import math
from collections.abc import Sequence
from dataclasses import dataclass, field, replace
from typing import TYPE_CHECKING, Final

import numpy as np

from recorder.analysis.campaign.campaign_rating import rate_campaign
from recorder.analysis.campaign.loading import LoadedRun
from recorder.analysis.dynamics.consumption import (
    AmountError,
    Consumption,
    consumption,
    evaporation,
)
from recorder.analysis.dynamics.energy import Ledger, ledger
from recorder.analysis.dynamics.resistance import ResistanceFit, fit_resistance
from recorder.analysis.dynamics.stops_and_starts import (
    Peak,
    Start,
    Stop,
    find_starts,
    find_stops,
    highest_mean,
    starting_effort,
)
from recorder.analysis.dynamics.tonnage import Rating
from recorder.analysis.series.corrections import Corrected, Switches, correct
from recorder.analysis.specification.monte_carlo import (
    Simulated,
    simulate_margin,
    stretch_inputs,
)
from recorder.analysis.specification.performance import (
    CANNOT_TELL,
    MEETS,
    Band,
    Overall,
    Specification,
    StretchResult,
    bands,
    measure_stretches,
    overall,
    untested,
    verdict,
)
from recorder.analysis.specification.steady_stretches import (
    UNFIT,
    Edit,
    Limits,
    Stretch,
    apply_edits,
    brake_on,
    find_steady,
)
from recorder.analysis.uncertainty.instrument_uncertainty import trailing_resistance
from recorder.analysis.uncertainty.measured import Measured
from recorder.marks.kinds import Kind

if TYPE_CHECKING:
    from numpy.typing import NDArray

__all__ = ["Answer", "RunAnswer", "Settings", "answer"]

PEAKS: Final = (("kN", 10.0), ("kW", 10.0), ("kW", 60.0), ("kW", 3600.0))
PIECE_S: Final = 20.0
GENTLE_M_S2: Final = 0.03
LEAST_GENTLE: Final = 20


@dataclass(frozen=True, slots=True, kw_only=True)
class Settings:
    """How the answer is worked; printed with it."""

    band_m_s: float = 10.0 / 3.6
    limits: Limits = field(default_factory=Limits)
    switches: Switches = field(default_factory=Switches)
    weather: str = "fair"
    least_speed_m_s: float | None = None
    """For the tonnage rating; by default the slowest band that was measured."""
    edits: tuple[Edit, ...] = ()


@dataclass(frozen=True, slots=True, kw_only=True)
class RunAnswer:
    """Figures of one run."""

    loaded: LoadedRun
    corrected: Corrected
    braked: NDArray[np.bool_]
    stretches: tuple[Stretch, ...]
    results: tuple[StretchResult, ...]
    ledger: Ledger
    peaks: tuple[Peak, ...]
    starts: tuple[Start, ...]
    stops: tuple[Stop, ...]
    fuel: Consumption | None
    water: Consumption | None
    evaporation: Measured | None
    pieces: tuple[tuple[float, float], ...]
    """(speed km/h, trailing resistance N/t) of the pieces the resistance is fitted to."""
    notes: tuple[str, ...]


@dataclass(frozen=True, slots=True, kw_only=True)
class Answer:
    """The campaign's answer."""

    settings: Settings
    runs: tuple[RunAnswer, ...]
    bands: tuple[Band, ...]
    overall: Overall
    starting: Measured | None
    starting_limit_kN: float | None
    starting_verdict: str
    resistance: ResistanceFit | None
    ratings: tuple[Rating, ...]
    balancing: tuple[tuple[float, Measured], ...]
    """(grade, speed held with the train of the first run)."""
    simulated: Simulated | None
    """Monte Carlo of the mean margin, beside the one by propagation."""
    propagated_margin_kN: Measured | None
    notes: tuple[str, ...]


def answer(runs: Sequence[LoadedRun], settings: Settings | None = None) -> Answer:
    """Work the whole answer.

    Raises
    ------
    ValueError
        No runs, or an edit that cannot be done.
    """
    if not runs:
        msg = "an answer wants at least one run"
        raise ValueError(msg)
    chosen = settings or Settings()
    _check_edits(runs, chosen.edits)
    notes: list[str] = []
    first = [_run(loaded, chosen) for loaded in runs]
    fit, first = _resistance(first, notes)
    done = [_with_rolling(r, fit) for r in first]
    results = [r for run in done for r in run.results]
    held = bands(results, chosen.band_m_s)
    starting = starting_effort([s for run in done for s in run.starts])
    spec = next((r.loaded.specification for r in done if r.loaded.specification), None)
    limit = spec.starting_pull_kN if spec else None
    ratings, balancing = rate_campaign(
        done[0].loaded,
        held,
        fit,
        notes,
        least_speed_m_s=chosen.least_speed_m_s,
        weather=chosen.weather,
    )
    notes += [
        f"{r.loaded.name}: the energy ledger does not close within its uncertainty: do not"
        " believe this run before the reason is found"
        for r in done
        if r.ledger.closes is False
    ]
    simulated, propagated = _simulate(done)
    return Answer(
        settings=chosen,
        runs=tuple(done),
        bands=tuple(held),
        overall=_overall(held, starting, spec),
        starting=starting,
        starting_limit_kN=limit,
        starting_verdict=_starting_verdict(starting, limit),
        resistance=fit,
        ratings=ratings,
        balancing=balancing,
        simulated=simulated,
        propagated_margin_kN=propagated,
        notes=tuple(dict.fromkeys([n for r in done for n in r.notes] + notes)),
    )


def _check_edits(runs: Sequence[LoadedRun], edits: Sequence[Edit]) -> None:
    names = [r.name for r in runs]
    for edit in edits:
        if edit.run not in ({"", *names} if len(names) == 1 else names):
            msg = (
                f"stretch edit at {edit.t_start_s:.1f} s: run {edit.run!r} is not one of"
                f" {', '.join(names)}; say which in the column run"
            )
            raise ValueError(msg)


def _run(loaded: LoadedRun, settings: Settings) -> RunAnswer:
    series, train, evidence = loaded.series, loaded.train, loaded.evidence
    corrected = correct(series, train, settings.switches)
    notes = list(loaded.notes)
    edits = [e for e in settings.edits if e.run in {"", loaded.name}]
    stretches = apply_edits(series, find_steady(series, settings.limits), edits)
    if train.locomotive_mass_t is None:
        notes.append("the locomotive's mass is not known: pull cannot be corrected")
    if train.trailing_mass_t is None:
        notes.append("the trailing mass is not known: no resistance per tonne, no ledger")
    if not stretches:
        notes.append(f"{loaded.name}: no steady stretch was found by the stated limits")
    results = measure_stretches(
        loaded.name, series, corrected, stretches, train, evidence, _with_points(loaded)
    )
    fuel, water = (_consumed(loaded, kind, notes) for kind in (Kind.FUEL, Kind.WATER))
    peaks = [
        highest_mean(
            series, series.pull_kN if unit == "kN" else series.power_kW, seconds, unit, evidence
        )
        for unit, seconds in PEAKS
    ]
    braked = brake_on(series, loaded.marks)
    return RunAnswer(
        loaded=loaded,
        corrected=corrected,
        braked=braked,
        stretches=tuple(stretches),
        results=tuple(results),
        ledger=ledger(series, corrected, train, evidence, None, braked),
        peaks=tuple(p for p in peaks if p is not None),
        starts=tuple(find_starts(series, evidence)),
        stops=tuple(find_stops(series, loaded.marks, evidence)),
        fuel=fuel,
        water=water,
        evaporation=evaporation(water, fuel) if fuel and water else None,
        pieces=(),
        notes=tuple(notes),
    )


def _with_points(loaded: LoadedRun) -> Specification | None:
    spec = loaded.specification
    return spec if spec is not None and spec.speed_m_s else None


def _consumed(loaded: LoadedRun, kind: Kind, notes: list[str]) -> Consumption | None:
    try:
        found = consumption(loaded.series, loaded.marks, kind, loaded.evidence)
    except AmountError as error:
        notes.append(str(error))
        return None
    if found is not None:
        notes.extend(found.assumed)
    return found


def _pieces(run: RunAnswer) -> tuple[list[float], list[Measured]]:
    """Speed (km/h) and trailing resistance (N/t) of even pieces of free running."""
    series, train = run.loaded.series, run.loaded.train
    mass = train.trailing_mass_t
    if mass is None:
        return [], []
    n = max(2, round(PIECE_S / series.step_s))
    speed = np.abs(series.speed_m_s)
    free = (
        np.isfinite(run.corrected.trailing_resistance_kN)
        & (speed > 1.0)
        & ~run.braked
        & (series.flags & UNFIT == 0)
    )
    starts = [i for i in range(0, len(series) - n + 1, n) if free[i : i + n].all()]

    def reach(held: list[int]) -> float:
        return float(np.ptp([speed[i] for i in held])) if held else 0.0

    gentle = [
        i for i in starts if abs(np.mean(series.acceleration_m_s2[i : i + n])) <= GENTLE_M_S2
    ]
    # Inertia is the least certain correction: pieces that need much of it are left out, when
    # enough others show nearly the whole range of speed.
    chosen = (
        gentle
        if len(gentle) >= LEAST_GENTLE and reach(gentle) >= 0.8 * reach(starts)
        else starts
    )
    speeds, seen = [], []
    for start in chosen:
        t = series.t_s[start]
        value = trailing_resistance(
            series,
            run.corrected,
            start,
            start + n,
            train,
            run.loaded.evidence,
            f"{run.loaded.name} piece at {t:.0f} s",
        )
        speeds.append(float(np.mean(speed[start : start + n])) * 3.6)
        seen.append(value.scaled(1000.0 / mass, "N/t"))
    return speeds, seen


def _resistance(
    runs: Sequence[RunAnswer], notes: list[str]
) -> tuple[ResistanceFit | None, list[RunAnswer]]:
    """The fit over all runs, and the runs with the pieces it was made from."""
    speeds: list[float] = []
    seen: list[Measured] = []
    with_pieces = []
    for run in runs:
        v: list[float] = []
        r: list[Measured] = []
        if run.loaded.series.grade_source == "unknown":
            notes.append(f"{run.loaded.name}: grade not known, so resistance is not fitted")
        else:
            v, r = _pieces(run)
        speeds += v
        seen += r
        shown = tuple(zip(v, (x.value for x in r), strict=True))
        with_pieces.append(replace(run, pieces=shown))
    why = ""
    for terms in ("ABC", "AC", "A") if seen else ():
        try:
            fit = fit_resistance(np.array(speeds), seen, terms=terms, non_negative=True)
        except ValueError as error:
            why = str(error)
        else:
            if why:
                notes.append(f"{why}; only {', '.join(terms)} were fitted")
            return fit, with_pieces
    if why:
        notes.append(why)
    return None, with_pieces


def _with_rolling(run: RunAnswer, fit: ResistanceFit | None) -> RunAnswer:
    if fit is None:
        return run
    return replace(
        run,
        ledger=ledger(
            run.loaded.series,
            run.corrected,
            run.loaded.train,
            run.loaded.evidence,
            fit.at,
            run.braked,
        ),
    )


def _starting_verdict(starting: Measured | None, limit: float | None) -> str:
    """A start shows that the pull is there; one that needed less does not show that it is not."""
    if limit is None:
        return "no starting pull specified"
    if starting is None:
        return "not tested: no start from rest in the run"
    margin = Measured(starting.value - limit, "kN", starting.parts, starting.dof)
    return MEETS if verdict(margin)[0] == MEETS else "not shown by these starts"


def _overall(
    held: Sequence[Band], starting: Measured | None, spec: Specification | None
) -> Overall:
    """Pull against speed, and what is to be said of the starting pull."""
    if spec is None:
        return Overall(verdict="no specification", reasons=("the trip sheet states none",))
    limit = spec.starting_pull_kN
    word = _starting_verdict(starting, limit)
    reason = () if limit is None else (f"starting pull: {word}",)
    if not spec.speed_m_s:
        return Overall(verdict=MEETS if word == MEETS else CANNOT_TELL, reasons=reason)
    running = overall(held)
    gaps = untested(held, spec)
    if gaps:
        told = ", ".join(f"{a * 3.6:.0f}-{b * 3.6:.0f}" for a, b in gaps)
        reason = (f"specified but not tested: {told} km/h", *reason)
    return replace(running, reasons=(*running.reasons, *reason))


def _simulate(runs: Sequence[RunAnswer]) -> tuple[Simulated | None, Measured | None]:
    """Monte Carlo and propagation of the same weighted mean margin, for the first run."""
    run = runs[0]
    spec = _with_points(run.loaded)
    judged = [r for r in run.results if r.margin is not None]
    if spec is None or not judged:
        return None, None
    inputs = [
        stretch_inputs(run.loaded.series, run.corrected, r.stretch, run.loaded.evidence)
        for r in judged
    ]
    simulated = simulate_margin(inputs, run.loaded.train, run.loaded.evidence, spec)
    total = math.fsum(i.weight for i in inputs)
    mean = judged[0].margin.scaled(inputs[0].weight / total) if judged[0].margin else None
    for item, result in zip(inputs[1:], judged[1:], strict=True):
        if mean is not None and result.margin is not None:
            mean = mean.plus(result.margin.scaled(item.weight / total))
    return simulated, mean

"""Verdicts and intervals of whole drawn trials against the truth they were drawn from.

A train of its own (``tests/campaigns/trial_train``, which knows nothing of ``simulated_feeds``
nor of the analysis) is ridden, measured and keyed, honestly or carelessly; its table, marks and
sheets go through the doors that crews use, and the answer is held against the truth::

    python tests/campaigns/verdict_coverage.py --runs 20 --json coverage.json
    python tests/campaigns/verdict_coverage.py --scenario eased-stepwise --seed 3 --explain

The first table counts verdicts by scenario and locomotive, the second how often each figure's
interval of 95 % held the truth. From Python: ``make_runs`` of ``trial_train.trial``, and here
``answer_made`` and ``try_one``.
"""

from __future__ import annotations

import argparse
import json
import multiprocessing
import sys
import tempfile
import traceback
from collections import Counter, defaultdict
from collections.abc import Sequence
from dataclasses import asdict, dataclass, field
from pathlib import Path

from recorder.analysis.campaign.answer import AnswerSettings, CampaignAnswer, answer_files
from recorder.analysis.specification.verdicts import Verdict
from recorder.sheets import load_trip_sheet
from tests.campaigns.trial_train.locomotive import Condition
from tests.campaigns.trial_train.scenarios import SCENARIOS
from tests.campaigns.trial_train.trial import MadeRun, make_runs
from tests.campaigns.trial_train.truth import Check, checks

__all__ = ["Tried", "answer_made", "try_one"]

ALL = (
    Condition.SPEC, Condition.STRONG, Condition.SHORT, Condition.WEAK_SMOOTH, Condition.WEAK_STEP,
)  # fmt: skip


@dataclass(frozen=True)
class Tried:
    """What came of one trial."""

    scenario: str
    condition: str
    seed: int
    verdict: str
    weak_band_found: bool = False
    """The band in which it is weak is told to fail."""
    judged: int = 0
    stretches: int = 0
    checks: list[Check] = field(default_factory=list)
    failed: str = ""
    """What was raised instead of an answer."""


def answer_made(made: Sequence[MadeRun]) -> CampaignAnswer:
    """The answer of made runs through the door of the report."""
    trip = load_trip_sheet(made[0].trip)
    placed = trip.route is not None
    return answer_files(
        [m.path for m in made],
        AnswerSettings(),
        trip=trip,
        route=trip.route_path if placed else None,
    )


def try_one(scenario: str, seed: int, condition: Condition) -> Tried:
    """Make one trial, answer it, hold it against its truth."""
    with tempfile.TemporaryDirectory() as folder:
        made = make_runs(Path(folder), scenario, seed, condition)
        try:
            answer = answer_made(made)
        except Exception:  # noqa: BLE001 - a campaign of hundreds goes on, and tells at the end
            return Tried(scenario, condition, seed, "failed", failed=traceback.format_exc())
        results = [r for run in answer.runs for r in run.results]
        return Tried(
            scenario=scenario,
            condition=condition,
            seed=seed,
            verdict=str(answer.overall.verdict),
            weak_band_found=_weak_found(answer, made[0]),
            judged=sum(r.judged for r in results),
            stretches=len(results),
            checks=checks(answer, made),
        )


def _weak_found(answer: CampaignAnswer, made: MadeRun) -> bool:
    weak = made.curve.weak_km_h
    if weak is None or answer.overall.verdict is not Verdict.DOES_NOT_MEET:
        return False
    low, high = weak[0] / 3.6, weak[1] / 3.6
    return any(
        b.verdict is Verdict.DOES_NOT_MEET and b.low_m_s < high - 0.3 and b.high_m_s > low + 0.3
        for b in answer.bands
    )


def _try(job: tuple[str, int, Condition]) -> Tried:
    return try_one(*job)


def verdict_table(tried: Sequence[Tried]) -> str:
    """Verdicts by scenario and locomotive."""
    rows = [
        f"{'scenario':32} {'locomotive':20} {'drawn':>5} {'condemned':>9} {'met':>5}"
        f" {'cannot tell':>11} {'weak found':>10} {'failed':>6} {'judged/run':>10}"
    ]
    groups: dict[tuple[str, str], list[Tried]] = defaultdict(list)
    for t in tried:
        groups[t.scenario, t.condition].append(t)
    for (scenario, condition), held in groups.items():
        word = Counter(t.verdict for t in held)
        condemned, met = word[Verdict.DOES_NOT_MEET.value], word[Verdict.MEETS.value]
        failed = word["failed"]
        weak = sum(t.weak_band_found for t in held)
        rows.append(
            f"{scenario:32} {condition:20} {len(held):5} {condemned:9} {met:5}"
            f" {len(held) - condemned - met - failed:11} {weak:10} {failed:6}"
            f" {sum(t.judged for t in held) / len(held):10.1f}"
        )
    return "\n".join(rows)


def summary(tried: Sequence[Tried]) -> str:
    """By scenario: good locomotives condemned, short ones found and let pass, weak bands found."""
    good, weak = (
        {Condition.SPEC, Condition.STRONG},
        {Condition.WEAK_SMOOTH, Condition.WEAK_STEP},
    )
    rows = [
        f"{'scenario':32} {'good condemned':>14} {'short found':>11} {'short met':>9}"
        f" {'weak found':>10} {'strong met':>10}"
    ]
    for scenario in dict.fromkeys(t.scenario for t in tried):
        held = [t for t in tried if t.scenario == scenario]

        def share(among: set[Condition], verdict: str, held: list[Tried] = held) -> str:
            chosen = [t for t in held if t.condition in among]
            return f"{sum(t.verdict == verdict for t in chosen)}/{len(chosen)}"

        found = [t.weak_band_found for t in held if t.condition in weak]
        down = Verdict.DOES_NOT_MEET.value
        rows.append(
            f"{scenario:32} {share(good, down):>14} {share({Condition.SHORT}, down):>11}"
            f" {share({Condition.SHORT}, Verdict.MEETS.value):>9} {sum(found):>7}/{len(found)}"
            f" {share({Condition.STRONG}, Verdict.MEETS.value):>10}"
        )
    return "\n".join(rows)


def figure_table(tried: Sequence[Tried]) -> str:
    """Held over drawn by figure and scenario; per cent, and the root mean square of error over
    standard uncertainty as far as k = 2 gives it (1 when uncertainties are true).
    """
    groups: dict[tuple[str, str], list[Check]] = defaultdict(list)
    for t in tried:
        for c in t.checks:
            groups[c.figure, t.scenario].append(c)
            groups[c.figure, "ALL"].append(c)
    rows = [f"{'figure':28} {'scenario':32} {'held':>6} {'drawn':>6} {'%':>6} {'rms/u':>6}"]
    for (figure, scenario), held in sorted(groups.items()):
        n, good = len(held), sum(c.held for c in held)
        z2 = [(2 * (c.value - c.truth) / c.expanded) ** 2 for c in held if c.expanded > 0.0]
        rms = (sum(z2) / len(z2)) ** 0.5 if z2 else float("nan")
        rows.append(
            f"{figure:28} {scenario:32} {good:6} {n:6} {100 * good / n:6.1f} {rms:6.2f}"
        )
    return "\n".join(rows)


def explain(scenario: str, seed: int, condition: Condition) -> str:
    """One trial told stretch by stretch, with what admission asked."""
    with tempfile.TemporaryDirectory() as folder:
        made = make_runs(Path(folder), scenario, seed, condition)
        answer = answer_made(made)
    rows = [f"{scenario}, seed {seed}, {condition}: {answer.overall.verdict}"]
    rows += [f"  because {r}" for r in answer.overall.reasons]
    for band in answer.bands:
        margin = band.margin
        told = (
            "" if margin is None else f"margin {margin.value:7.2f} ± {margin.expanded:.2f} kN"
        )
        rows.append(f"  band {band.name:12} {band.stretches:3} stretches {told} {band.verdict}")
    for run, one in zip(answer.runs, made, strict=True):
        ride = one.ride
        for r in run.results:
            at = (ride.t_s >= r.stretch.t_start_s) & (ride.t_s < r.stretch.t_end_s)
            pull, share = ride.level_pull_kN[at].mean(), ride.share[at]
            told = (
                "" if r.margin is None else f"{r.margin.value:7.2f} ± {r.margin.expanded:5.2f}"
            )
            rows.append(
                f"  {r.stretch.name:18} {3.6 * r.speed.value:5.1f} km/h pull {r.pull.value:6.1f}"
                f" ± {r.pull.expanded:4.1f} true {pull:6.1f}"
                f" share {share.min():.2f}-{share.max():.2f}"
                f" margin {told:16} {'judged' if r.judged else 'not judged'}:"
                f" {'; '.join(r.admission.reasons)}"
            )
        rows += [f"  mark {m.t_s:7.1f} {m.kind} {m.value}" for m in run.loaded.marks]
    rows += [f"  note: {n}" for n in answer.notes]
    return "\n".join(rows)


def conditions_of(scenario: str) -> tuple[Condition, ...]:
    """The locomotives a scenario is drawn with."""
    return (Condition.SPEC,) if SCENARIOS[scenario].dry_and_wet else ALL


def main(arguments: Sequence[str] | None = None) -> int:
    """Draw, answer, print."""
    parser = argparse.ArgumentParser(description=__doc__.split("\n", maxsplit=1)[0])
    parser.add_argument("--runs", type=int, default=10, help="seeds of each pair")
    parser.add_argument("--scenario", action="append", choices=list(SCENARIOS))
    parser.add_argument("--locomotive", action="append", choices=[c.value for c in ALL])
    parser.add_argument("--seed", type=int, default=0, help="the first")
    parser.add_argument("--jobs", type=int, default=2)
    parser.add_argument("--json", type=Path)
    parser.add_argument("--explain", action="store_true", help="tell the one trial of --seed")
    given = parser.parse_args(arguments)
    chosen = given.scenario or list(SCENARIOS)
    wanted = [Condition(c) for c in given.locomotive] if given.locomotive else None
    if given.explain:
        for condition in wanted or [Condition.SPEC]:
            sys.stdout.write(explain(chosen[0], given.seed, condition) + "\n")
        return 0
    jobs = [
        (name, seed, condition)
        for name in chosen
        for condition in conditions_of(name)
        if wanted is None or condition in wanted
        for seed in range(given.seed, given.seed + given.runs)
    ]
    with multiprocessing.Pool(given.jobs) as pool:
        tried = pool.map(_try, jobs, chunksize=4)
    tables = (summary(tried), verdict_table(tried), figure_table(tried))
    sys.stdout.write("\n\n".join(tables) + "\n")
    for t in tried:
        if t.failed:
            last = t.failed.strip().splitlines()[-1]
            sys.stdout.write(f"failed: {t.scenario} {t.condition} seed {t.seed}: {last}\n")
    if given.json:
        given.json.write_text(json.dumps([asdict(t) for t in tried], indent=1), "utf-8")
    return 0


if __name__ == "__main__":
    sys.exit(main())

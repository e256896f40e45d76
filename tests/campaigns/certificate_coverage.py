"""How often a certificate's U holds the truth: drawn cells, calibrated, used on the road.

Cells whose errors are known (``certificate_truth``, which knows nothing of the evaluation) are
calibrated by a plan, their table goes through the doors a laboratory uses, and uses of the cell
are held against the uncertainty stated::

    python tests/campaigns/certificate_coverage.py --cells 150 --uses 200

Prints held / drawn in per cent by band of load, branch and data, at the bench's temperature and
20 K from it with the effect measured or not; then each error alone. A bound that nothing measured
holds more than 95 %: what is not known costs. Less than 93 % is wrong anywhere.
"""

from __future__ import annotations

import argparse
import multiprocessing
import sys
from collections import Counter
from collections.abc import Iterable
from dataclasses import dataclass

import numpy as np

from calibration.evaluation.evaluation import evaluate
from calibration.evaluation.issue import issue_certificate
from calibration.readings.bench_settings import BenchSettings
from calibration.readings.readings_csv import parse_readings
from tests.campaigns.certificate_truth import DATA, SCENARIOS, bench_table, draw, uses

__all__ = ["Case", "Held", "try_case"]

Held = dict[tuple[str, int, str, str], tuple[int, int]]
"""By case, band, branch, sense: held and drawn."""


@dataclass(frozen=True)
class Case:
    """One kind of calibration and use."""

    scenario: str
    data: str = "full"
    temperature: str = "at the bench's"
    """``at the bench's``, ``20 K, measured``, ``20 K, not measured``."""

    @property
    def name(self) -> str:
        return f"{self.scenario} | {self.data} | {self.temperature}"


def try_case(case: Case, seed: int, n_uses: int) -> Held:
    """One drawn cell, calibrated and used ``n_uses`` times."""
    rng = np.random.default_rng([seed, *case.name.encode()])
    cell = draw(case.scenario, rng)
    away = case.temperature != "at the bench's"
    table = bench_table(cell, case.data, warmed=case.temperature == "20 K, measured", rng=rng)
    settings = BenchSettings(
        reference_U_pct=100.0 * cell.reference_U,
        stability_pct=100.0 * cell.drift_of_force,
        room_temperature_C=20.0,
        service_temperature_C=(0.0, 40.0) if away else (20.0, 20.0),
        zero_within_K=20.0,
    )
    certificate = issue_certificate(evaluate(parse_readings(table), settings))
    used = uses(cell, n_uses, kelvin=20.0 if away else 0.0, rng=rng)
    shown = certificate.to_force(used.counts, zero_counts=used.zero_counts)
    inside = np.abs(shown - used.force_kN) <= certificate.expanded_uncertainty_kN(used.force_kN)
    sense = "tension" if cell.sense > 0 else "compression"
    held: Held = {}
    for band, branch, good in zip(used.band, used.branch, inside, strict=True):
        key = (case.name, int(band), str(branch), sense)
        before = held.get(key, (0, 0))
        held[key] = (before[0] + bool(good), before[1] + 1)
    return held


def cases() -> list[Case]:
    """Every plan at every temperature with mixed errors, and each error alone."""
    temperatures = ("at the bench's", "20 K, measured", "20 K, not measured")
    mixed = [Case("mixed", data, t) for data in DATA for t in temperatures]
    alone = [
        Case(name, "full", "20 K, measured" if name == "temperature" else "at the bench's")
        for name in SCENARIOS
        if name != "mixed"
    ]
    return [*mixed, Case("temperature", "full", "20 K, not measured"), *alone]


def _work(task: tuple[Case, int, int]) -> Held:
    return try_case(*task)


def add_up(parts: Iterable[Held]) -> Held:
    """Counts of many cells together."""
    held: Counter[tuple[str, int, str, str]] = Counter()
    drawn: Counter[tuple[str, int, str, str]] = Counter()
    for part in parts:
        for key, (good, all_) in part.items():
            held[key] += good
            drawn[key] += all_
    return {key: (held[key], drawn[key]) for key in drawn}


def tables(total: Held) -> str:
    """Per cent held; one row a case and branch or sense, one column a band of load."""
    bands = "".join(f"{20 * b:>4d}-{20 * b + 20:<3d}%" for b in range(5))
    lines = [f"{'held, %':52s} {'':12s}{bands}   all   drawn"]
    for name in dict.fromkeys(key[0] for key in total):
        for branch in ("rising", "falling", "inside", "tension", "compression"):
            rows = [k for k in total if k[0] == name and branch in (k[2], k[3])]
            held = [sum(total[k][0] for k in rows if k[1] == b) for b in range(5)]
            drawn = [sum(total[k][1] for k in rows if k[1] == b) for b in range(5)]
            shares = [100 * h / max(d, 1) for h, d in zip(held, drawn, strict=True)]
            whole = 100 * sum(held) / max(sum(drawn), 1)
            shown = "".join(f"{share:8.1f} " for share in shares)
            lines.append(f"{name:52s} {branch:12s}{shown}{whole:7.1f} {sum(drawn):7d}")
    return "\n".join(lines) + "\n"


def main() -> None:
    """Draw, count, print."""
    parser = argparse.ArgumentParser(description=__doc__.splitlines()[0])
    parser.add_argument("--cells", type=int, default=100, help="cells of each case")
    parser.add_argument("--uses", type=int, default=300, help="uses of each cell")
    parser.add_argument("--only", default="", help="cases whose name holds this")
    parser.add_argument("--workers", type=int, default=1)
    args = parser.parse_args()
    tasks = [
        (case, seed, args.uses)
        for case in cases()
        if args.only in case.name
        for seed in range(args.cells)
    ]
    with multiprocessing.Pool(args.workers) as pool:
        sys.stdout.write(tables(add_up(pool.imap(_work, tasks, chunksize=10))))


if __name__ == "__main__":
    main()

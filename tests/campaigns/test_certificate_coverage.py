"""A handful of drawn cells of each kind: U holds the truth as often as it says.

The shares over thousands of uses are printed by ``certificate_coverage.py``; here a few cells of
each case hold the bounds.
"""

from __future__ import annotations

import pytest
from scipy import stats

from tests.campaigns.certificate_coverage import Case, add_up, cases, try_case

ALONE = [case for case in cases() if case.scenario not in ("mixed", "mixed, loop dominates")]
MIXED = [case for case in cases() if case not in ALONE]
CELLS, USES = 12, 60


def held(case: Case, *, branch: str = "") -> tuple[int, int]:
    """Held and drawn over a few cells, in all bands."""
    total = add_up(try_case(case, seed, USES) for seed in range(CELLS))
    rows = [counts for key, counts in total.items() if branch in ("", key[2])]
    return sum(good for good, _ in rows), sum(drawn for _, drawn in rows)


@pytest.mark.slow
@pytest.mark.parametrize("case", [*ALONE, *MIXED], ids=lambda case: case.name)
def test_it_never_holds_less(case: Case) -> None:
    """At 95 % each cell has uses of its own, but one calibration: cells are what is counted.

    The mean of twelve cells' shares lies above 90 % in all but one of a thousand honest tries
    (their standard deviation is near 6 %).
    """
    for branch in ("rising", "falling"):
        good, drawn = held(case, branch=branch)
        assert good / drawn >= 0.90, branch


@pytest.mark.slow
@pytest.mark.parametrize(
    "scenario", ["mixed", "mixed, loop dominates", "zero shifts", "mounting"]
)
def test_in_each_band_branch_and_sense_the_truth_is_held(scenario: str) -> None:
    """Some 180 cells calibrated, five uses of each: one use of a cell in a band, as a rule.

    At least 93 %, in each fifth of the capacity, rising, falling and inside the loop, in tension
    and in compression: an honest U fails one of the ten counts in a hundred runs at most.
    """
    total = add_up(try_case(Case(scenario), seed, 5) for seed in range(1000, 1180))
    for place in (1, 2, 3):
        for word in sorted({key[place] for key in total}, key=str):
            counts = [c for key, c in total.items() if key[place] == word]
            good, drawn = sum(g for g, _ in counts), sum(d for _, d in counts)
            assert good >= stats.binom.ppf(0.001, drawn, 0.93), (word, good, drawn)

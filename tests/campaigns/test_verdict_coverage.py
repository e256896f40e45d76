"""A handful of whole trials of each kind: who is condemned, who is found short."""

from __future__ import annotations

import pytest

from recorder.analysis.specification.verdicts import Verdict
from tests.campaigns.trial_train.locomotive import Condition
from tests.campaigns.verdict_coverage import Tried, try_one

SEEDS = range(4)


def tried(scenario: str, condition: Condition) -> list[Tried]:
    """One trial a seed; none of them may fail to be answered."""
    found = [try_one(scenario, seed, condition) for seed in SEEDS]
    assert not [t.failed for t in found if t.failed]
    return found


def condemned(found: list[Tried]) -> int:
    """How many were told not to meet."""
    return sum(t.verdict == Verdict.DOES_NOT_MEET for t in found)


@pytest.mark.slow
@pytest.mark.parametrize("scenario", ["honest", "honest-route", "honest-changes-only"])
def test_better_than_promised_is_never_condemned(scenario: str) -> None:
    assert condemned(tried(scenario, Condition.STRONG)) == 0


@pytest.mark.slow
@pytest.mark.parametrize("scenario", ["honest", "honest-route"])
def test_three_per_cent_short_is_found(scenario: str) -> None:
    assert condemned(tried(scenario, Condition.SHORT)) == len(SEEDS)


@pytest.mark.slow
@pytest.mark.parametrize("condition", [Condition.WEAK_SMOOTH, Condition.WEAK_STEP])
def test_one_weak_band_is_found(condition: Condition) -> None:
    found = tried("honest", condition)
    assert sum(t.weak_band_found for t in found) >= len(SEEDS) - 1

"""Far below the speeds beside it: one passage is no evidence, a channel is."""

from __future__ import annotations

import numpy as np
import pytest

from recorder.analysis.admission.summary import sum_up, words_not_understood
from recorder.analysis.stretches.admission_record import CriterionKind
from recorder.analysis.stretches.stretch_results import StretchResult
from tests.recorder.analysis.admission.trials import (
    SPECIFICATION,
    at,
    full,
    refused_by,
    results_of,
)
from tests.recorder.analysis.drawn_runs import mark

LADDER = np.concatenate([np.linspace(6.0, 12.0, 300), np.linspace(12.0, 15.0, 120)])


def run(dip: float, passages: int, channel_pct: float | None = None) -> list[StretchResult]:
    """Up through the speeds, at 13 m/s and above lower by a share, some times over."""
    speed = np.concatenate([np.concatenate([LADDER, LADDER[::-1]])] * passages)
    share = np.where(speed > 13.0, 1.03 - dip, 1.03)
    seconds = len(speed) / passages
    keyed = [mark("throttle", k * seconds + 1.0, w) for k in range(passages) for w in ("5",)]
    keyed += [mark("throttle", k * seconds + 2.0, "full") for k in range(passages)]
    marks = (*sorted(keyed, key=lambda m: m.t_s), mark("throttle", len(speed) - 1.0, "closed"))
    shown = None if channel_pct is None else np.full(len(speed), channel_pct)
    return results_of(speed, share, *marks, throttle_pct=shown)


def judged_above(results: list[StretchResult]) -> int:
    return sum(r.judged and r.speed.value > 13.2 for r in results)


@pytest.mark.parametrize(
    ("dip", "passages", "judged"),
    [(0.08, 1, True), (0.18, 1, False), (0.18, 3, True), (0.60, 3, False)],
)
def test_how_far_below_wants_how_many_passages(dip: float, passages: int, judged: bool) -> None:
    assert (judged_above(run(dip, passages)) > 0) is judged


def test_a_channel_needs_no_second_witness() -> None:
    results = run(0.18, 1, channel_pct=100.0)
    assert judged_above(results) > 0


def test_admission_summed_up_counts_every_stretch_once() -> None:
    results = results_of(np.full(600, 10.0), 1.02, *full(0.0, closed_s=600.0))
    held = sum_up(results)
    assert held.stretches == len(results)
    assert held.admitted == sum(r.admission.admitted for r in results)
    assert held.seconds == pytest.approx(600.0)
    late = next(c for c in held.criteria if c.kind is CriterionKind.CONFIRMED)
    assert late.refused_s == pytest.approx(30.0, abs=1.1)
    assert refused_by(at(results, 300.0)) == set()


def test_words_that_are_not_understood_are_listed_once() -> None:
    marks = (
        mark("throttle", 1.0, "second valve"),
        mark("throttle", 2.0, "second valve"),
        mark("throttle", 3.0, "full"),
        mark("brake", 4.0, "a bit"),
    )
    found = words_not_understood(marks, SPECIFICATION)
    assert found == ("throttle “second valve”", "brake “a bit”")

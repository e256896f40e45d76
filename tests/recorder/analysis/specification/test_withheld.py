"""A doubt that stands leaves no verdict; an answered one leaves every verdict as it was."""

from __future__ import annotations

import pytest

from recorder.analysis.plausibility.doubt import Doubt, DoubtKind
from recorder.analysis.specification.bands import Band
from recorder.analysis.specification.conditions import Conditions, Homogeneity, PartVerdict
from recorder.analysis.specification.overall import Overall
from recorder.analysis.specification.verdicts import StartingVerdict, Verdict
from recorder.analysis.specification.withheld import (
    withheld_bands,
    withheld_conditions,
    withheld_starting,
)
from tests.recorder.analysis.drawn_runs import kN

STANDS = Doubt(kind=DoubtKind.MASS, text="the mass is wrong", value=1.2, limit=1.08)
ANSWERED = Doubt(kind=DoubtKind.MASS, text="", value=1.2, limit=1.08, answer="weighed")
TOLD_ONLY = Doubt(kind=DoubtKind.MASS, text="", value=1.2, limit=1.08, stops=False)


def band(verdict: Verdict) -> Band:
    one = kN(1.0)
    return Band(
        low_m_s=0.0, high_m_s=1.0, stretches=1, speed=one, pull=one, power=one, margin=one,
        limit_kN=1.0, admitted=1, verdict=verdict, probability=0.5,
    )  # fmt: skip


@pytest.mark.parametrize("verdict", Verdict)
def test_a_standing_doubt_leaves_no_verdict_of_a_band(verdict: Verdict) -> None:
    (held,) = withheld_bands([band(verdict)], [ANSWERED, STANDS])
    assert held.verdict not in {Verdict.MEETS, Verdict.DOES_NOT_MEET, Verdict.CANNOT_TELL}
    (same,) = withheld_bands([band(verdict)], [ANSWERED, TOLD_ONLY])
    assert same.verdict is verdict


def test_starting_pull_is_withheld_too() -> None:
    assert withheld_starting(StartingVerdict.MEETS, [STANDS]) is StartingVerdict.DOUBTED
    assert withheld_starting(StartingVerdict.MEETS, [ANSWERED]) is StartingVerdict.MEETS
    assert withheld_starting(StartingVerdict.NOT_TESTED, [STANDS]) is (
        StartingVerdict.NOT_TESTED
    )


def part(*runs: str) -> PartVerdict:
    return PartVerdict(
        what="run", value=runs[0], runs=runs, stretches=1,
        overall=Overall(verdict=Verdict.DOES_NOT_MEET), bands=(band(Verdict.DOES_NOT_MEET),),
    )  # fmt: skip


def test_only_parts_with_a_doubted_run_lose_their_verdict() -> None:
    told = Conditions(
        by_run=(part("mon"), part("tue")),
        by_rail=(part("mon", "tue"),),
        homogeneity=Homogeneity(agree=True, probability=0.5, bands=1, cells=()),
    )
    held = withheld_conditions(told, {"mon": [STANDS], "tue": [ANSWERED]})
    assert [p.overall.verdict for p in held.by_run] == [Verdict.DOUBTED, Verdict.DOES_NOT_MEET]
    assert [p.overall.verdict for p in held.by_rail] == [Verdict.DOUBTED]
    assert held.by_run[0].overall.reasons == ("the mass is wrong",)
    assert held.by_run[0].bands[0].verdict is Verdict.DOUBTED
    assert held.by_run[1].bands[0].verdict is Verdict.DOES_NOT_MEET

"""Answers to doubts as they are given."""

from __future__ import annotations

import pytest

from recorder.analysis.campaign.doubt_answers import answered, read_answers
from recorder.analysis.plausibility.doubt import Checked, Doubt, DoubtKind


@pytest.mark.parametrize("kind", DoubtKind)
def test_every_kind_can_be_answered(kind: DoubtKind) -> None:
    given = read_answers([f" {kind} = weighed a = b,\n twice "])
    assert given == {kind: "weighed a = b, twice"}
    doubt = Doubt(kind=kind, text="x", value=2.0, limit=1.0)
    assert doubt.stands
    (checked,) = answered([Checked(name="n", outcome="o", doubt=doubt)], given)
    held = checked.doubt
    assert held is not None
    assert not held.stands
    assert (held.text, held.answer) == ("x", "weighed a = b, twice")


@pytest.mark.parametrize("text", ["", "=", "mass", "mass=", "mass=\n", "Mass=why", "rain=why"])
def test_what_is_no_answer_is_refused_in_one_line(text: str) -> None:
    with pytest.raises(ValueError, match="KIND=REASON") as error:
        read_answers(["wheel=worn", text])
    assert "\n" not in str(error.value)


def test_an_answer_to_one_doubt_is_none_to_another() -> None:
    checks = [
        Checked(name=kind, outcome="", doubt=Doubt(kind=kind, text="", value=0.0, limit=0.0))
        for kind in (DoubtKind.MASS, DoubtKind.WHEEL)
    ]
    checks.append(Checked(name="undoubted", outcome=""))
    held = answered(checks, {DoubtKind.MASS: "weighed"})
    assert [c.doubt and c.doubt.stands for c in held] == [False, True, None]

"""A shunt check as the crew read it."""

from __future__ import annotations

from recorder.run.checks.shunt_check import ShuntCheck, ShuntStep


def test_a_reading_under_way_says_that_it_shows_nothing() -> None:
    moved = "THE TRAIN MOVED, wheel: 400 pulses"
    opened = ShuntCheck(
        channel="pull", t_s=1.0, step=ShuntStep.OPEN, open_counts=7.0, reason=moved
    )
    assert opened.text == f"pull: without the shunt 7.0 counts; SHOWS NOTHING, {moved}"
    shunted = ShuntCheck(
        channel="pull", t_s=2.0, step=ShuntStep.SHUNTED, open_counts=7.0, shunted_counts=9.0,
        reason=moved,
    )  # fmt: skip
    assert shunted.text == f"pull: the shunt deflects it by 2.0 counts; SHOWS NOTHING, {moved}"


def test_a_steady_one_says_what_it_read() -> None:
    opened = ShuntCheck(channel="pull", t_s=1.0, step=ShuntStep.OPEN, open_counts=7.0)
    assert opened.text == "pull: without the shunt 7.0 counts"

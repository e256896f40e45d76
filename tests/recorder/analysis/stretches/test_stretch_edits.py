"""What the crew strikes out stays in sight with its reason; what it adds counts once."""

from __future__ import annotations

import numpy as np
import pytest

from recorder.analysis.stretches.cutting import cut_run
from recorder.analysis.stretches.stretch import StretchSource
from recorder.analysis.stretches.stretch_edits import EditAction, StretchEdit, apply_edits
from tests.recorder.analysis.drawn_runs import drawn

SERIES = drawn(np.full(3000, 10.0), np.full(3000, 50.0))


def edit(action: EditAction, low_s: float, high_s: float, reason: str) -> StretchEdit:
    return StretchEdit(action=action, t_start_s=low_s, t_end_s=high_s, reason=reason)


def test_what_is_struck_is_kept_with_its_reason() -> None:
    found = cut_run(SERIES, ())
    struck = apply_edits(
        SERIES, (), found, [edit(EditAction.STRIKE, 0.0, 100.0, "wheel slip seen")]
    )
    assert len(struck) == len(found)
    assert {s.struck for s in struck if s.t_start_s < 100.0} == {"wheel slip seen"}
    assert {s.struck for s in struck if s.t_start_s >= 100.0} == {""}


def test_what_is_added_takes_the_place_of_what_it_overlaps() -> None:
    found = cut_run(SERIES, ())
    edits = [edit(EditAction.ADD, 50.0, 80.0, "seen steady")]
    held = apply_edits(SERIES, (), found, edits)
    (added,) = [s for s in held if s.source is StretchSource.CREW]
    standing = [s for s in held if not s.struck and s is not added]
    assert all(s.t_end_s <= 50.0 or s.t_start_s >= 80.0 for s in standing)
    assert added.reason == "seen steady"


def test_an_edit_wants_a_reason_and_data() -> None:
    with pytest.raises(ValueError, match="reason"):
        apply_edits(SERIES, (), [], [edit(EditAction.STRIKE, 0.0, 9.0, " ")])
    with pytest.raises(ValueError, match="outside"):
        apply_edits(SERIES, (), [], [edit(EditAction.ADD, 900.0, 990.0, "late")])

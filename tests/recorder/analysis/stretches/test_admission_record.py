"""What refuses a stretch, and what only could not be asked."""

from __future__ import annotations

import numpy as np
import pytest

from recorder.analysis.stretches.admission_record import Admission, Criterion, CriterionKind


@pytest.mark.parametrize(
    ("passed", "refuses"),
    [(True, False), (np.True_, False), (None, False), (False, True), (np.False_, True)],
)
def test_what_is_not_passed_refuses_as_whatever_boolean_it_came(
    passed: bool | None, refuses: bool
) -> None:
    """A comparison of numpy's floats is numpy's boolean, and that one is not ``False``."""
    asked = Criterion(
        kind=CriterionKind.TREND, value="2 kN", limit="1 kN", passed=passed, reason="it moved"
    )
    assert asked.refuses is refuses
    admission = Admission(criteria=(asked,))
    assert admission.admitted is not refuses
    assert admission.reasons == (("it moved",) if refuses else ())

"""A slip of the measuring wheel is in a stretch's speed and in its margin."""

from __future__ import annotations

from dataclasses import replace

import numpy as np
import pytest

from recorder.analysis.stretches.specification import Specification
from recorder.analysis.stretches.stretch import Stretch
from recorder.analysis.stretches.stretch_results import measure_stretches
from recorder.analysis.uncertainty.causes import CauseKind, UncertaintyCause
from tests.recorder.analysis.drawn_runs import Outing

FALLING = Specification(name="a", speed_m_s=(0.0, 30.0), pull_kN=(200.0, 50.0))
"""5 kN for every metre a second."""


def test_what_it_may_hide_of_the_speed_is_in_both(outing: Outing) -> None:
    """Two per cent too low: the true speed is higher, the pull asked for there is lower."""
    series = outing.run.series
    slip = np.zeros(len(series))
    slip[200:300] = 0.02
    run = replace(outing.run, series=replace(series, slip=slip))
    spans = [Stretch(start=a, stop=a + 100, t_start_s=a / 2.0, t_end_s=a / 2.0 + 50.0)
             for a in (200, 600)]  # fmt: skip
    slipped, held = measure_stretches(run, spans, FALLING)
    cause = UncertaintyCause(CauseKind.SLIP, run.name)
    hidden = 0.02 * float(np.mean(np.abs(series.speed_m_s[200:300])))
    assert slipped.speed.parts[cause] == pytest.approx(hidden)
    assert slipped.margin is not None
    assert slipped.margin.parts[cause] == pytest.approx(5.0 * hidden, rel=1e-6)
    assert cause not in held.speed.parts

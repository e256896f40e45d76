"""What nobody measured is said to be assumed, with its value."""

from __future__ import annotations

from dataclasses import replace
from pathlib import Path

import numpy as np

from recorder.analysis.campaign.assumptions import assumptions_of
from recorder.analysis.uncertainty.wander import TIMES_S, Wander
from tests.recorder.analysis.campaign.test_marked import loaded_with


def test_a_wander_that_the_run_could_not_show_is_said_to_be_assumed(copied: Path) -> None:
    loaded = loaded_with(copied)
    (said,) = [a for a in assumptions_of(loaded) if "wander" in a.what]
    assert not said.stated
    assert f"{100 * loaded.wander.sd:.2g} %" in said.u
    shown = replace(loaded, wander=Wander(0.0, np.full(len(TIMES_S), 1e-6), 9.0))
    assert not any("wander" in a.what for a in assumptions_of(shown))

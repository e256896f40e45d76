"""Screen and paper agree on units and on how numbers are written."""

from __future__ import annotations

import pytest

from calibration.quantities.editions import Edition, shown_quantity
from recorder.analysis.uncertainty.causes import CauseKind, UncertaintyCause
from recorder.analysis.uncertainty.measured import Measured
from recorder.report.pages.document import plain, pm, pm_of
from recorder.report.pages.shown_units import ShownUnits

INSIDE = {
    "pull": "kN",
    "speed": "m/s",
    "power": "kW",
    "work": "kJ",
    "short_distance": "m",
    "acceleration": "m/s²",
}


@pytest.mark.parametrize("edition", list(Edition))
@pytest.mark.parametrize("quantity", INSIDE)
def test_the_window_shows_what_the_report_prints(edition: Edition, quantity: str) -> None:
    on_screen = shown_quantity(quantity, edition)
    on_paper = ShownUnits(edition)
    assert on_paper.label(INSIDE[quantity]) == on_screen.label
    assert on_paper.factor(INSIDE[quantity]) == on_screen.factor


def test_a_pull_of_a_hundred_kilonewtons_reads_the_same() -> None:
    """100 kN are 22 481 lbf (1 lbf = 4.4482216152605 N exactly)."""
    on_screen = shown_quantity("pull", "customary")
    assert f"{on_screen.text(100.0)} {on_screen.label}" == "22\u2009481 lbf"
    pull = ShownUnits(Edition.CUSTOMARY).of(
        Measured(100.0, "kN", {UncertaintyCause(kind=CauseKind.CERTIFICATE): 0.05})
    )
    assert pm(pull, unit=True) == "22\u2009481 ± 22 lbf"


def test_thousands_are_spaced_on_paper_as_on_the_screen() -> None:
    assert plain(22481.0, 5) == "22\u2009481"
    assert plain(-1234.5, 5) == "−1\u2009234.5"
    assert pm_of(-22481.09, 1155.4, "lbf") == "−22\u2009481 ± 1\u2009155 lbf"
    assert pm_of(998.4, 1.25) == "998.4 ± 1.2"

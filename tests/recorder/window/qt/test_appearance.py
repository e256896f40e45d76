"""Colours of the window: seen in sun and at night, told apart by every eye, and our own."""

from __future__ import annotations

import itertools

import matplotlib as mpl
import numpy as np
import pyqtgraph as pg
import pytest
from numpy.typing import NDArray
from PyQt6.QtGui import QColor

from recorder.report.pages.chart_style import POWER, SPEED
from recorder.window.qt.panels.appearance import APPEARANCES, Appearance

PENS = ("pull", "speed", "power", "other")

EYES = {
    "all three": np.eye(3),
    "no red": np.array(
        [[0.152286, 1.052583, -0.204868],
         [0.114503, 0.786281, 0.099216],
         [-0.003882, -0.048116, 1.051998]]
    ),
    "no green": np.array(
        [[0.367322, 0.860646, -0.227968],
         [0.280085, 0.672501, 0.047413],
         [-0.011820, 0.042940, 0.968881]]
    ),
    "no blue": np.array(
        [[1.255528, -0.076749, -0.178779],
         [-0.078411, 0.930809, 0.147602],
         [0.004733, 0.691367, 0.303900]]
    ),
}  # fmt: skip
"""What an eye sees of linear RGB that lacks one kind of cone: G. M. Machado, M. M. Oliveira,
L. A. F. Fernandes, A physiologically-based model for simulation of color vision deficiency, IEEE
Transactions on Visualization and Computer Graphics 15 (2009), table 1, severity 1.0."""

TO_XYZ = np.array(
    [[0.4124564, 0.3575761, 0.1804375],
     [0.2126729, 0.7151522, 0.0721750],
     [0.0193339, 0.1191920, 0.9503041]]
)  # fmt: skip
"""sRGB to XYZ, IEC 61966-2-1."""


def linear(name: str) -> NDArray[np.float64]:
    """Linear RGB of WCAG 2.1, definition of relative luminance."""
    colour = QColor(name)
    parts = np.array([colour.redF(), colour.greenF(), colour.blueF()])
    return np.where(parts <= 0.04045, parts / 12.92, ((parts + 0.055) / 1.055) ** 2.4)


def contrast(one: str, other: str, veil: float = 0.0) -> float:
    """Of WCAG 2.1; a veil of light lies on both, in parts of the screen's white."""
    seen = sorted(float(TO_XYZ[1] @ linear(name)) for name in (one, other))
    return (seen[1] + 0.05 + veil) / (seen[0] + 0.05 + veil)


def lab(rgb: NDArray[np.float64]) -> NDArray[np.float64]:
    """CIE 1976 L*a*b* under D65."""
    share = TO_XYZ @ np.clip(rgb, 0.0, 1.0) / np.array([0.95047, 1.0, 1.08883])
    low = (24389.0 / 27.0 * share + 16.0) / 116.0
    f = np.where(share > 216.0 / 24389.0, np.cbrt(share), low)
    return np.array([116 * f[1] - 16, 500 * (f[0] - f[1]), 200 * (f[1] - f[2])])


def apart(one: str, other: str, eye: str = "all three") -> float:
    """Colour difference of CIE 1976 as an eye sees it; 2.3 is just seen."""
    seen = [lab(EYES[eye] @ linear(name)) for name in (one, other)]
    return float(np.linalg.norm(seen[0] - seen[1]))


@pytest.fixture(params=APPEARANCES)
def look(request: pytest.FixtureRequest) -> Appearance:
    return APPEARANCES[request.param]


def test_words_stand_out_from_their_ground(look: Appearance) -> None:
    """4.5 : 1, as WCAG 2.1 success criterion 1.4.3 asks of text; names of pens stand on the
    paper, their figures on a panel."""
    pairs = [(look.ink, look.panel), (look.ink, look.paper), (look.faint, look.panel),
             (look.faint, look.paper), (look.loud_ink, look.loud), (look.panel, look.faint),
             (look.warn_ink, look.warn), (look.typing_ink, look.typing),
             (look.loud_text, look.panel), (look.loud_text, look.paper),
             (look.good, look.panel)]  # fmt: skip
    pairs += [(getattr(look, p), g) for p in PENS for g in (look.paper, look.panel)]
    told = {pair: round(contrast(*pair), 2) for pair in pairs}
    assert {pair: ratio for pair, ratio in told.items() if ratio < 4.5} == {}


def test_lines_stand_out_from_the_paper(look: Appearance) -> None:
    """3 : 1, as WCAG 2.1 success criterion 1.4.11 asks of what is drawn."""
    lines = (look.mark, look.land, look.train, look.faint, look.loud_text)
    assert {c: contrast(c, look.paper) for c in lines if contrast(c, look.paper) < 3.0} == {}


def test_the_day_is_read_in_sun() -> None:
    """A quarter of the screen's white lies on all of it, as from a window beside it."""
    look = APPEARANCES["day"]
    seen = {p: contrast(getattr(look, p), look.paper, veil=0.25) for p in PENS}
    assert min(seen.values()) >= 3.0, seen


def test_the_night_blinds_nobody() -> None:
    """Grounds give less than a hundredth of the light of the day's."""
    day, night = APPEARANCES["day"], APPEARANCES["night"]
    for ground in ("ground", "panel", "paper"):
        shine = [float(TO_XYZ[1] @ linear(getattr(a, ground))) for a in (night, day)]
        assert shine[0] < 0.01 * shine[1], ground


@pytest.mark.parametrize("eye", EYES)
def test_pens_are_told_apart(look: Appearance, eye: str) -> None:
    pairs = itertools.combinations(PENS, 2)
    seen = {p: apart(getattr(look, p[0]), getattr(look, p[1]), eye) for p in pairs}
    assert min(seen.values()) > 15.0, seen


def test_the_pull_is_drawn_in_ink(look: Appearance) -> None:
    assert look.pull == look.ink


def test_no_pen_is_of_a_plotting_library(look: Appearance) -> None:
    """Neither of the first colours one library draws with, nor of the other's."""
    cycle = mpl.rcParamsDefault["axes.prop_cycle"].by_key()["color"]
    theirs = [*map(mpl.colors.to_hex, cycle[:4]), *(pg.intColor(i).name() for i in range(4))]
    near = {(p, c): apart(getattr(look, p), c) for p in PENS for c in theirs}
    assert min(near.values()) > 20.0, near


def test_the_line_borrows_no_colour_of_a_pen(look: Appearance) -> None:
    pairs = [(drawn, getattr(look, p)) for drawn in (look.land, look.train) for p in PENS]
    assert min(apart(*pair) for pair in pairs) > 15.0


def test_a_pen_has_one_colour_in_the_window_and_on_paper() -> None:
    by_day = next(a for name, a in APPEARANCES.items() if str(name) == "day")
    assert (by_day.speed.lower(), by_day.power.lower()) == (SPEED, POWER)

"""How the figures are made, short and plain."""

from __future__ import annotations

from typing import TYPE_CHECKING, Final

from calibration.quantities.editions import Edition
from recorder.report.pages.document import Block, Heading, Text

if TYPE_CHECKING:
    from recorder.analysis.campaign.answer import CampaignAnswer
    from recorder.report.section_parts.naming import Naming

__all__ = ["METHOD", "method_section"]

CURVES: Final = {
    Edition.METRIC: (
        "m·g·i for the grade, m·g·k/R for the curve with k = 0.69855 m (0.8 lb per short ton per"
        " degree of curve, American Railway Engineering Association, from memory) and m·(1 + γ)·a"
        " for the acceleration, of the locomotive itself; g = 9.80665 m/s²"
    ),
    Edition.CUSTOMARY: (
        "20 lb per short ton for each per cent of grade, 0.8 lb per short ton for each degree of"
        " curve (American Railway Engineering Association, from memory) and W·(1 + γ)·a/g for the"
        " acceleration, of the locomotive itself; g = 21.937 mph/s"
    ),
}
"""Standard gravity 9.80665 m/s² over 0.44704 m/s in a mile an hour is 21.937 mph/s."""

METHOD: Final = (
    "Pull and power. The pull is the mean of the load cell's samples over each step of the time"
    " grid; a step that a gap touches stays empty, nothing is bridged. Drawbar power is pull times"
    " speed; work at the drawbar is pull over distance, draft and buff apart.",
    "Zero and wheel. The zero follows straight lines from one zero taken to the next; what a single"
    " zero may have drifted is in the uncertainty. Where the run is placed on its route the posts"
    " show the scale of the measuring wheel: it takes the place of the certificate's where its"
    " uncertainty is smaller, or where the two disagree. Wind, from weather marks and the course of"
    " the receiver's fixes, stands beside the figures; nothing is corrected by it.",
    "Test sections. The whole moving part of a run is cut wherever something changes that matters,"
    " and every test section is asked the same questions before it is judged (table of admission)."
    " What refuses one is told; nothing is left out.",
    "Equivalent drawbar pull is what the locomotive would show on level, straight track at constant"
    " speed: the reading, and {curves}. Trailing resistance is the reading less the same three of"
    " the trailing load.",
    "Uncertainty follows JCGM 100:2008. Every figure keeps its causes by name: causes that figures"
    " share (one calibration, one wheel, one zero, one mass) add with their sign, the rest in"
    " quadrature; ± is the expanded uncertainty for 95 % by Student's t with Welch-Satterthwaite"
    " degrees of freedom. A slow wander of the pull is estimated from all judged test sections of a"
    " run, so that neighbours are not taken for independent. The mean margin is checked by Monte"
    " Carlo of the same causes (JCGM 101:2008); where the two disagree there is no verdict.",
    "Verdicts, after JCGM 106:2012: a band meets at a probability of at least 95 %, does not meet"
    " at one of at most 5 %; between the two it cannot be told. The locomotive meets when every"
    " band meets; it fails when one band, or the mean of them, fails at 5 % divided by the number"
    " of tests (Bonferroni). Runs, and dry and wet rail, are judged apart as well, and are joined"
    " only where they agree (Cochran's Q, at 1 %).",
    "Doubts. Before any verdict the record is held against itself: pull against what grade and"
    " acceleration ask of the stated masses, speed against distance, the wheel against posts and"
    " receiver, pull and power against rail and engine, mileposts against the route. A doubt stops"
    " the verdict until it is mended, or answered by the crew with a reason.",
    "Train resistance. Means of even pieces of free running by speed are what was measured. The"
    " line through them, r = A + B·V + C·V², is a generalised least-squares fit with Huber's"
    " weights, in which pieces share the survey's error, the slow wander, mass and calibration. No"
    " term is below zero. Beside it stand two formulas: Davis, R = 1.3 + 29/w + 0.045 V"
    " + 0.0005 A V²/(w n) with A = 88 sq ft, and the modified one, R = 0.6 + 20/w + 0.01 V"
    " + 0.07 V²/(w n); lb per short ton, w short tons on an axle, n axles, V in mph (W. J. Davis,"
    " The Tractive Resistance of Electric Locomotives and Cars, General Electric Review 29, 1926;"
    " the modified one by the American Railway Engineering Association; both from memory, no page"
    " was at hand).",
    "Highest means, and the greatest pull of a start, are read where they read highest, less what"
    " the highest of so many noisy means is expected to stand high by (Tweedie's formula).",
    "Energy balance: work at the drawbar = change of potential and kinetic energy + curve work"
    " + rolling work + unaccounted, over the steps with data and without brake. It is worked over"
    " running on which the resistance was not fitted, so that a wrong mass cannot hide in it.",
    "Tonnage rating: W = w·P/(r + g·i + c), the drawbar pull P available on the grade over rolling,"
    " grade and curve resistance, with the weather factor w (US Army Subcourse TR0603, Rail"
    " Operations Planning, from memory). Stops: the speed at the brake is a straight line through"
    " the seconds before it, carried on by the crew's reaction; mean retardation is v²/2s.",
)


def method_section(answer: CampaignAnswer, naming: Naming) -> list[Block]:
    """The method, and the width of a band."""
    units = naming.units
    curves = CURVES[units.edition]
    width = answer.settings.band_m_s * units.factor("m/s")
    bands = f"Speed bands are {width:.4g} {units.label('m/s')} wide, from standstill up."
    return [
        Heading("Method"),
        *(Text(t.replace("{curves}", curves), "small") for t in METHOD),
        Text(bands, "small"),
    ]

"""How the figures are made, in words for the report, and what the words mean."""

from __future__ import annotations

from dataclasses import asdict
from typing import TYPE_CHECKING, Final

from recorder.analysis.campaign.assumptions import assumptions_of
from recorder.report.pages.document import Block, Heading, Text, TextTable
from recorder.report.pages.nomenclature import NOMENCLATURE

if TYPE_CHECKING:
    from recorder.analysis.campaign.answer import CampaignAnswer
    from recorder.report.pages.shown_units import ShownUnits

__all__ = ["METHOD", "method_section"]

METHOD: Final = (
    "Pull is the mean of the load cell's samples over each bin of the time grid; a bin that a gap"
    " touches is empty and nothing is bridged. Drawbar power is pull times speed; work at the"
    " drawbar is pull over distance, draft and buff apart.",
    "The zero follows straight lines from one zero taken to the next (zero drift); where one zero"
    " alone was taken, what it may have drifted is in the uncertainty, by hours and recorded"
    " temperatures. Where the run is placed on its route, the posts show the wheel's scale: it"
    " replaces the certificate's when its uncertainty is smaller, or when the two disagree. Both"
    " can be switched off. Wind along the track, from weather marks and the course of the fixes,"
    " stands beside the figures in the run table; nothing is corrected by it.",
    "The whole moving part of a run is cut into stretches, and every stretch is asked the same"
    " questions before it is judged: the throttle at the specified setting, keyed again afterwards"
    " and within a stated time, or shown by a channel; settled; the brake off; below the posted"
    " limit, or the crew's word that the throttle stayed; instruments sound; no trend of the pull"
    " against the specification; not below the locomotive's own pull at the same speed at another"
    " time; not far below the pull at the speeds beside it without a second passage. What refuses a"
    " stretch is told; nothing is left out.",
    "Equivalent drawbar pull is what the locomotive would show on level, straight track at"
    " constant speed: the reading plus m·g·i (grade), m·g·k/R with k = 698.55 N·m/kN (curve; 0.8 lb"
    " per short ton per degree, AREA) and m(1 + γ)a (acceleration with rotary allowance) of the"
    " locomotive itself. Trailing resistance is the reading less the same three of the trailing"
    " load. g = 9.80665 m/s².",
    "Uncertainty follows JCGM 100:2008 (GUM): every figure keeps its causes by name; causes that"
    " figures share (one calibration, one wheel, one zero, one mass) add with their sign, the rest"
    " in quadrature; the expanded uncertainty is for 95 % by Student's t with Welch-Satterthwaite"
    " degrees of freedom. A slow wander of the pull is estimated from all judged stretches of a"
    " run: its size and correlation time by restricted likelihood, averaged over what remains"
    " possible, so that neighbouring stretches are not independent and a short run is not surer for"
    " being short."
    " The mean margin is checked by Monte Carlo of the same causes (JCGM 101:2008); where the two"
    " disagree no verdict stands.",
    "Verdicts follow guarded acceptance and rejection (after JCGM 106:2012): meets with at least"
    " 95 % probability, does not meet with at most 5 %, otherwise it cannot be told with this"
    " uncertainty. Overall, every band must meet; to fail, one band or their mean must fail at 5 %"
    " divided by the number of tests (Bonferroni). Runs, and rail wet or dry, are judged apart as"
    " well; they are joined only where they agree (Cochran's Q in each band, with what they share"
    " left out, at 1 %).",
    "Before any verdict the record is held against itself: the pull against what grade and"
    " acceleration ask of the stated masses, speed against distance, the wheel against posts and"
    " receiver, pull and power against rail and engine, mileposts against the route. A doubt stops"
    " the verdict until it is mended, or answered by the crew with a reason.",
    "Resistance A + B·V + C·V² per tonne is a generalised least-squares fit over even parts of free"
    " running, with Huber's weights on what is a part's own: parts share the survey's error over"
    " its length of line, the errors of speed at their ends, the slow wander of the pull, mass,"
    " rotary allowance, calibration and wheel. No term is below zero: the mean of the posterior"
    " under that bound (Gibbs sampling), with the uncertainty that it has without the bound:"
    " narrowed by it, it missed terms not far above zero too often, so that the intervals of A, B"
    " and C are somewhat wide. It is said where the bound holds a term up; where the observations"
    " contradict it, fewer terms are fitted. A line of another shape than the observations is as"
    " unsure as neighbours in speed miss it alike."
    " The published formulas beside it: Davis (1926), R = 1.3 + 29/w + 0.045 V + 0.0005 A V²/(w n)"
    " lb per short ton with A = 88 sq ft; modified Davis, R = 0.6 + 20/w + 0.01 V + 0.07 V²/(w n).",
    "The highest means of pull and power, and the greatest pull of a start, are read where they"
    " read highest, less what the highest of so many noisy means is expected to stand high by"
    " (Tweedie's formula, the rate at which they fall off from the highest few); noise is the"
    " scatter of the pull from second to second and its slow wander, which is in the work, too.",
    "Energy ledger: work at the drawbar = change of potential and kinetic energy + curve work +"
    " rolling work + closure, over the bins with data and without brake. The closure is worked over"
    " running on which the resistance was not fitted (other runs, or the pieces on which grade and"
    " acceleration asked most), so that a wrong mass cannot hide in it. Tonnage rating:"
    " W = w·P/(r + g·i + c), the pull left on the grade over rolling, grade and curve resistance,"
    " with the weather factor w (US Army Subcourse TR0603). Stops: the speed at the"
    " brake is a straight line through the seconds before it, carried on to when it went on by the"
    " crew's reaction; by how much such lines miss is found over the whole run. Mean retardation"
    " v²/2s.",
)


def method_section(answer: CampaignAnswer, units: ShownUnits) -> list[Block]:
    """The method, the limits and assumptions of this answer, and the nomenclature."""
    return [
        Heading("Method", new_page=True),
        *(Text(t) for t in METHOD),
        Text(_limits(answer, units), "small"),
        _assumed(answer),
        TextTable(
            ("here", "elsewhere", "meaning"),
            tuple((t.word, t.elsewhere, t.meaning) for t in NOMENCLATURE),
            "Nomenclature.",
        ),
    ]


def _limits(answer: CampaignAnswer, units: ShownUnits) -> str:
    off = [
        name.replace("_", " ")
        for name, on in asdict(answer.settings.switches).items()
        if not on
    ]
    k, speed = units.factor("m/s"), units.label("m/s")
    return (
        f"Speed bands of {answer.settings.band_m_s * k:.4g} {speed}. Corrections switched off:"
        f" {', '.join(off) or 'none'}. What was asked of every stretch before it was judged, with"
        " what was found and what is allowed, stands in the table of admission."
    )


def _assumed(answer: CampaignAnswer) -> Block:
    """What no instrument measured, stated in the sheet or assumed; of the first run."""
    rows = tuple(
        (a.what, a.value, "stated" if a.stated else "assumed", a.source)
        for a in assumptions_of(answer.runs[0].loaded)
    )
    heads = ("what", "standard uncertainty", "", "from")
    return TextTable(heads, rows, "What no instrument measured.")

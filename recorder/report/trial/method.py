"""How the figures are made, in words for the report, and what the words mean."""

from __future__ import annotations

from dataclasses import asdict
from typing import TYPE_CHECKING, Final

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
    "The zero follows straight lines from one zero taken to the next (zero drift). Where the run is"
    " placed on its route, the surveyed line knows the wheel: its scale replaces the certificate's"
    " when it is surer or contradicts it (wheel). Both are columns or factors that can be switched"
    " off. Wind along the track, from weather marks and the course of the fixes, is a column of the"
    " run table to explain by; nothing is corrected by it.",
    "Equivalent drawbar pull is what the locomotive would show on level, straight track at"
    " constant speed: the reading plus m·g·i (grade), m·g·k/R with k = 698.55 N·m/kN (curve; 0.8 lb"
    " per short ton per degree, AREA) and m(1 + γ)a (acceleration with rotary allowance) of the"
    " locomotive itself. Trailing resistance is the reading less the same three of the trailing"
    " load. g = 9.80665 m/s².",
    "Uncertainty follows JCGM 100:2008 (GUM): every figure keeps its causes by name; causes that"
    " figures share (one calibration, one wheel, one zero, one mass) add with their sign, the rest"
    " in quadrature; the expanded uncertainty is for 95 % by Student's t with Welch-Satterthwaite"
    " degrees of freedom. Random parts use the number of effectively independent samples by"
    " autocorrelation. The mean margin is checked by Monte Carlo (JCGM 101:2008).",
    "Verdicts follow guarded acceptance and rejection (after JCGM 106:2012): meets with at least"
    " 95 % probability, does not meet with at most 5 %, otherwise it cannot be told with this"
    " uncertainty. Overall, every band must meet; to fail, one band or their mean must fail at 5 %"
    " divided by the number of tests (Bonferroni).",
    "Resistance A + B·V + C·V² per tonne is a weighted Huber regression over even parts of free"
    " running; coefficients that come out negative are set to zero, and that is stated."
    " The published formulas beside it: Davis (1926), R = 1.3 + 29/w + 0.045 V + 0.0005 A V²/(w n)"
    " lb per short ton with A = 88 sq ft; modified Davis, R = 0.6 + 20/w + 0.01 V + 0.07 V²/(w n).",
    "Energy ledger: work at the drawbar = change of potential and kinetic energy + curve work +"
    " rolling work + closure, over the bins with data and without brake. Tonnage rating:"
    " W = w·P/(r + g·i + c), the pull left on the grade over rolling, grade and curve resistance,"
    " with the weather factor w (US Army Subcourse TR0603). Stops: mean retardation v²/2s.",
)


def method_section(answer: CampaignAnswer, units: ShownUnits) -> list[Block]:
    """The method, the limits and assumptions of this answer, and the nomenclature."""
    return [
        Heading("Method", new_page=True),
        *(Text(t) for t in METHOD),
        Text(_limits(answer, units), "small"),
        Text(_assumed(answer), "small"),
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


def _assumed(answer: CampaignAnswer) -> str:
    """What no instrument measured; of the first run, as the runs of a campaign share it."""
    held = answer.runs[0].loaded.train.assumed
    return (
        f"Assumed, as standard uncertainties: masses {100 * held.mass_rel:g} %, rotary allowance"
        f" {held.rotary:g}, slope under a stretch {100 * held.grade:.3g} % (of the whole line"
        f" {100 * held.grade_common:.3g} %), curve resistance constant {100 * held.curve_rel:g} %."
    )

"""How the figures are made, in words for the report."""

__all__ = ["METHOD"]

METHOD = (
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
    "Resistance A + B·V + C·V² per tonne is a weighted Huber regression over even pieces of free"
    " running; coefficients that come out negative are set to zero, and that is said."
    " The published formulas beside it: Davis (1926), R = 1.3 + 29/w + 0.045 V + 0.0005 A V²/(w n)"
    " lb per short ton with A = 88 sq ft; modified Davis, R = 0.6 + 20/w + 0.01 V + 0.07 V²/(w n).",
    "Energy ledger: work at the drawbar = change of potential and kinetic energy + curve work +"
    " rolling work + closure, over the bins with data and without brake. Tonnage rating:"
    " W = w·P/(r + g·i + c), the pull left on the grade over rolling, grade and curve resistance,"
    " with the weather factor w (US Army Subcourse TR0603). Stops: mean retardation v²/2s.",
)

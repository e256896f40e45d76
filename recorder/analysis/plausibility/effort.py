"""Effort beyond what rails, engine and cylinders can give."""

from __future__ import annotations

import math
from typing import TYPE_CHECKING, Final

import numpy as np

from calibration.quantities.constants import G_M_S2
from calibration.quantities.sentence import amount, say
from recorder.analysis.plausibility.doubt import Checked, Doubt, DoubtKind

if TYPE_CHECKING:
    from numpy.typing import NDArray

    from recorder.analysis.plausibility.evidence import Evidence

__all__ = ["MOST_ADHESION", "MOST_POWER", "check_adhesion", "check_cylinders", "check_power"]

MOST_ADHESION: Final = 0.45
"""Of the weight on driven wheels: sanded dry rail and the best creep control give no more for long
(from experience)."""
MOST_POWER: Final = 1.05
"""Of the rated power, at the drawbar; from experience."""
MOST_CYLINDERS: Final = 1.3
"""Of the calculated starting effort 0.85·P·d²·s/D: full boiler pressure on both pistons at their
best crank angles gives 1.3 times the mean (from memory of turning-moment diagrams)."""
SHORT_S: Final = 10.0
LONG_S: Final = 60.0


def check_adhesion(evidence: Evidence) -> list[Checked]:
    """The highest pull over ten seconds against the weight on driven wheels, else on all."""
    name = "adhesion"
    train = evidence.run.train
    mass, word = train.adhesive_mass_t, "adhesive"
    if mass is None:
        mass, word = train.locomotive.mass_t, "the locomotive's"
    highest = _highest(evidence, evidence.run.series.pull_kN, SHORT_S)
    if not mass or math.isnan(highest):
        return [Checked.not_checked(name, "no mass of the locomotive, or no pull")]
    share = highest / (mass * G_M_S2)
    said = f"highest pull over 10 s is {share:.3f} of {word} weight, {MOST_ADHESION} at most"
    if share <= MOST_ADHESION:
        return [Checked(name=name, outcome=said)]
    text = say(
        "a pull of ",
        amount(highest, "kN", 0),
        f" held for 10 s is {share:.2f} of {word} weight (",
        amount(mass, "t"),
        f"), rails give {MOST_ADHESION} at most; check unit and certificate of the pull, and the"
        " locomotive's masses",
    )
    doubt = Doubt(kind=DoubtKind.ADHESION, text=text, value=share, limit=MOST_ADHESION)
    return [Checked(name=name, outcome=said, doubt=doubt)]


def check_power(evidence: Evidence) -> list[Checked]:
    """The highest drawbar power over a minute against what the engine is rated at."""
    name = "power"
    rated = None if evidence.trip is None else evidence.trip.locomotive.rated_power_kW
    highest = _highest(evidence, evidence.run.series.power_kW, LONG_S)
    if not rated:
        return [Checked.not_checked(name, "no rated power in the trip sheet")]
    if math.isnan(highest):
        return [Checked.not_checked(name, "no power over 60 s was recorded")]
    said = say(
        "highest power over 60 s is ",
        amount(highest, "kW", 0),
        " of ",
        amount(rated, "kW"),
        " rated",
    )
    if highest <= MOST_POWER * rated:
        return [Checked(name=name, outcome=said)]
    text = say(
        amount(highest, "kW", 0),
        " at the drawbar over 60 s is more than the ",
        amount(rated, "kW"),
        " the locomotive is rated at; check the units of pull and speed, and the rated power in"
        " [locomotive]",
    )
    doubt = Doubt(kind=DoubtKind.POWER, text=text, value=highest, limit=MOST_POWER * rated)
    return [Checked(name=name, outcome=said, doubt=doubt)]


def check_cylinders(evidence: Evidence) -> list[Checked]:
    """The highest pull over ten seconds against the effort of a steam locomotive's cylinders."""
    name = "pull against cylinders"
    steam = None if evidence.trip is None else evidence.trip.locomotive.steam
    highest = _highest(evidence, evidence.run.series.pull_kN, SHORT_S)
    if steam is None:
        return [Checked.not_checked(name, "no cylinders in the trip sheet")]
    if math.isnan(highest):
        return [Checked.not_checked(name, "no pull over 10 s was recorded")]
    limit = MOST_CYLINDERS * steam.starting_effort_kN
    said = say(
        "highest pull over 10 s is ",
        amount(highest, "kN", 0),
        ", ",
        amount(limit, "kN", 0),
        " at most",
    )
    if highest <= limit:
        return [Checked(name=name, outcome=said)]
    text = say(
        "a pull of ",
        amount(highest, "kN", 0),
        f" held for 10 s is more than {MOST_CYLINDERS} times the starting effort of the"
        " cylinders, ",
        amount(steam.starting_effort_kN, "kN", 0),
        "; check the unit of the pull, and bore, stroke, driver_diameter and boiler_pressure",
    )
    doubt = Doubt(kind=DoubtKind.PULL_UNIT, text=text, value=highest, limit=limit)
    return [Checked(name=name, outcome=said, doubt=doubt)]


def _highest(evidence: Evidence, values: NDArray[np.float64], seconds: float) -> float:
    """Highest mean over whole spans of so many seconds, fit bins only; NaN without any."""
    series = evidence.run.series
    every = max(1, round(seconds / series.step_s))
    values = np.where(series.flags == 0, values, np.nan)
    if len(values) < every:
        return math.nan
    summed = np.concatenate(([0.0], np.cumsum(np.nan_to_num(values))))
    count = np.concatenate(([0], np.cumsum(np.isfinite(values))))
    means = (summed[every:] - summed[:-every]) / every
    whole = count[every:] - count[:-every] == every
    return float(means[whole].max()) if whole.any() else math.nan

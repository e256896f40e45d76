"""More than rail, engine or boiler can give."""

from __future__ import annotations

from collections.abc import Iterator
from typing import TYPE_CHECKING, Final

from calibration.quantities.constants import G_M_S2
from recorder.analysis.dynamics.stops_and_starts import highest_mean
from recorder.analysis.plausibility.doubt import Doubt, DoubtKind

if TYPE_CHECKING:
    from recorder.analysis.uncertainty.run_basis import RunBasis
    from recorder.sheets import TripSheet

__all__ = ["limit_doubts"]

MOST_ADHESION: Final = 0.45
"""Of the adhesive weight; the best published of dry, sanded rail with creep control lie about
0.40 to 0.45 (common practice)."""
MOST_POWER: Final = 1.1
"""Drawbar power over rated power: the rating is at the engine, and losses only take away."""
MOST_STARTING: Final = 1.3
"""Pull over the starting effort calculated from the cylinders."""
MEAN_S: Final = 10.0
POWER_S: Final = 60.0


def limit_doubts(run: RunBasis, trip: TripSheet | None) -> Iterator[Doubt]:
    """Doubts by the highest pull and power of a run."""
    pull = highest_mean(run, MEAN_S, "kN")
    mass_t = run.train.adhesive_mass_t or run.train.locomotive.mass_t
    if pull is not None and mass_t:
        share = pull.value.value / (mass_t * G_M_S2)
        if share > MOST_ADHESION:
            yield Doubt(
                kind=DoubtKind.ADHESION,
                text=(
                    f"a pull of {pull.value.value:.0f} kN over {MEAN_S:.0f} s is {share:.2f} of the"
                    f" weight on {mass_t:.0f} t, rail gives at most {MOST_ADHESION:g}: check the"
                    " unit of the pull and the locomotive's mass"
                ),
                value=share,
                limit=MOST_ADHESION,
            )
    if trip is not None:
        yield from _of_engine(run, trip)


def _of_engine(run: RunBasis, trip: TripSheet) -> Iterator[Doubt]:
    engine = trip.locomotive
    power = highest_mean(run, POWER_S, "kW")
    if power is not None and engine.rated_power_kW is not None:
        share = power.value.value / engine.rated_power_kW
        if share > MOST_POWER:
            yield Doubt(
                kind=DoubtKind.POWER,
                text=(
                    f"a drawbar power of {power.value.value:.0f} kW over {POWER_S:.0f} s is"
                    f" {share:.2f} times the rated {engine.rated_power_kW:.0f} kW: check the units"
                    " of pull and speed, and the rating"
                ),
                value=share,
                limit=MOST_POWER,
            )
    pull = highest_mean(run, MEAN_S, "kN")
    if pull is not None and engine.steam is not None:
        share = pull.value.value / engine.steam.starting_effort_kN
        if share > MOST_STARTING:
            yield Doubt(
                kind=DoubtKind.PULL_UNIT,
                text=(
                    f"a pull of {pull.value.value:.0f} kN is {share:.2f} times the starting effort"
                    f" of the cylinders, {engine.steam.starting_effort_kN:.0f} kN: check the unit"
                    " of the pull and the cylinders"
                ),
                value=share,
                limit=MOST_STARTING,
            )

"""The scenarios: how it was driven, keyed and measured."""

from __future__ import annotations

from dataclasses import dataclass, field
from typing import Final

from tests.campaigns.trial_train.driver import Easing, Habits, Why
from tests.campaigns.trial_train.instruments import Faults, Stated
from tests.campaigns.trial_train.locomotive import Sureness
from tests.campaigns.trial_train.marks import Crew

__all__ = ["SCENARIOS", "Scenario"]


@dataclass(frozen=True)
class Scenario:
    """One way in which a trial is honest or careless."""

    honest: bool = True
    """Marks tell the truth within their lateness, and instruments what they state."""
    habits: Habits = field(default_factory=Habits)
    crew: Crew = field(default_factory=Crew)
    faults: Faults = field(default_factory=Faults)
    stated: Stated = field(default_factory=Stated)
    sure: Sureness = field(default_factory=Sureness)
    route: bool = False
    """Placed on a route file; otherwise grade and curvature are columns of the table."""
    limits: bool = False
    """The route file has the speed limits."""
    wrong_mass: bool = False
    certificate: bool = False
    """A cell with a certificate and one zero, not a table with stated uncertainties."""
    receiver: bool = False
    """With such a cell: a receiver tells its speed beside the wheel's."""
    dry_and_wet: bool = False
    """A campaign of four dry runs, and two wet ones in which it pulled ten per cent less."""


_PROPORTIONAL: Final = Habits(easing=Easing.PROPORTIONAL)
_UNKEYED: Final = Crew(unsaid=frozenset({Why.LIMIT, Why.QUIET, Why.SHORT}))


def _wander(seconds: float) -> Scenario:
    return Scenario(faults=Faults(wander_rel=0.02, wander_s=seconds))


SCENARIOS: Final[dict[str, Scenario]] = {
    "honest": Scenario(),
    "honest-route": Scenario(route=True, limits=True),
    "honest-proportional": Scenario(habits=_PROPORTIONAL),
    "honest-changes-only": Scenario(crew=Crew(confirms=False)),
    "eased-proportional": Scenario(honest=False, habits=_PROPORTIONAL, crew=_UNKEYED),
    "eased-stepwise": Scenario(honest=False, crew=_UNKEYED),
    "eased-proportional-limit-known": Scenario(
        honest=False, habits=_PROPORTIONAL, crew=_UNKEYED, route=True, limits=True
    ),
    "eased-stepwise-limit-known": Scenario(
        honest=False, crew=_UNKEYED, route=True, limits=True
    ),
    "quiet-notch-down": Scenario(honest=False, habits=Habits(quiet=2)),
    "short-easings": Scenario(honest=False, habits=Habits(short=6)),
    "keyed-25-s-late": Scenario(honest=False, crew=Crew(late_s=25.0)),
    "no-throttle-marks": Scenario(honest=False, crew=Crew(throttle=False)),
    "wander-8-s": _wander(8.0),
    "wander-30-s": _wander(30.0),
    "wander-120-s": _wander(120.0),
    "zero-drift": Scenario(
        honest=False,
        faults=Faults(drift_kN=1.5),
        stated=Stated(pull_kN=0.02),
        certificate=True,
    ),
    "wheel-slip": Scenario(honest=False, faults=Faults(slips=6)),
    "wrong-mass": Scenario(honest=False, wrong_mass=True),
    "honest-said": Scenario(
        route=True,
        sure=Sureness(mass_rel=0.02, rotary=0.02, grade=0.0004, survey_m=300.0, said=True),
    ),
    "honest-certificate": Scenario(stated=Stated(pull_kN=0.02), certificate=True),
    "honest-receiver": Scenario(stated=Stated(pull_kN=0.02), certificate=True, receiver=True),
    "dry-and-wet": Scenario(dry_and_wet=True),
}

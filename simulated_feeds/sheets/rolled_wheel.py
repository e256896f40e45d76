"""A wheel certificate from lengths rolled out beside the track, as a careful crew has one."""

from __future__ import annotations

import math
from datetime import timedelta
from typing import TYPE_CHECKING, Final

import numpy as np

from calibration.certificates.wheel import (
    WheelCertificate,
    combined_u_m,
    cone_part,
    from_rolled_length,
    wear_part,
)

if TYPE_CHECKING:
    from datetime import date

    from simulated_feeds.outing.scenario import Scenario

__all__ = ["rolled_wheel_certificate"]

REVOLUTIONS: Final = 20.0
LENGTHS: Final = 6
SCATTER_M: Final = 0.003
"""Standard deviation of one length rolled out."""
WORN_M: Final = 0.0004
"""Of the diameter, until it is measured again: trued lately, and measured every season."""
LATERAL_M: Final = 0.003
SOFTWARE: Final = "simulated rolling out"
WHEEL_SERIAL: Final = "SIM-AXLE-07"
"""Of the measuring axle; invented."""


def rolled_wheel_certificate(scenario: Scenario, day: date) -> WheelCertificate:
    """The certificate that the rolled-out lengths of the scenario's wheel give; ``day`` is that
    of the run.

    Their mean is the circumference that the scenario states, and so is the whole uncertainty:
    what wear, tread and scatter leave of it is that of the measured length.
    """
    stated = scenario.stated
    rng = np.random.default_rng(np.random.SeedSequence([scenario.seed, 0x30D]))
    spread = SCATTER_M * rng.standard_normal(LENGTHS)
    whole_m = stated.circumference_m * REVOLUTIONS
    lengths = np.round(whole_m + spread - spread.mean(), 4).tolist()
    tread = (
        cone_part(stated.circumference_m, lateral_m=LATERAL_M),
        wear_part(stated.circumference_m, WORN_M),
    )
    _, scatter = from_rolled_length(lengths, REVOLUTIONS, u_length_m=0.0)
    known_m = combined_u_m([*scatter, *tread])
    left_m = math.sqrt(max(stated.u_circumference_m**2 - known_m**2, 0.0))
    girth_m, parts = from_rolled_length(
        lengths, REVOLUTIONS, u_length_m=left_m * REVOLUTIONS, extra=tread
    )
    measured = {f"length_{i}_m": x for i, x in enumerate(lengths, 1)}
    return WheelCertificate(
        certificate_id=f"SIM-W-{scenario.seed:04d}",
        issued=day - timedelta(days=12),
        expires=day + timedelta(days=353),
        wheel="simulated: unbraked axle of the test car, left side",
        circumference_m=girth_m,
        u_circumference_m=combined_u_m(parts),
        pulses_per_revolution=scenario.wheel.pulses_per_revolution,
        method="rolled length",
        parts=tuple(part for part in parts if part.u_m > 0.0),
        details={**measured, "revolutions": REVOLUTIONS},
        software=SOFTWARE,
        serial=WHEEL_SERIAL,
    )

"""Pull against grade and acceleration: sign, units and masses that cannot be."""

from __future__ import annotations

import math
from collections.abc import Iterator, Mapping
from typing import TYPE_CHECKING, Final

from calibration.quantities.units import exact_ratio
from recorder.analysis.plausibility.doubt import Doubt, DoubtKind

if TYPE_CHECKING:
    from recorder.analysis.dynamics.mass import MassCheck
    from recorder.analysis.uncertainty.measured import Measured

__all__ = ["force_doubts", "slip_of"]

_LBF: Final = exact_ratio("lbf", "N")
_KGF: Final = exact_ratio("kgf", "N")
PULL_SLIPS: Final[Mapping[str, float]] = {
    "thousands of pounds-force taken for kilonewtons": 1.0 / _LBF,
    "kilonewtons taken for thousands of pounds-force": _LBF,
    "tonnes-force taken for kilonewtons": 1.0 / _KGF,
    "kilonewtons taken for tonnes-force": _KGF,
    "pounds-force taken for newtons": 1.0 / _LBF,
    "newtons taken for kilonewtons": 1000.0,
    "kilonewtons taken for newtons": 0.001,
    "pounds-force taken for kilonewtons": 1000.0 / _LBF,
}
"""What the pull reads over what it is."""
SPEED_SLIPS: Final[Mapping[str, float]] = {
    "miles an hour taken for kilometres an hour": 1.0 / exact_ratio("mph", "km_h"),
    "kilometres an hour taken for miles an hour": exact_ratio("mph", "km_h"),
    "miles an hour taken for metres a second": 1.0 / exact_ratio("mph", "m_s"),
    "metres a second taken for miles an hour": exact_ratio("mph", "m_s"),
    "kilometres an hour taken for metres a second": 3.6,
    "metres a second taken for kilometres an hour": 1.0 / 3.6,
}
"""What the speed reads over what it is."""
NEAR: Final = 0.12
"""A factor this near a slip's is named by it."""
WILD: Final = 1.4
"""Masses are not wrong by more: beyond, it is a unit or a sign."""
SIGMAS: Final = 3.0


def force_doubts(check: MassCheck | None) -> Iterator[Doubt]:
    """Doubts by the trailing mass that grade and acceleration show."""
    if check is None:
        return
    held = check.estimate
    found = [m for m in (held.by_grade, held.by_acceleration) if m is not None]
    if not found:
        return
    if all(m.value < -SIGMAS * m.u for m in found):
        yield _sign(found[0], check)
        return
    if check.agrees is not False:
        return
    ratios = [m.value / check.stated_t for m in found]
    slip = _speed_slip(held.by_grade, held.by_acceleration)
    if slip is not None:
        yield slip
    elif any(r > WILD or r < 1.0 / WILD for r in ratios):
        yield _unit(ratios[0], check)
    else:
        yield _mass(found, check)


def slip_of(ratio: float, slips: Mapping[str, float]) -> str:
    """The slip whose factor is nearest to a ratio; empty when none is near."""
    if not ratio > 0.0:
        return ""
    words, factor = min(slips.items(), key=lambda s: abs(math.log(ratio / s[1])))
    return words if abs(math.log(ratio / factor)) < NEAR else ""


def _sign(found: Measured, check: MassCheck) -> Doubt:
    return Doubt(
        kind=DoubtKind.PULL_SIGN,
        text=(
            "the pull falls where the train climbs and gains speed, as if tension were negative"
            f" (trailing mass by the forces {found.value:.0f} t): reverse the sign of the pull"
        ),
        value=found.value,
        limit=check.stated_t,
    )


def _speed_slip(by_grade: Measured | None, by_acceleration: Measured | None) -> Doubt | None:
    """Gravity and inertia tell different masses: the speed has another unit than it says."""
    if by_grade is None or by_acceleration is None or not by_acceleration.value > 0.0:
        return None
    ratio = by_grade.value / by_acceleration.value
    u = ratio * math.hypot(
        by_grade.u / by_grade.value, by_acceleration.u / by_acceleration.value
    )
    if abs(ratio - 1.0) < max(SIGMAS * u, 0.15):
        return None
    named = slip_of(ratio, SPEED_SLIPS)
    what = f"it looks like {named}" if named else "speed or time has another unit than it says"
    return Doubt(
        kind=DoubtKind.SPEED_UNIT,
        text=(
            f"gravity shows a trailing mass {ratio:.2f} times what inertia shows: {what};"
            " check the unit of the speed"
        ),
        value=ratio,
        limit=1.0,
    )


def _unit(ratio: float, check: MassCheck) -> Doubt:
    named = slip_of(ratio, PULL_SLIPS)
    what = f"it looks like {named}" if named else "pull or mass has another unit than it says"
    return Doubt(
        kind=DoubtKind.PULL_UNIT,
        text=(
            f"the pull is {ratio:.3g} times what grade and acceleration ask of"
            f" {check.stated_t:.0f} t: {what}; check the unit of the pull and the masses"
        ),
        value=ratio,
        limit=1.0,
    )


def _mass(found: list[Measured], check: MassCheck) -> Doubt:
    shown = check.estimate.joined or found[0]
    return Doubt(
        kind=DoubtKind.MASS,
        text=(
            f"grades and starts show a trailing mass of {shown.value:.0f} ±"
            f" {shown.expanded:.0f} t, the trip sheet says {check.stated_t:.0f} t: weigh the"
            " train or mend the sheet; the locomotive's mass cannot be seen, and may be no better"
        ),
        value=shown.value,
        limit=check.stated_t,
    )

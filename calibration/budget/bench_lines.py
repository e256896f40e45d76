"""Lines of the budget that come from the readings themselves: scatter, mounting, zeros, loop."""

from __future__ import annotations

import math
from typing import TYPE_CHECKING, Final

import numpy as np

from calibration.budget import defaults
from calibration.budget.components import BenchFacts, line, unknown_line
from calibration.budget.half_loop import ellipse
from calibration.statistics.half_width import Shape

if TYPE_CHECKING:
    from numpy.typing import NDArray

    from calibration.statistics.gum import Component

__all__ = [
    "held_zero_line",
    "loop_line",
    "misfit_line",
    "mounting_line",
    "preload_line",
    "resolution_line",
    "scatter_line",
    "unread_zero_line",
    "zero_line",
]

PRELOAD_MARGIN: Final = 0.25
"""So far above its preload a spring may still be held in part (from experience)."""


def scatter_line(facts: BenchFacts) -> Component:
    """One reading in the use and all of them in the curve, less what other lines hold of it."""
    left = np.maximum(facts.noise_needed() - facts.noise_claimed(), 0.0)
    found = facts.scatter
    basis = f"{found.sd_kN:.3g} kN: {found.basis}"
    if facts.positions_measured or facts.zeros_measured:
        basis += "; less its part in mounting and zero shifts"
    standard = found.sd_kN * np.sqrt(left)
    return line(facts, "scatter of readings", standard, Shape.STUDENT, basis, dof=found.dof)


def mounting_line(facts: BenchFacts) -> Component:
    """One new mounting: spread over positions, or the bound of a data sheet or of class 2."""
    name, found = "mounting", facts.mounting
    n = found.positions
    if facts.positions_measured:
        share = facts.less_noise(found.spread, found.noise)
        return line(
            facts, name, share * facts.mounting_factor(n), Shape.STUDENT,
            f"standard deviation over {n} positions {100 * found.spread:.2g} % of force",
            dof=float(n - 1),
        )  # fmt: skip
    fewest = defaults.FEWEST_POSITIONS
    stated = facts.settings.data_sheet.rotation_pct
    bound, whose = _bound(stated, defaults.ROTATION_PCT, "b")
    if 100.0 * found.spread > bound:
        bound, whose = 100.0 * found.spread, "the largest difference of those stated"
    # The widest standard deviation that three readings so far apart can have.
    widest = bound / 100.0 / math.sqrt(3.0)
    return line(
        facts, name, widest * facts.mounting_factor(fewest), Shape.STUDENT,
        f"not measured: as though {fewest} positions had differed by {bound:.3g} % of force,"
        f" {whose}",
        dof=float(fewest - 1),
        caution=f"{n} position(s) of the cell 30° or more apart: at least {fewest} show what"
        f" mounting does; {bound:.3g} % of force, {whose}, stands for it",
    )  # fmt: skip


def zero_line(facts: BenchFacts) -> Component:
    """The shift of the zero over one use: as over one series, or the bound."""
    name, found = "zero shifts", facts.zeros
    if facts.zeros_measured:
        spread = facts.less_noise(found.rms_kN, math.sqrt(2.0))
        return line(
            facts, name, spread * facts.zero_factor(found.series), Shape.STUDENT,
            f"root mean square change over {found.series} series {found.rms_kN:.3g} kN",
            dof=float(found.series),
        )  # fmt: skip
    fewest = defaults.FEWEST_SERIES
    sheet = facts.settings.data_sheet.zero_return_pct
    if sheet is not None:
        sheet *= facts.capacities
    bound, whose = _bound(sheet, defaults.ZERO_PCT, "f_0")
    if 100.0 * found.largest_kN > bound * facts.largest_kN:
        bound = 100.0 * found.largest_kN / facts.largest_kN
        whose = "the largest seen"
    return line(
        facts, name, bound / 100.0 * facts.largest_kN * facts.zero_factor(fewest),
        Shape.STUDENT,
        f"not measured: as though {fewest} series had changed it by {bound:.3g} % of the"
        f" largest force, {whose}",
        dof=float(fewest),
        caution=f"{found.series} series with a zero before and after: at least {fewest} show how"
        f" the zero shifts; {bound:.3g} % of the largest force, {whose}, stands for it",
    )  # fmt: skip


def unread_zero_line(facts: BenchFacts, zero_sd: float | None) -> Component | None:
    """A zero that was not read but extrapolated; None where zeros were read.

    ``zero_sd`` is its standard error, unit of reading.
    """
    if zero_sd is None:
        return None
    return line(
        facts, "zero not read", zero_sd * facts.kN_per_reading, Shape.STUDENT,
        "standard error of the curve's constant term",
        dof=float(facts.curve.fit.dof),
    )  # fmt: skip


def misfit_line(facts: BenchFacts) -> Component:
    """Distance of the means from the curve, the larger of the two forces on either side."""
    loads, name = facts.loads, "misfit of the curve"
    share = facts.curve.weights
    index = loads.level_of
    total = np.bincount(index, weights=share)
    residual = facts.curve.residual_kN(loads)
    means = np.bincount(index, weights=share * residual) / total
    levels = np.abs(loads.levels) * loads.readings.kN_per_unit
    hat = facts.curve.sensitivity(levels)
    noise = np.bincount(index, weights=share**2) / total**2 - np.sum(hat**2, axis=1)
    shifted = facts.zeros.rms_kN**2 / facts.series * (1.0 - np.sum(hat, axis=1)) ** 2
    own = facts.scatter.sd_kN**2 * np.maximum(noise, 0.0) + shifted
    size = np.sqrt(np.maximum(means**2 - own, 0.0))
    above = np.minimum(np.searchsorted(levels, facts.grid_kN, side="left"), len(levels) - 1)
    envelope = np.maximum(size[above], size[np.maximum(above - 1, 0)])
    envelope[facts.grid_kN == 0.0] = 0.0
    return line(
        facts, name, envelope / math.sqrt(3.0), Shape.RECTANGLE,
        "distance of the means from the curve beyond their scatter, worse of the forces around",
    )  # fmt: skip


def resolution_line(facts: BenchFacts, resolution_kN: float | None, reason: str) -> Component:
    """Half a step either way in the reading, and in the zero."""
    if resolution_kN is None:
        return unknown_line("resolution", f"{reason}; what there is of it is in the scatter")
    return line(
        facts, "resolution", resolution_kN / math.sqrt(6.0), Shape.TRIANGLE,
        f"r = {resolution_kN:.4g} kN, in the reading and in the zero",
    )  # fmt: skip


def loop_line(facts: BenchFacts) -> Component:
    """Half the loop either side of the curve; where only one way was taken, the whole loop."""
    name, loop = "loop", facts.curve.loop
    friction = facts.settings.element in defaults.FRICTION
    if not loop.known:
        size, what = _unmeasured_loop(facts, friction=friction)
        return line(
            facts, name, size, Shape.TWO_POINT, f"not measured: the whole loop, {what}",
            caution="forces taken both rising and falling do not cover the range: the whole loop"
            f" counts, {what}",
        )  # fmt: skip
    share = facts.grid_kN / facts.largest_kN
    noise = facts.scatter.sd_kN / facts.kN_per_reading
    half = loop.envelope(facts.loads, share, noise=noise, friction=friction)
    return line(
        facts, name, half * facts.kN_per_reading, Shape.TWO_POINT,
        "half of falling less rising, at whose edge a rising or a falling force stands"
        + (", friction" if friction else ""),
    )  # fmt: skip


def held_zero_line(facts: BenchFacts) -> Component | None:
    """A zero read after a pull stands anywhere within the friction at no force.

    None for an element without friction.
    """
    friction = facts.curve.loop.friction
    if friction is None:
        return None
    return line(
        facts, "zero held by friction",
        friction.at(np.zeros(1)) * facts.kN_per_reading / math.sqrt(3.0), Shape.RECTANGLE,
        "friction at no force: an element that was not freed before its zero was read",
    )  # fmt: skip


def preload_line(facts: BenchFacts) -> Component | None:
    """Up to its preload and friction a spring does not move: such forces are not measured.

    None without a preload.
    """
    preload = facts.curve.preload_kN
    if not preload:
        return None
    loop, share = facts.curve.loop, facts.grid_kN / facts.largest_kN
    friction = 0.0 if loop.friction is None else loop.friction.at(share) * facts.kN_per_reading
    still = facts.grid_kN <= (preload + friction) * (1.0 + PRELOAD_MARGIN)
    return line(
        facts, "preload", np.where(still, preload + friction, 0.0), Shape.TWO_POINT,
        f"the spring does not move below {preload:.3g} kN",
        caution=f"the spring begins to move at {preload:.3g} kN; smaller forces are not"
        " measured",
    )  # fmt: skip


def _unmeasured_loop(facts: BenchFacts, *, friction: bool) -> tuple[NDArray[np.float64], str]:
    """(m,) kN, and whose bound; as wide everywhere as what was seen of it anywhere."""
    bound, whose = _loop_bound(facts, friction=friction)
    seen = 2.0 * facts.curve.loop.widest * facts.kN_per_reading
    if not np.any((seen > bound) & (facts.grid_kN > 0.0)):
        return bound, whose
    closed = facts.grid_kN > 0.0
    return np.where(
        closed, np.maximum(bound, seen), bound
    ), f"{whose}, or {seen:.3g} kN as seen"


def _loop_bound(facts: BenchFacts, *, friction: bool) -> tuple[NDArray[np.float64], str]:
    """(m,) kN, and whose."""
    share = facts.grid_kN / facts.largest_kN
    stated = facts.settings.data_sheet.hysteresis_pct
    if stated is not None:
        full = stated / 100.0 * facts.capacities * facts.largest_kN
        shape = np.ones_like(share) if friction else ellipse(share)
        return full * shape, f"{stated:.3g} % of capacity by the data sheet"
    if friction:
        percent = defaults.FRICTION_LOOP_PCT
        width = np.full(share.shape, percent / 100.0 * facts.largest_kN)
        return width, f"{percent:g} % of the largest force, from experience"
    percent = defaults.REVERSIBILITY_PCT
    # At small forces a share of the force alone would be nothing: a loop is widest inside.
    inside = 0.5 * facts.largest_kN * ellipse(share)
    width = percent / 100.0 * np.maximum(facts.grid_kN, inside)
    return width, f"{percent:g} % of force, v of ISO 376 class 2, and half load's at small ones"


def _bound(stated: float | None, limit: float, error: str) -> tuple[float, str]:
    """Per cent, and whose bound it is."""
    if stated is not None:
        return stated, "by the data sheet"
    return limit, f"{error} of ISO 376 class 2"

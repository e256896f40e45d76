"""Readings and resolutions with which nothing can be worked out, named before they are tried."""

from __future__ import annotations

from typing import TYPE_CHECKING, Final

import numpy as np

from calibration.readings.readings import Readings, ReadingsError

if TYPE_CHECKING:
    from calibration.readings.bench_settings import BenchSettings
    from calibration.readings.load_series import LoadSeries

__all__ = ["far_off", "resolution_of"]

COARSEST: Final = 0.01
"""Of the largest deflection: with a hundred steps in all nothing is calibrated (common
practice)."""
FAR_OFF: Final = 100.0
"""A reading so many times as far from the middle as the next is of no cell (from experience)."""


def far_off(readings: Readings) -> str:
    """The one reading that dwarfs all others, where no curve can be had; else empty."""
    used = readings.pick(readings.used)
    middle = float(np.median(used.reading))
    off = np.abs(used.reading - middle)
    if len(off) < 3:
        return ""
    worst, next_off = int(np.argmax(off)), float(np.sort(off)[-2])
    if not off[worst] > FAR_OFF * next_off:
        return ""
    return (
        f" row {used.row[worst]}: reading is {used.reading[worst]:g}, every other one lies within"
        f" {next_off:.4g} of {middle:.6g}: mend the row, or take the reading again"
    )


def resolution_of(loads: LoadSeries, settings: BenchSettings) -> float | None:
    """As stated, else as the readings show; unit of reading.

    Raises
    ------
    ReadingsError
        So coarse, or so said, that nothing can be told by it.
    """
    stated, shown, full = settings.resolution, loads.readings.resolution, loads.full_scale
    if stated is not None and stated > COARSEST * full:
        msg = (
            f"{loads.readings.source}: resolution is {stated:g}, the deflection at the largest"
            f" force {full:g}; allowed: at most {100.0 * COARSEST:g} % of it, in units of reading;"
            " state the smallest step of the indicator (testcar bench with --resolution), or leave"
            " it out"
        )
        raise ReadingsError(msg)
    if shown is not None and not 0.0 < shown <= full:
        msg = (
            f"{loads.readings.source}: the readings are said to be in steps of {shown:g}, their"
            f" largest deflection is {full:g}; allowed: steps above 0 and no larger than it"
        )
        raise ReadingsError(msg)
    return shown if stated is None else stated

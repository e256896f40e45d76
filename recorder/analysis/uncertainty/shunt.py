"""Shunt checks in the figures: the false force they make, and what a failed one leaves in doubt."""

from __future__ import annotations

import math
from dataclasses import replace
from typing import TYPE_CHECKING, Final

import numpy as np

from calibration.certificates.force import ForceCertificate
from recorder.run.checks.shunt_check import ShuntCheck, ShuntStep

if TYPE_CHECKING:
    from numpy.typing import NDArray

    from recorder.analysis.series.series import Series
    from recorder.run_file.hdf5.devices import Channel
    from recorder.run_file.hdf5.reader import RunFile

__all__ = ["finished_checks", "shunt_u_rel", "without_shunt"]

LONGEST_S: Final = 600.0
"""A shunt is looked for so long around its reading; the recording itself lets no more pass
between the reading without it and the one with it."""
MARGIN_S: Final = 1.0
"""Left out on either side: a resistor put on by hand bounces."""


def finished_checks(run: RunFile, channel: str | None = None) -> list[ShuntCheck]:
    """Shunt checks that have both readings, of one channel or of all, in the order taken."""
    return [
        check
        for check in run.shunt_checks()
        if check.step is ShuntStep.SHUNTED and channel in (None, check.channel)
    ]


def shunt_u_rel(run: RunFile, pull: Channel | None, notes: list[str]) -> float:
    """Relative standard uncertainty of the pull that failed shunt checks leave; 0 without any.

    The span may be anywhere from the certificate's to what the worst check found: rectangular,
    with that difference as its half width.
    """
    found = []
    for check in [] if pull is None else finished_checks(run, pull.name):
        verdict = check.check
        if verdict is None or check.passed is not False:
            continue
        if check.reason:
            notes.append(f"the shunt check at {check.t_s:.0f} s shows nothing: {check.reason}")
        elif verdict.expected_counts and verdict.difference_counts is not None:
            away = verdict.difference_counts / verdict.expected_counts
            found.append(abs(away))
            notes.append(
                f"the shunt check at {check.t_s:.0f} s was out of limits, {100 * away:+.2f} % from"
                " the certificate's value: the uncertainty of the pull covers it"
            )
    return max(found, default=0.0) / math.sqrt(3.0)


def without_shunt(
    series: Series, run: RunFile, pull: Channel | None, notes: list[str]
) -> Series:
    """The series without the pull shown while a shunt was on: a resistor pulls no train."""
    certificate = None if pull is None else run.certificates.get(pull.certificate)
    if pull is None or not isinstance(certificate, ForceCertificate):
        return series
    gone = np.zeros(len(series), bool)
    for check in finished_checks(run, pull.name):
        force_kN = check.deflection_counts * certificate.tension.coefficients[1]
        if not abs(force_kN) > certificate.zero_band_kN:
            continue  # no shunt was on, or none that could be taken for a force
        low_s, high_s = _shunted_span(pull, check)
        gone |= (series.t_s + series.step_s / 2 > low_s) & (
            series.t_s - series.step_s / 2 < high_s
        )
        notes.append(f"pull from {low_s:.0f} to {high_s:.0f} s is left out: a shunt was on")
    if not gone.any():
        return series
    return replace(
        series,
        pull_kN=np.where(gone, math.nan, series.pull_kN),
        pull_min_kN=np.where(gone, math.nan, series.pull_min_kN),
        pull_max_kN=np.where(gone, math.nan, series.pull_max_kN),
    )


def _shunted_span(pull: Channel, check: ShuntCheck) -> tuple[float, float]:
    """Run times between which the counts stand beyond half the deflection, around the check."""
    first, last = pull.index_at(check.t_s - LONGEST_S), pull.index_at(check.t_s + LONGEST_S)
    if last <= first:
        return check.t_s, check.t_s
    time_s = pull.time_s(first, last)
    away = (pull.counts(first, last) - check.open_counts) / check.deflection_counts
    off: NDArray[np.float64] = time_s[away < 0.5]
    before, after = off[off < check.t_s], off[off > check.t_s]
    low_s = float(before[-1]) if len(before) else float(time_s[0])
    high_s = float(after[0]) if len(after) else float(time_s[-1])
    return low_s - MARGIN_S, high_s + MARGIN_S

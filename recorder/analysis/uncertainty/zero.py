"""The zero of the pull in the figures: how sure it is, and what following it changes."""

from __future__ import annotations

import math
from dataclasses import replace
from typing import TYPE_CHECKING, Final

import numpy as np

from calibration.certificates.force import ForceCertificate
from recorder.run.checks.zero_line import ZeroLine, zero_lines

if TYPE_CHECKING:
    from numpy.typing import NDArray

    from recorder.analysis.series.series import Series
    from recorder.run_file.hdf5.devices import Channel
    from recorder.run_file.hdf5.reader import RunFile

__all__ = ["with_zero_drift", "zero_drift_kN", "zero_u_kN"]

UNKNOWN_ZERO: Final = 0.001
"""Standard uncertainty assumed of a zero that was not taken or came without one, as a share of
capacity."""


def zero_u_kN(run: RunFile, pull: Channel | None, notes: list[str]) -> float:
    """Standard uncertainty of the zero, kN: the greatest of the zero line over the run.

    What had to be assumed, or could not be seen, is added to the notes.
    """
    certificate = None if pull is None else run.certificates.get(pull.certificate)
    if pull is None or not isinstance(certificate, ForceCertificate):
        return 0.0
    assumed_kN = UNKNOWN_ZERO * certificate.capacity_kN
    line = _line_of(run, pull)
    if line is None:
        notes.append(
            "no zero was taken: the certificate's own zero stands, and 0.1 % of the capacity is"
            " assumed as its standard uncertainty"
        )
        return assumed_kN
    counts = line.greatest_u_counts(0.0, run.duration_s)
    if math.isnan(counts):
        notes.append(
            "the zero came without an uncertainty: 0.1 % of the capacity is assumed as its"
            " standard uncertainty"
        )
        return assumed_kN
    if len(line.t_s) == 1:
        notes.append(
            "one zero was taken: what it may have drifted over the run is not known, and is not"
            " in the uncertainties"
        )
    return counts * _kN_per_count(certificate)


def zero_drift_kN(
    run: RunFile, pull: Channel | None, t_s: NDArray[np.float64]
) -> NDArray[np.float64] | None:
    """What following the zero from one taking to the next has changed, (n,) kN at (n,) times.

    ``None`` when there are not two zeros to follow.
    """
    certificate = None if pull is None else run.certificates.get(pull.certificate)
    if pull is None or not isinstance(certificate, ForceCertificate) or not run.complete:
        return None
    line = _line_of(run, pull)
    if line is None or len(line.t_s) < 2:
        return None
    moved = line.at(t_s) - line.counts[0]
    return np.asarray(-_kN_per_count(certificate) * moved)


def with_zero_drift(series: Series, drift_kN: NDArray[np.float64], *, followed: bool) -> Series:
    """The series with the drift as a column; without following it, the first zero holds."""
    if followed:
        return replace(series, zero_drift_kN=drift_kN)
    return replace(
        series,
        pull_kN=series.pull_kN - drift_kN,
        pull_min_kN=series.pull_min_kN - drift_kN,
        pull_max_kN=series.pull_max_kN - drift_kN,
        zero_drift_kN=np.zeros(len(series)),
    )


def _line_of(run: RunFile, pull: Channel) -> ZeroLine | None:
    return zero_lines(run.zeros()).get(pull.name)


def _kN_per_count(certificate: ForceCertificate) -> float:
    """At no force, which is where a zero acts."""
    return abs(certificate.tension.coefficients[1])

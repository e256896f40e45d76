"""The zero of the pull in the figures: how sure it is, and what following it changes."""

from __future__ import annotations

import math
from dataclasses import replace
from typing import TYPE_CHECKING, Final

import numpy as np

from calibration.certificates.force import ForceCertificate
from recorder.analysis.series.run_series import first_channel
from recorder.run.checks.zero_line import ZeroLine, zero_lines

if TYPE_CHECKING:
    from numpy.typing import NDArray

    from recorder.analysis.series.series import Series
    from recorder.run_file.hdf5.devices import Channel
    from recorder.run_file.hdf5.reader import RunFile

__all__ = ["with_zero_drift", "zero_drift_kN", "zero_u_kN"]

DRIFT_AT_ONCE: Final = 0.0005
"""Standard uncertainty of an unseen drift as a share of the capacity: zero return after load and
creep of a strain-gauge cell (common practice)."""
DRIFT_PER_HOUR: Final = 0.001
"""And for each hour, of a car that warms up (common practice)."""
MOST_DRIFT: Final = 0.003
DRIFT_PER_K: Final = 2e-5
"""And for each kelvin that was recorded: 0.02 % of capacity in 10 K (common practice; a cell's
data sheet may say less)."""
LEAST_SPANNED: Final = 0.5
"""Share of the run that several zeros must span before their changes are taken to show its drift:
less would carry the pace of some minutes over more time than it was seen in (our choice)."""
UNKNOWN_ZERO: Final = 0.001
"""Standard uncertainty assumed of a zero that was not taken or came without one, as a share of
capacity."""


def zero_u_kN(run: RunFile, pull: Channel | None, notes: list[str]) -> float:
    """Standard uncertainty of the zero, kN: the greatest of the zero line over the run, with
    what it may have drifted where the zeros do not show it: none, one alone, or several close
    together.

    What had to be assumed, or could not be seen, is added to the notes.
    """
    certificate = None if pull is None else run.certificates.get(pull.certificate)
    if pull is None or not isinstance(certificate, ForceCertificate):
        return 0.0
    line = _line_of(run, pull)
    known, counts = "", math.nan
    if line is None:
        known = "no zero was taken: the certificate's own zero stands, and"
    else:
        counts = line.greatest_u_counts(0.0, run.duration_s)
        if math.isnan(counts):
            known = "the zero came without an uncertainty:"
    u_kN = counts * _kN_per_count(certificate)
    if known:
        notes.append(f"{known} 0.1 % of the capacity is assumed as its standard uncertainty")
        u_kN = UNKNOWN_ZERO * certificate.capacity_kN
    unseen_s = _unseen_s(line, run.duration_s)
    if unseen_s is None:
        return u_kN
    drift_kN, why = _unseen_drift_kN(run, certificate.capacity_kN, unseen_s)
    notes.append(
        f"{_taken_words(line)}: what it drifted over the run was not seen, and ± {drift_kN:.2g}"
        f" kN standard uncertainty is assumed for it ({why}); zeros at both ends of the run would"
        " show it"
    )
    return math.hypot(u_kN, drift_kN)


def _unseen_s(line: ZeroLine | None, duration_s: float) -> float | None:
    """The longest time from the zeros to an instant of the run; ``None`` when they span enough
    of the run to show how it drifted. No zero says nothing of any of it."""
    if line is None:
        return duration_s
    first, last = float(line.t_s[0]), float(line.t_s[-1])
    outside_s = max(first, duration_s - last, 0.0)
    spanned_s = min(last, duration_s) - max(first, 0.0)
    # One zero spans nothing: also where the run is nothing but that instant.
    if len(line.t_s) > 1 and spanned_s >= LEAST_SPANNED * duration_s:
        return None
    return outside_s


def _taken_words(line: ZeroLine | None) -> str:
    if line is None:
        return "no zero was taken"
    if len(line.t_s) == 1:
        return "one zero was taken"
    minutes = float(np.ptp(line.t_s)) / 60.0
    return f"{len(line.t_s)} zeros were taken within {minutes:.0f} min"


def _unseen_drift_kN(run: RunFile, capacity_kN: float, unseen_s: float) -> tuple[float, str]:
    """Standard uncertainty of a drift that no zero showed, and of what it is made."""
    hours = unseen_s / 3600.0
    share = min(DRIFT_AT_ONCE + DRIFT_PER_HOUR * hours, MOST_DRIFT)
    words = f"{100 * share:.2g} % of the capacity for {hours:.1f} h"
    span_K = _temperature_span_K(run)
    if span_K > 0.0:
        warmed = DRIFT_PER_K * span_K
        share = math.hypot(share, warmed)
        words += f", {100 * warmed:.2g} % for {span_K:.0f} K"
    return share * capacity_kN, words


def _temperature_span_K(run: RunFile) -> float:
    """Greatest less least recorded temperature; 0 without a channel."""
    channel = first_channel(run, "temperature")
    if channel is None:
        return 0.0
    values = channel.values(0, channel.n)
    known = values[np.isfinite(values)]
    return float(np.ptp(known)) if known.size else 0.0


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

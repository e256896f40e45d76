"""The zero of the pull in the figures: how sure it is, and what following it changes."""

from __future__ import annotations

import math
from dataclasses import replace
from typing import TYPE_CHECKING, Final

import numpy as np

from calibration.certificates.force import ForceCertificate
from calibration.field.zero_drift import zero_drift_of
from calibration.field.zero_guards import doubted_u
from calibration.quantities.sentence import amount, say
from recorder.analysis.series.run_series import STANDS_M_S, first_channel
from recorder.run.checks.zero_line import Zero, ZeroLine, ZeroTime, zero_lines
from recorder.run.checks.zero_uncertainty import greatest_zero_u_kN, shows_drift, unseen_s
from recorder.run.checks.zero_worth import zero_without

if TYPE_CHECKING:
    from collections.abc import Sequence

    from numpy.typing import NDArray

    from recorder.analysis.series.series import Series
    from recorder.run_file.hdf5.devices import Channel
    from recorder.run_file.hdf5.reader import RunFile

__all__ = ["with_zero_drift", "zero_drift_kN", "zero_u_kN"]

USUAL_HALF_S: Final = 1.5
"""Half the usual length of a zero, where the event does not keep it."""
HOURS_FROM_MIN: Final = 90.0
"""Shorter, it is told in minutes."""
AT_ONCE_S: Final = 0.2
"""No train that stood moves at more than STANDS_M_S so soon (our choice)."""


def zero_u_kN(run: RunFile, pull: Channel | None, notes: list[str]) -> float:
    """Standard uncertainty of the zero, kN: the greatest over the run, with what it may have
    drifted where the zeros do not show it: none, one alone, or several close together.

    What had to be assumed, or could not be seen, is added to the notes.
    """
    certificate = None if pull is None else run.certificates.get(pull.certificate)
    if pull is None or not isinstance(certificate, ForceCertificate):
        return 0.0
    notes += _revised(run, pull)
    held, moved = _zeros_of(run, pull.name)
    notes += moved
    line = ZeroLine.through(held)
    if line is None or np.isnan(line.u_counts).any():
        known = (
            f"{_taken_words(line, held)}: the certificate's own zero stands, and"
            if line is None
            else "the zero came without an uncertainty:"
        )
        notes.append(f"{known} 0.1 % of the capacity is assumed as its standard uncertainty")
    span_K = _temperature_span_K(run)
    ends = unseen_s(line, [0.0, run.duration_s], run.duration_s)
    if not shows_drift(line, run.duration_s):
        drift_kN, why = _unseen_drift_kN(certificate, float(np.max(ends)), span_K)
        notes.append(
            say(
                f"{_taken_words(line, held)}: what it drifted over the run was not seen, and"
                " a standard uncertainty of ",
                amount(drift_kN, "kN", digits=2),
                " is assumed for it (",
                why,
                "); zeros at both ends of the run would show it",
            )
        )
    return greatest_zero_u_kN(line, certificate, duration_s=run.duration_s, span_K=span_K)


def _zeros_of(run: RunFile, channel: str) -> tuple[list[Zero], list[str]]:
    """Zeros of a channel, and which of them are doubted.

    Of one that no guard was asked of (an earlier version took it) the recorded speed is asked: if
    the train moved, it is worth what one is that the guards doubt.
    """
    held = [zero for zero in run.zeros() if zero.channel == channel]
    motion = first_channel(run, "speed")
    found, told = list(held), list[str]()
    for k, zero in enumerate(held):
        asked = zero.guards or not zero.holds or zero.when is ZeroTime.SHEET
        speed_m_s = 0.0 if asked or motion is None else _speed_at(motion, zero)
        if not speed_m_s > STANDS_M_S:
            continue
        expected = zero_without(zero, held, run.force_certificates[channel])
        # What is not known of the zero itself is in what was expected already.
        own = float(np.nan_to_num(zero.u_counts))
        found[k] = replace(
            zero, u_counts=doubted_u(own, zero.counts - expected.counts, expected)
        )
        told.append(
            say(
                "the train moved at ",
                amount(speed_m_s, "m/s", 1),
                f" while the zero at {zero.t_s:.1f} s was taken, and nothing guarded it: it may be"
                " a force, and its uncertainty covers that; testcar zeros withdraws it",
            )
        )
    return found, told


def _speed_at(motion: Channel, zero: Zero) -> float:
    """Median speed, m/s, while a zero was taken; NaN when it is not known."""
    half_s = zero.seconds / 2.0 if zero.seconds > 0.0 else USUAL_HALF_S
    # The run begins where a zero before it ends: how fast it was just then is all there is.
    before = zero.when is ZeroTime.BEFORE
    low_s, high_s = (0.0, AT_ONCE_S) if before else (-half_s, half_s)
    start, stop = (motion.index_at(zero.t_s + away_s) for away_s in (low_s, high_s))
    speeds = np.abs(motion.values(start, max(stop, start + 1)))
    known = speeds[np.isfinite(speeds)]
    return float(np.median(known)) if known.size else math.nan


def _revised(run: RunFile, pull: Channel) -> list[str]:
    """What was revised of the zeros of the pull, and that the pull follows it."""
    told = []
    for zero in run.zeros():
        if zero.channel != pull.name or not zero.revision:
            continue
        done = (
            f"was withdrawn ({zero.withdrawn}): no figure is worked from it"
            if zero.withdrawn
            else f"was revised ({zero.forced or zero.restored}): it counts"
        )
        by = f" by {zero.by}" if zero.by else ""
        told.append(f"the zero at {zero.t_s:.1f} s {done}; so revised{by}")
    if pull.name in run.amended_channels():
        told.append(
            "zeros were revised after the seal: the pull is worked from its counts again, by the"
            " zeros that hold"
        )
    return told


def _taken_words(line: ZeroLine | None, held: Sequence[Zero]) -> str:
    if line is None:
        return "no zero holds" if held else "no zero was taken"
    if len(line.t_s) == 1:
        return "one zero was taken"
    minutes = float(np.ptp(line.t_s)) / 60.0
    return f"{len(line.t_s)} zeros were taken within {minutes:.0f} min"


def _unseen_drift_kN(
    certificate: ForceCertificate, unseen_s: float, span_K: float
) -> tuple[float, str]:
    """Standard uncertainty of a drift that no zero showed, and of what it is made."""
    drift, capacity_kN = zero_drift_of(certificate), certificate.capacity_kN
    share = 100.0 * float(drift.u_kN(unseen_s)) / capacity_kN
    minutes = unseen_s / 60.0
    lasts = f"{minutes / 60.0:.1f} h" if minutes >= HOURS_FROM_MIN else f"{minutes:.0f} min"
    words = f"{share:.2g} % of the capacity for {lasts}"
    if span_K > 0.0:
        of_range = 100.0 * drift.per_K_kN * span_K / capacity_kN
        words = say(f"{words}, {of_range:.2g} % for ", amount(span_K, "K", 0))
    return float(drift.u_kN(unseen_s, span_K=span_K)), say(words, f"; {drift.source}")


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

"""Zeros and shunt checks of one run, as they were found."""

from __future__ import annotations

import math
from dataclasses import dataclass
from typing import TYPE_CHECKING

import numpy as np

from calibration.field.checks import FieldCheck, check_drift
from recorder.analysis.series.run_series import STANDS_M_S
from recorder.analysis.uncertainty.shunt import finished_checks
from recorder.run.checks.shunt_check import ShuntCheck
from recorder.run.checks.zero_line import ZeroTime, zero_lines
from recorder.run.checks.zero_worth import ZeroWorth, zero_worth

if TYPE_CHECKING:
    from recorder.analysis.series.series import Series
    from recorder.run_file.hdf5.reader import RunFile

__all__ = ["RunFieldChecks", "field_checks_of"]


@dataclass(frozen=True, slots=True, kw_only=True)
class RunFieldChecks:
    """What a run file holds of checks in the field."""

    zeros: tuple[ZeroWorth, ...]
    """Accepted, refused and withdrawn, in the order taken, with what each is worth."""
    forces: tuple[str, ...]
    """Channels that have a zero to take."""
    drifts: tuple[tuple[str, FieldCheck], ...]
    """Channel, and its last accepted zero against its first."""
    shunts: tuple[ShuntCheck, ...]
    """Those that have both readings."""
    moved_s: tuple[float, float]
    """Run times at which the train first and last moved; NaN when it never did."""

    def when(self, t_s: float) -> ZeroTime:
        """Before the train moved, after it had stopped for good, or during."""
        first_s, last_s = self.moved_s
        if not t_s > first_s:
            return ZeroTime.BEFORE
        return ZeroTime.AFTER if t_s > last_s else ZeroTime.DURING


def field_checks_of(run: RunFile, series: Series) -> RunFieldChecks:
    """Zeros, their drift, and shunt checks of a run; ``series`` shows when the train moved."""
    zeros = run.zeros()
    of_channel = run.force_certificates
    drifts = []
    for name, line in zero_lines(zeros).items():
        certificate = of_channel.get(name)
        if len(line.t_s) > 1 and certificate is not None:
            drift = check_drift(certificate, float(line.counts[0]), float(line.counts[-1]))
            drifts.append((name, drift))
    moving = series.t_s[np.abs(series.speed_m_s) > STANDS_M_S]
    return RunFieldChecks(
        zeros=tuple(zero_worth(zeros, of_channel)),
        forces=tuple(of_channel),
        drifts=tuple(drifts),
        shunts=tuple(finished_checks(run)),
        moved_s=(float(moving[0]), float(moving[-1])) if len(moving) else (math.nan, math.nan),
    )

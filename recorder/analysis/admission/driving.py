"""How the train was driven over a stretch: settled, unbraked, below the posted limit, no slip."""

from __future__ import annotations

import math
import re
from collections.abc import Sequence
from typing import TYPE_CHECKING, Final

import numpy as np

from calibration.quantities.constants import KM_H_PER_M_S
from calibration.quantities.sentence import amount, say
from recorder.analysis.stretches.admission_record import Criterion, CriterionKind
from recorder.marks.handling import CutOffMark, SandMark, ThrottleMark
from recorder.marks.kinds import Kind

if TYPE_CHECKING:
    from numpy.typing import NDArray

    from recorder.analysis.series.series import Series
    from recorder.analysis.stretches.handling import ThrottleWord
    from recorder.analysis.stretches.specification import Specification
    from recorder.analysis.stretches.stretch import Stretch
    from recorder.marks.mark import Mark
    from recorder.sheets.admission_limits import AdmissionLimits

__all__ = [
    "brake_criterion",
    "cut_off_criterion",
    "limit_criterion",
    "sand_criterion",
    "settled_criterion",
    "slip_criterion",
]

_CUT_OFF: Final = re.compile(r"([0-9]+(?:\.[0-9]+)?)\s*%\s*cut.?off", re.I)
"""In the words of a throttle mark: ``full regulator, 35 % cut-off``."""
SLIP_S: Final = 10.0
"""To either side of a slip mark: the slip is over when it is keyed, the train still surges
(from experience)."""


def settled_criterion(
    stretch: Stretch, changes: Sequence[float], starts: Sequence[float], limits: AdmissionLimits
) -> Criterion:
    """Long enough after the last change of throttle, cut-off or sand, and after starting."""
    middle = 0.5 * (stretch.t_start_s + stretch.t_end_s)
    before = [t for t in (*changes, *starts) if t <= middle]
    since = stretch.t_start_s - max(before) if before else math.inf
    # The first bin may begin a bin before the mark.
    step = stretch.seconds / max(stretch.stop - stretch.start, 1)
    inside = any(stretch.t_start_s + step < t < stretch.t_end_s - step for t in changes)
    passed = since >= limits.settle_s - 1.01 * step and not inside
    return Criterion(
        kind=CriterionKind.SETTLED,
        value="no change before it" if math.isinf(since) else f"{max(since, 0.0):.0f} s after",
        limit=f"at least {limits.settle_s:g} s",
        passed=passed,
        reason="a change lies within it"
        if inside
        else f"less than {limits.settle_s:g} s after a change or a start",
    )


def brake_criterion(stretch: Stretch, braked: NDArray[np.bool_]) -> Criterion:
    """The brake off and released."""
    share = float(braked[stretch.span].mean())
    return Criterion(
        kind=CriterionKind.BRAKE,
        value="off" if share == 0.0 else f"on for {share * stretch.seconds:.0f} s",
        limit="off, and time to release",
        passed=share == 0.0,
        reason="the brake was on or not yet released",
    )


def limit_criterion(
    series: Series,
    stretch: Stretch,
    words: Sequence[ThrottleWord],
    specification: Specification,
) -> Criterion:
    """Below the posted limit by the margin, or the crew keyed there that the throttle stayed."""
    margin = specification.admission.limit_margin_m_s
    wanted = say(
        amount(margin * KM_H_PER_M_S, "km/h", 0),
        " below, or keyed there that the throttle stayed",
    )
    posted = None if series.speed_limit_m_s is None else series.speed_limit_m_s[stretch.span]
    if posted is None or not np.isfinite(posted).any():
        return Criterion(
            kind=CriterionKind.SPEED_LIMIT, value="not known", limit=wanted, passed=None
        )
    room = float(np.nanmin(posted - np.abs(series.speed_m_s[stretch.span])))
    near = room < margin
    said = any(
        stretch.t_start_s <= w.t_s <= stretch.t_end_s and specification.accepts(w.setting)
        for w in words
    )
    return Criterion(
        kind=CriterionKind.SPEED_LIMIT,
        value=say(
            amount(room * KM_H_PER_M_S, "km/h", 0),
            " below" + ", the crew's word" * (near and said),
        ),
        limit=wanted,
        passed=said or not near,
        reason="near the posted limit, where drivers ease off, and no mark says that he did not",
    )


def slip_criterion(stretch: Stretch, marks: Sequence[Mark]) -> Criterion:
    """No wheel slip keyed in or about the stretch."""
    low, high = stretch.t_start_s - SLIP_S, stretch.t_end_s + SLIP_S
    slips = [m.t_s for m in marks if m.kind is Kind.SLIP and low <= m.t_s <= high]
    return Criterion(
        kind=CriterionKind.SLIP,
        value=f"keyed at {slips[0]:.0f} s" if slips else "none keyed",
        limit="none",
        passed=not slips,
        reason="the driving wheels slipped",
    )


def sand_criterion(
    stretch: Stretch, marks: Sequence[Mark], limits: AdmissionLimits
) -> Criterion:
    """Sand as the contract allows it."""
    on, keyed = False, False
    for mark in marks:
        if mark.kind is Kind.SAND and mark.t_s <= stretch.t_end_s:
            value = mark.meaning
            now = not (isinstance(value, SandMark) and value.on is False)
            # Sand for any of the stretch is sand.
            on, keyed = now or (on and mark.t_s > stretch.t_start_s), True
    return Criterion(
        kind=CriterionKind.SAND,
        value=("on" if on else "off") if keyed else "none keyed",
        limit="allowed" if limits.sand else "off",
        passed=limits.sand or not on,
        reason="sand was on, which the contract does not allow",
    )


def cut_off_criterion(
    stretch: Stretch, marks: Sequence[Mark], setting: ThrottleMark, limits: AdmissionLimits
) -> Criterion | None:
    """Cut-off as the contract says; nothing is asked where the contract says nothing."""
    if limits.cut_off_pct is None:
        return None
    said = _CUT_OFF.search(setting.words)
    held: list[float | None] = [float(said[1]) if said is not None else None]
    for mark in marks:
        if mark.kind is Kind.CUTOFF and mark.t_s <= stretch.t_end_s:
            value = mark.meaning
            now = value.per_cent if isinstance(value, CutOffMark) else None
            held = [now] if mark.t_s <= stretch.t_start_s else [*held, now]
    low, high = limits.cut_off_pct
    known = [h for h in held if h is not None]
    whole = len(known) == len(held)
    words = " and ".join(f"{h:g} %" for h in dict.fromkeys(known))
    return Criterion(
        kind=CriterionKind.CUT_OFF,
        value=words if whole else "not known",
        limit=f"{low:g} to {high:g} %",
        passed=whole and all(low <= h <= high for h in known),
        reason=f"cut-off was {words}" if whole else "no cut-off is known",
    )

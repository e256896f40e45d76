"""Was the throttle where the specification wants it: a channel, else the crew's word.

A mark is a word about an instant. It is believed over a stretch when the crew keyed the throttle
again afterwards (the same setting, or that it was left), and within a stated time of the stretch
before or after it; and not in the last moments before a mark that it was left, since a mark may
come late.
"""

from __future__ import annotations

import math
from collections.abc import Sequence
from dataclasses import dataclass
from typing import TYPE_CHECKING, Final

import numpy as np

from recorder.analysis.stretches.admission_record import Criterion, CriterionKind
from recorder.marks.handling import ThrottleMark

if TYPE_CHECKING:
    from recorder.analysis.series.series import Series
    from recorder.analysis.stretches.handling import ThrottleWord
    from recorder.analysis.stretches.specification import Specification
    from recorder.analysis.stretches.stretch import Stretch

__all__ = ["Trust", "Watch", "throttle_criteria", "trust_of", "watch_of"]

FULL_PER_CENT: Final = 98.0
"""A channel that shows this much shows full: a potentiometer's end lies within 2 % of its travel
(from experience)."""
MOSTLY: Final = 0.9
"""Share of a stretch in which a channel must speak to be asked."""


@dataclass(frozen=True, slots=True)
class Watch:
    """From one throttle mark to the next."""

    begin_s: float
    end_s: float
    """Infinite after the last mark."""
    setting: ThrottleMark
    next_setting: ThrottleMark | None


def watch_of(words: Sequence[ThrottleWord], stretch: Stretch) -> Watch:
    """The marks on either side of a stretch; from minus infinity before the first."""
    held = Watch(-math.inf, math.inf, ThrottleMark(), None)
    middle = 0.5 * (stretch.t_start_s + stretch.t_end_s)
    for word in words:
        if word.t_s > middle:
            return Watch(held.begin_s, word.t_s, held.setting, word.setting)
        held = Watch(word.t_s, math.inf, word.setting, None)
    return held


@dataclass(frozen=True, slots=True)
class Trust:
    """How long one word is relied on: from where a setting was first keyed to where another
    was, however often it was keyed again between."""

    begin_s: float
    end_s: float


def trust_of(words: Sequence[ThrottleWord], watch: Watch) -> Trust:
    """The trust that a watch lies in."""
    begin_s, end_s = watch.begin_s, watch.end_s
    for word in reversed([w for w in words if w.t_s < watch.begin_s]):
        if not word.setting.agrees(watch.setting):
            break
        begin_s = word.t_s
    for word in (w for w in words if w.t_s >= watch.end_s):
        end_s = word.t_s
        if not word.setting.agrees(watch.setting):
            return Trust(begin_s, end_s)
    return Trust(begin_s, math.inf)


def throttle_criteria(
    series: Series, stretch: Stretch, watch: Watch, specification: Specification
) -> list[Criterion]:
    """Throttle at a setting that counts, and confirmed."""
    wanted = " or ".join(s.text for s in specification.settings[:3]) or "stated in the contract"
    shown = _by_channel(series, stretch.span)
    if shown is not None:
        good = specification.accepts(shown)
        why = f"the throttle channel shows {shown.text}"
        by = f"{shown.text} by channel"
        return [
            Criterion(
                kind=CriterionKind.THROTTLE, value=by, limit=wanted, passed=good, reason=why
            )
        ]
    marked = _marked(watch, wanted, specification)
    if not marked.passed:
        return [marked, _not_asked(specification)]
    return [marked, _confirmed(stretch, watch, specification)]


def _by_channel(series: Series, span: slice) -> ThrottleMark | None:
    """The least setting a channel shows in a stretch; ``None`` without a channel that speaks."""
    for values, notched in ((series.throttle_pct, False), (series.notch, True)):
        if values is None or np.isfinite(values[span]).mean() < MOSTLY:
            continue
        least = float(np.nanmin(values[span]))
        if notched:
            return ThrottleMark(notch=math.floor(least + 1e-6))
        return ThrottleMark(per_cent=100.0 if least >= FULL_PER_CENT else round(least, 1))
    return None


def _marked(watch: Watch, wanted: str, specification: Specification) -> Criterion:
    setting = watch.setting
    known = math.isfinite(watch.begin_s) and setting.text != ""
    return Criterion(
        kind=CriterionKind.THROTTLE,
        value=f"{setting.text} as marked" if known else "not known",
        limit=wanted,
        passed=known and specification.accepts(setting),
        reason=_left_at(setting.text) if known else "no throttle is known",
    )


def _wanted(specification: Specification) -> str:
    most_s = specification.admission.throttle_confirmed_s
    return f"again afterwards; one of them within {most_s:g} s"


def _not_asked(specification: Specification) -> Criterion:
    return Criterion(
        kind=CriterionKind.CONFIRMED,
        value="not asked",
        limit=_wanted(specification),
        passed=None,
    )


def _confirmed(stretch: Stretch, watch: Watch, specification: Specification) -> Criterion:
    limits = specification.admission
    since_s = stretch.t_end_s - watch.begin_s
    until_s = watch.end_s - stretch.t_start_s
    most_s, late_s = limits.throttle_confirmed_s, limits.keyed_late_s
    left = watch.next_setting is not None and not specification.accepts(watch.next_setting)
    value = f"keyed {_ago(since_s)} before the end, again {_ago(until_s)} after the beginning"
    reason = ""
    if not math.isfinite(until_s):
        reason = "the throttle was not keyed again afterwards"
    elif min(since_s, until_s) > most_s:
        reason = f"no throttle mark within {most_s:g} s"
    elif left and watch.end_s - stretch.t_end_s < late_s - 1e-6:
        reason = (
            f"within {late_s:g} s of the mark that the throttle was left, which may be late"
        )
    return Criterion(
        kind=CriterionKind.CONFIRMED,
        value=value if math.isfinite(since_s + until_s) else "not keyed on both sides",
        limit=_wanted(specification),
        passed=not reason,
        reason=reason,
    )


def _ago(seconds: float) -> str:
    return f"{seconds:.0f} s" if math.isfinite(seconds) else "never"


def _left_at(setting: str) -> str:
    """``the throttle was closed``, ``the throttle was at 5``."""
    at = "" if setting == "closed" else "at "
    return f"the throttle was {at}{setting}"

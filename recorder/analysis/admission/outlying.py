"""A pull far below what was shown at the speeds beside it wants a second witness.

No locomotive loses an eighth of its pull within a few kilometres an hour and finds it again; a
throttle that was eased does. Such a stretch is judged only where another passage at the same
speed, under another word for the throttle, bears it out. A weakness of some per cent at some
speeds stays far inside the limit.
"""

from __future__ import annotations

import math
from collections.abc import Sequence
from typing import TYPE_CHECKING, Final

import numpy as np

from recorder.analysis.stretches.admission_record import Criterion, CriterionKind

if TYPE_CHECKING:
    from numpy.typing import NDArray

    from recorder.analysis.admission.throttle import Trust
    from recorder.analysis.stretches.stretch_results import StretchResult

__all__ = ["SIGMAS", "below_beside", "outlying_criteria", "relative_u"]

BESIDE: Final = 3
"""The highest so many stretches on either side in speed, whose median is what was shown there:
what was eased along with the stretch must not speak for it."""
NEAR_M_S: Final = 6.0
FAR: Final = 3.0
"""Times the limit of the own pull: with its default, 12 % of the specified pull."""
HOPELESS: Final = 0.25
"""Of the specified pull: so far below, two witnesses are two easings (from experience: a
locomotive that loses a quarter of its pull at one speed is seen to be ill)."""
SAME_M_S: Final = 0.6
SIGMAS: Final = 3.0


def below_beside(
    results: Sequence[StretchResult], evidence: Sequence[bool]
) -> NDArray[np.float64]:
    """By what share (m,) of the specified pull each stretch lies below the pull shown at the
    speeds beside it; NaN where none was.

    ``evidence`` (m,) are those whose pull shows what the locomotive can do, judged or not.
    """
    v = np.array([r.speed.value for r in results])
    share = np.array([_share(r) for r in results])
    good = np.array(evidence, bool) & np.isfinite(share)
    return np.array([_beside(v, share, good, i) - share[i] for i in range(len(results))])


def outlying_criteria(
    results: Sequence[StretchResult],
    trusts: Sequence[Trust],
    admitted: Sequence[bool],
    by_channel: Sequence[bool],
    below: NDArray[np.float64],
    own_pull_pct: float,
) -> list[Criterion]:
    """One criterion a stretch; ``below`` (m,) is :func:`below_beside`.

    Where a channel shows the throttle (``by_channel``), nothing else need bear a stretch out.
    """
    v = np.array([r.speed.value for r in results])
    share = np.array([_share(r) for r in results])
    u = np.array([relative_u(r) for r in results])
    good = np.array(admitted, bool) & np.isfinite(share)
    most = FAR * own_pull_pct / 100.0
    out = []
    for i in range(len(results)):
        if not admitted[i]:
            out.append(_not_asked(most))
            continue
        short = float(below[i])
        far = math.isfinite(short) and short > max(most, SIGMAS * u[i])
        like = good & (np.abs(v - v[i]) <= SAME_M_S)
        close = np.abs(share - share[i]) <= np.maximum(
            own_pull_pct / 100.0, SIGMAS * np.hypot(u, u[i])
        )
        witness = any(trusts[int(k)] != trusts[i] for k in np.flatnonzero(like & close))
        witness = witness and not short > HOPELESS
        refused = far and not witness and not by_channel[i]
        out.append(_criterion(short, most, refused=refused, borne_out=witness))
    return out


def _not_asked(most: float) -> Criterion:
    return Criterion(
        kind=CriterionKind.BORNE_OUT, value="not asked", limit=_allowed(most), passed=None
    )


def _allowed(most: float) -> str:
    return f"{100 * most:.0f} % below the pull at the speeds beside it, or a second passage"


def _criterion(short: float, most: float, *, refused: bool, borne_out: bool) -> Criterion:
    known = math.isfinite(short)
    words = f"{100 * short:.1f} % below" if known else "nothing shown beside it"
    return Criterion(
        kind=CriterionKind.BORNE_OUT,
        value=words + ", and a second passage" * borne_out,
        limit=_allowed(most),
        passed=False if refused else (True if known else None),
        reason="far below the pull at the speeds beside it, and no second passage bears it out",
    )


def _beside(v: np.ndarray, share: np.ndarray, good: np.ndarray, i: int) -> float:
    """The higher of what was shown at the speeds just below and just above; NaN without any."""
    found = []
    apart = (np.abs(v - v[i]) <= NEAR_M_S) & (np.abs(v - v[i]) > SAME_M_S)
    for side in (v < v[i], v > v[i]):
        held = np.flatnonzero(good & side & apart)
        if len(held):
            found.append(float(np.median(np.sort(share[held])[-BESIDE:])))
    return max(found, default=math.nan)


def _share(result: StretchResult) -> float:
    if result.margin is None or not result.limit_kN > 0.0:
        return math.nan
    return result.margin.value / result.limit_kN


def relative_u(result: StretchResult) -> float:
    """Standard uncertainty of a margin as a share of the specified pull."""
    if result.margin is None or not result.limit_kN > 0.0:
        return math.inf
    return result.margin.u / result.limit_kN

"""Where on the paper a converter stood at its rail: what is drawn there is a bound, no value."""

from __future__ import annotations

from collections import deque
from dataclasses import dataclass, replace
from typing import TYPE_CHECKING, Final

import numpy as np

if TYPE_CHECKING:
    from numpy.typing import NDArray

__all__ = ["RailSpans"]

_KEPT: Final = 512
"""Spans of one pen (our choice): as many as the paper keeps gaps."""
_JOINED_S: Final = 1.0
"""Railed samples less far apart are one span (our choice)."""


@dataclass(frozen=True, slots=True)
class _Span:
    t0_s: float
    t1_s: float
    d0_m: float
    d1_m: float
    highest: float


class RailSpans:
    """Of every pen, its newest."""

    def __init__(self) -> None:
        self._spans: dict[str, deque[_Span]] = {}

    def note(
        self,
        pen: str,
        t_s: NDArray[np.float64],
        path_m: NDArray[np.float64],
        values: NDArray[np.float64],
    ) -> None:
        """(k,) samples at a rail: times and distances of the paper, rising, and what is drawn."""
        if not len(t_s):
            return
        t0, t1, d0, d1 = (float(x) for x in (t_s[0], t_s[-1], path_m[0], path_m[-1]))
        # As the trace keeps it.
        found = _Span(t0, t1, d0, d1, float(np.max(values.astype(np.float32))))
        spans = self._spans.setdefault(pen, deque(maxlen=_KEPT))
        if spans and t0 - spans[-1].t1_s < _JOINED_S:
            last = spans.pop()
            found = replace(
                found,
                t0_s=last.t0_s,
                d0_m=last.d0_m,
                highest=max(last.highest, found.highest),
            )
        spans.append(found)

    def reach(self, pen: str, axis: str, x0: float, x1: float, highest: float) -> bool:
        """Whether the highest value drawn over x0 … x1 is one at a rail."""
        for span in self._spans.get(pen, ()):
            a, b = (span.t0_s, span.t1_s) if axis == "time" else (span.d0_m, span.d1_m)
            if b >= x0 and a <= x1 and span.highest >= highest:
                return True
        return False

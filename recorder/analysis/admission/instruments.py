"""Whether the instruments can be believed over a stretch: pull channel, measuring wheel."""

from __future__ import annotations

from typing import TYPE_CHECKING

import numpy as np

from calibration.quantities import flags as flag_bits
from recorder.analysis.stretches.admission_record import Criterion, CriterionKind

if TYPE_CHECKING:
    from recorder.analysis.series.series import Series
    from recorder.analysis.stretches.stretch import Stretch

__all__ = ["channel_criterion"]


def channel_criterion(series: Series, stretch: Stretch) -> Criterion:
    """Pull neither railed nor suspect."""
    held = series.flags[stretch.span]
    railed, suspect = (held & bit != 0 for bit in (flag_bits.SATURATED, flag_bits.SUSPECT))
    words = [
        f"{name} for {float(np.mean(mask)) * stretch.seconds:.1f} s"
        for name, mask in (("railed", railed), ("suspect", suspect))
        if mask.any()
    ]
    return Criterion(
        kind=CriterionKind.CHANNEL,
        value=", ".join(words) or "sound",
        limit="neither railed nor suspect",
        passed=not words,
        reason="pull or speed was railed or suspect",
    )

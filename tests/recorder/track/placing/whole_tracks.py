"""Wheel tracks of whole arrays, for the tests of placing."""

from __future__ import annotations

from typing import TYPE_CHECKING

import numpy as np

from recorder.track.placing.wheel_track import WheelTrack

if TYPE_CHECKING:
    from collections.abc import Sequence

    from numpy.typing import ArrayLike

__all__ = ["track_of"]


def track_of(t_s: ArrayLike, d_m: ArrayLike, *, restarts_s: Sequence[float] = ()) -> WheelTrack:
    """From whole arrays (n,) of time and distance."""
    block = (np.asarray(t_s, dtype=np.float64), np.asarray(d_m, dtype=np.float64))
    return WheelTrack.from_blocks([block], restarts_s=restarts_s)

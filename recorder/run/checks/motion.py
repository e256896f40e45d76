"""Whether the train moves, as wheel and receiver tell it: the speeds that say so, and one rule."""

from __future__ import annotations

import math
from enum import Enum, auto
from typing import TYPE_CHECKING, Final, NamedTuple

from calibration.quantities.receiver import RECEIVER_REST_M_S, RECEIVER_U_M_S

if TYPE_CHECKING:
    from collections.abc import Sequence

__all__ = ["MOVES_M_S", "Movement", "Said", "movement_of"]

MOVES_M_S: Final = 1.0
"""Slower is a start or a stop: slack and brakes rule the pull there (from experience)."""
WHEEL_STANDS_M_S: Final = 0.02
"""A wheel below it stands: less than a pulse or two in a second."""
RECEIVER_STANDS_M_S: Final = 2.0 * RECEIVER_U_M_S
"""A receiver alone (k = 2)."""


class Movement(Enum):
    """Of the train, as the healthy witnesses of motion tell with one voice."""

    MOVING = auto()
    STANDING = auto()
    UNKNOWN = auto()


class Said(NamedTuple):
    """What one witness says of a second."""

    by_receiver: bool
    speed_m_s: float
    """Without sign; NaN: it cannot tell."""


def movement_of(said: Sequence[Said]) -> Movement:
    """What all witnesses that can tell say with one voice; nothing while two of them disagree."""
    known = [one for one in said if math.isfinite(one.speed_m_s)]
    if not known:
        return Movement.UNKNOWN
    if all(one.speed_m_s > MOVES_M_S for one in known):
        return Movement.MOVING
    wheel = any(not one.by_receiver for one in known)
    most = RECEIVER_REST_M_S if wheel else RECEIVER_STANDS_M_S
    if all(one.speed_m_s < (most if one.by_receiver else WHEEL_STANDS_M_S) for one in known):
        return Movement.STANDING
    return Movement.UNKNOWN

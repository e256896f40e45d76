"""What stood against a reading when it was taken, and what a certificate says of it."""

from __future__ import annotations

from enum import StrEnum
from types import MappingProxyType
from typing import TYPE_CHECKING, Final

from calibration.quantities.written import many

if TYPE_CHECKING:
    from collections.abc import Mapping, Sequence

__all__ = ["Doubt", "cautions_when_taken"]

_MOST_ROWS: Final = 6


class Doubt(StrEnum):
    """Kept with the reading; the values stand in files."""

    AS_PLANNED = "as planned"
    """The applied force is the plan's: nobody measured it."""
    BY_EYE = "by eye"
    """Typed from an indicator: nothing shows that it stood still."""
    UNSTABLE = "unstable"
    STUCK = "stuck"
    """Every count was the same."""
    UNMOVED = "unmoved"
    """The counts stayed where they were although the force changed."""
    WRONG_SIGN = "wrong sign"
    OTHER_FORCE = "other force"
    """The cell reads what the earlier readings say of another force."""
    OFF_STEP = "off step"
    """The applied force, as typed or by the reference, is not the step's."""
    OUT_OF_ORDER = "out of order"
    """Lower than the step below it while rising, or higher while falling."""
    SHORT_WAIT = "short wait"
    STANDARD_NOT_VALID = "standard not valid"
    """The reference standard's certificate was not valid on the day."""

    @property
    def bars_class(self) -> bool:
        """Whether no class can rest on a reading it stood against, whatever else is stated."""
        match self:
            case Doubt.BY_EYE:
                # Indicators are read by eye everywhere: it is for the person to state that
                # they stood still.
                return False
            case (
                Doubt.AS_PLANNED
                | Doubt.UNSTABLE
                # A signal as coarse as that is coarser than the resolution that is taken for it.
                | Doubt.STUCK
                | Doubt.UNMOVED
                | Doubt.WRONG_SIGN
                | Doubt.OTHER_FORCE
                | Doubt.OFF_STEP
                | Doubt.OUT_OF_ORDER
                | Doubt.SHORT_WAIT
                | Doubt.STANDARD_NOT_VALID
            ):
                return True


_WORDS: Final[Mapping[Doubt, str]] = MappingProxyType(
    {
        Doubt.AS_PLANNED: "the applied force is the planned one, which nobody measured: no class"
        " can rest on it",
        Doubt.BY_EYE: "read from an indicator by eye: nothing shows that it stood still, or how"
        " long after the force was reached",
        Doubt.UNSTABLE: "taken while the signal was not stable",
        Doubt.STUCK: "every count was the same: a coarse or a stuck signal",
        Doubt.UNMOVED: "the counts did not move although the force changed",
        Doubt.WRONG_SIGN: "the counts went the other way for the sign of the force",
        Doubt.OTHER_FORCE: "the cell reads what the other readings say of another force",
        Doubt.OFF_STEP: "the applied force is not the step's",
        Doubt.OUT_OF_ORDER: "out of order with the step beside it",
        Doubt.SHORT_WAIT: "taken sooner after the force was reached than the plan asks",
        Doubt.STANDARD_NOT_VALID: "the certificate of the reference standard was not valid on"
        " the day",
    }
)


def cautions_when_taken(
    doubts: Sequence[tuple[Doubt, ...]], reasons: Sequence[str], rows: Sequence[int]
) -> tuple[str, ...]:
    """One sentence a doubt, with how many readings and which.

    Parameters
    ----------
    doubts, reasons, rows : (n,)
        Of the readings that count: what stood against each, why it was taken all the same,
        its row.
    """
    found = []
    for doubt, words in _WORDS.items():
        at = [i for i, stood in enumerate(doubts) if doubt in stood]
        if not at:
            continue
        named = ", ".join(str(rows[i]) for i in at[:_MOST_ROWS])
        more = "" if len(at) <= _MOST_ROWS else f" and {len(at) - _MOST_ROWS} more"
        what = "row" if len(at) == 1 else "rows"
        sentence = f"{many(len(at), 'reading')} ({what} {named}{more}): {words}"
        because = dict.fromkeys(reasons[i] for i in at if reasons[i])
        if because:
            sentence += "; taken all the same because: " + "; ".join(because)
        found.append(sentence)
    return tuple(found)

"""Words that several papers share."""

from __future__ import annotations

from typing import TYPE_CHECKING, Final

from calibration.quantities.written import short_time

if TYPE_CHECKING:
    from recorder.exchange.time_told import ClockOfRun

__all__ = ["CAUTION", "utc_words"]

CAUTION: Final = (
    "This record is no safety system and no authority to move a train. Signals, local rules and"
    " licensed practice come first."
)


def utc_words(clock: ClockOfRun) -> str:
    """How well UTC is known over a whole run, and why no better; without a full stop."""
    if not clock.known or clock.u_s is None:
        return f"UTC is not known: {clock.why or 'nothing ties it'}"
    known = f"UTC by {clock.source_words}, standard uncertainty at most {short_time(clock.u_s)}"
    return f"{known}: {clock.why}" if clock.why else known

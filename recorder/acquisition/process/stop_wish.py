"""The wish that a recording stop: from a signal, a client, or the recording itself."""

from __future__ import annotations

__all__ = ["StopWish"]


class StopWish:
    """Asked for once; the first reason stands."""

    def __init__(self) -> None:
        self.reason = ""
        """Empty while nobody has asked."""

    def ask(self, reason: str) -> None:
        """Ask for a clean stop, from a signal handler or any thread."""
        # A plain store: an Event could deadlock in a signal handler.
        self.reason = self.reason or reason

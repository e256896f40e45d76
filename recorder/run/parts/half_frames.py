"""Bytes of frames cut at either end of the reading: sent, and no record of the run."""

from __future__ import annotations

from collections.abc import Mapping
from dataclasses import dataclass
from typing import TYPE_CHECKING

from recorder.run.parts.event import EventKind
from recorder.run.parts.event_numbers import number

if TYPE_CHECKING:
    from collections.abc import Iterable
    from typing import Self

    from recorder.run.parts.event import Event

__all__ = ["HalfFrames"]


@dataclass(frozen=True, slots=True, kw_only=True)
class HalfFrames:
    """Of one device."""

    partial_bytes: int
    """Of frames half sent when the port was opened, or when its link was lost."""
    cut_bytes: int
    """Of a frame half sent at the stop."""

    @classmethod
    def of(cls, events: Iterable[Event]) -> dict[str, Self]:
        """By device, as the event of the stop holds them; none where nobody kept it: the
        recording was cut off, or the run did not come from ports.
        """
        stops = [event.data for event in events if event.kind == EventKind.STOP]
        partial, cut = (
            _counts(stops[-1].get(key)) if stops else {}
            for key in ("partial_bytes", "cut_bytes")
        )
        return {
            device: cls(partial_bytes=partial[device], cut_bytes=cut[device])
            for device in partial
            if device in cut
        }

    def in_words(self) -> str:
        """For a person; empty when no frame was cut."""
        words = []
        if self.partial_bytes:
            words.append(
                f"{self.partial_bytes} bytes of frames cut by the opening or a lost link"
            )
        if self.cut_bytes:
            words.append(f"{self.cut_bytes} bytes of a frame cut by the stop")
        return ", ".join(words)


def _counts(held: object) -> dict[str, int]:
    """Whole numbers by device; whatever else a file may hold is left out."""
    if not isinstance(held, Mapping):
        return {}
    counts = {str(device): number(count) for device, count in held.items()}
    return {device: int(count) for device, count in counts.items() if count >= 0.0}

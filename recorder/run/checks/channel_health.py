"""What can be wrong with a channel, and an episode of it: told live, kept, out of all figures."""

from __future__ import annotations

from collections.abc import Iterable, Sequence
from dataclasses import dataclass
from enum import StrEnum
from typing import Any, Final, Self

from calibration.quantities import flags as flag_bits
from recorder.run.parts.event import Event, EventKind
from recorder.run.parts.event_numbers import known, number, whole

__all__ = ["Episode", "HealthFault", "episodes_of", "told"]


class HealthFault(StrEnum):
    """What is wrong. Files hold these words."""

    STUCK = "stuck"
    """The count stands although other witnesses say that it cannot."""
    RAILED = "railed"
    SPIKING = "spiking"
    DRIFTING = "drifting at rest"
    DISAGREES = "disagrees"
    """With its double: the wheel's speed with the receiver's."""

    @property
    def flag(self) -> int:
        """The flag of samples that are no evidence because of it; 0: none is set here."""
        return _FLAGS.get(self, 0)


_FLAGS: Final = {
    HealthFault.STUCK: flag_bits.UNSOUND,
    HealthFault.DISAGREES: flag_bits.UNSOUND,
    HealthFault.SPIKING: flag_bits.SPIKE,
}
"""Railed samples are flagged by the certificate, sample by sample; a drifting zero is a matter of
the zero line, and no sample is more wrong than its neighbour."""


@dataclass(frozen=True, slots=True, kw_only=True)
class Episode:
    """A stretch in which a channel was not sound."""

    device: str
    channels: tuple[str, ...]
    """All that are made of the same counts."""
    fault: HealthFault
    t_start_s: float
    t_stop_s: float
    """Run times of its first and last sample."""
    first_record: int
    stop_record: int
    """The record after its last."""
    samples: int
    """That are affected: of spikes and rails fewer than the stretch holds."""
    text: str
    """What was seen, in words, without the channel's name and its times."""

    @property
    def what(self) -> str:
        """Channels and fault: ``distance and speed disagree``."""
        several = self.fault is HealthFault.DISAGREES and len(self.channels) > 1
        return f"{' and '.join(self.channels)} {'disagree' if several else self.fault}"

    @property
    def words(self) -> str:
        """One line with channel, fault and extent."""
        return f"{self.what}, {self.t_start_s:.1f} to {self.t_stop_s:.1f} s: {self.text}"

    def to_json(self) -> dict[str, object]:
        """As programs read it."""
        return {
            "channels": list(self.channels),
            "device": self.device,
            "fault": str(self.fault),
            "start_s": self.t_start_s,
            "end_s": self.t_stop_s,
            "samples": self.samples,
            "detail": self.text,
        }

    def to_event(self) -> Event:
        """As it is kept with the run."""
        data: dict[str, Any] = {
            "device": self.device,
            "channels": list(self.channels),
            "fault": str(self.fault),
            "t_stop_s": known(self.t_stop_s),
            "first_record": self.first_record,
            "stop_record": self.stop_record,
            "samples": self.samples,
            "text": self.text,
        }
        return Event(kind=EventKind.CHANNEL_HEALTH, t_s=self.t_start_s, data=data)

    @classmethod
    def from_event(cls, event: Event) -> Self:
        """Inverse of :meth:`to_event`.

        Raises
        ------
        ValueError
            The event does not say what was wrong with which channel, and when.
        """
        data = event.data
        names, device = data.get("channels"), data.get("device")
        stop_s = number(data.get("t_stop_s"))
        if (
            not isinstance(names, list)
            or not isinstance(device, str)
            or not stop_s >= event.t_s
        ):
            msg = f"an event of a channel's health gives no channels or extent, got {data}"
            raise ValueError(msg)
        return cls(
            device=device,
            channels=tuple(str(name) for name in names),
            fault=HealthFault(str(data.get("fault"))),
            t_start_s=event.t_s,
            t_stop_s=stop_s,
            first_record=whole(data.get("first_record")),
            stop_record=whole(data.get("stop_record")),
            samples=whole(data.get("samples")),
            text=str(data.get("text", "")),
        )


def episodes_of(events: Iterable[Event]) -> list[Episode]:
    """Every episode among the events of a run, in the order given; what does not read as one
    (of a newer version, or damaged) is left out."""
    found = []
    for event in events:
        if event.kind == EventKind.CHANNEL_HEALTH:
            try:
                found.append(Episode.from_event(event))
            except ValueError:
                continue
    return found


def told(episodes: Sequence[Episode], most: int) -> list[str]:
    """At most so many in words, a line each, and how many there are more."""
    lines = [f"not sound: {episode.words}" for episode in episodes[:most]]
    if (more := len(episodes) - most) > 0:
        lines.append(f"… and {more:,} more in which a channel was not sound")
    return lines

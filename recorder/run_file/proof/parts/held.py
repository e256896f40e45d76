"""An opened sealed run as the proofs read it."""

from __future__ import annotations

from contextlib import contextmanager
from dataclasses import dataclass
from functools import cached_property
from typing import TYPE_CHECKING, Final

from recorder.machine.version import software
from recorder.run.parts.errors import UnreadableError
from recorder.run.parts.event import EventKind
from recorder.run.parts.gap import Cause
from recorder.run.time.timeline import TieSource
from recorder.run_file.hdf5.open import open_for_reading
from recorder.run_file.hdf5.stored_header import read_header
from recorder.run_file.hdf5.tables import (
    read_events,
    read_gaps,
    read_marks,
    read_tick_ties,
    read_utc,
)
from recorder.run_file.seal.final_health import find_health
from recorder.run_file.seal.final_times import as_they_stand, tie_device

if TYPE_CHECKING:
    from collections.abc import Callable, Iterator
    from pathlib import Path

    import numpy as np
    from numpy.typing import NDArray

    from recorder.marks.mark import Mark
    from recorder.run.parts.event import Event
    from recorder.run.parts.gap import Gap
    from recorder.run.parts.header import DeviceHeader, RunHeader
    from recorder.run.time.timeline import Segment, Timeline
    from recorder.run.time.utc import UtcSource
    from recorder.run_file.hdf5.store import Store
    from recorder.run_file.proof.parts.proof import Proof
    from recorder.run_file.seal.final_health import FoundHealth

__all__ = ["KEPT_BACK", "Held", "device_by_device", "open_held"]

KEPT_BACK: Final = frozenset({Cause.RING_OVERRUN, Cause.RING_DAMAGED, Cause.JOURNAL_DAMAGED})
"""Losses on the computer's side: those records had come, and were counted."""


@dataclass(frozen=True)
class Held:
    """The store of a sealed run with what all proofs need of it. Nothing is written."""

    store: Store
    header: RunHeader

    @cached_property
    def marks(self) -> list[Mark]:
        """Every revision in the run file, in order of entry."""
        return read_marks(self.store)

    @cached_property
    def gaps(self) -> list[Gap]:
        """All gaps."""
        return read_gaps(self.store)

    @cached_property
    def events(self) -> list[Event]:
        """Events other than gaps, in the order kept."""
        return read_events(self.store)

    @cached_property
    def ties(self) -> dict[str, tuple[Segment, ...]]:
        """By device: the stretches of one tie, as stored."""
        return read_tick_ties(self.store, self.header)

    @cached_property
    def utc(self) -> tuple[NDArray[np.void], UtcSource]:
        """The nodes of UTC as stored, (k,) of ``UTC_DTYPE``, and what they go by."""
        held = read_utc(self.store, self.header)
        if held is None:
            raise UnreadableError(self.store.path, "it is not sealed")
        return held

    @cached_property
    def lines(self) -> dict[str, Timeline]:
        """By device: its ticks tied to run time again, as the seal does."""
        return {
            device.name: as_they_stand(self.store, device)
            if self.given(device)
            else tie_device(self.store, self.header, device, self.gaps, self.events)
            for device in self.header.devices
        }

    @cached_property
    def health(self) -> FoundHealth:
        """The health of every channel found again, as at the seal."""
        return find_health(self.store, self.header)

    def given(self, device: DeviceHeader) -> bool:
        """Whether its times came with its values and were never tied to ticks."""
        ties = self.ties.get(device.name, ())
        said = bool(ties) and all(tie.source is TieSource.GIVEN for tie in ties)
        # A table is one block; more were received one by one, whatever the ties say.
        return said and self.store.column(f"blocks/{device.name}").n <= 1

    def gaps_of(self, device: str) -> list[Gap]:
        """The gaps of one device, in the order kept."""
        return [gap for gap in self.gaps if gap.device == device]

    @property
    def stop_s(self) -> float | None:
        """Run time of the stop; None: the recording did not end in one."""
        return next((e.t_s for e in self.events if e.kind == EventKind.STOP), None)

    @property
    def other_version(self) -> str:
        """What recorded it, where that is not this version; else empty."""
        return "" if self.header.software == software() else self.header.software


@contextmanager
def open_held(path: Path) -> Iterator[Held]:
    """Open a sealed run for its proofs.

    Raises
    ------
    RunFileError, OSError
        It cannot be read.
    """
    with open_for_reading(path) as store:
        yield Held(store, read_header(store))


def device_by_device(
    held: Held,
    prove: Callable[[Held, DeviceHeader], Proof],
    progress: Callable[[float], None],
) -> Iterator[Proof]:
    """One proof of every device, in the order of the header."""
    devices = held.header.devices
    for i, device in enumerate(devices):
        yield prove(held, device)
        progress((i + 1) / len(devices))

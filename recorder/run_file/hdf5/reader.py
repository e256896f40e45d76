"""Reading a run file: sealed, live or left behind by a crash, all through one door."""

from __future__ import annotations

import math
from functools import cached_property, partial
from pathlib import Path
from typing import TYPE_CHECKING, Final, Self

import numpy as np

from calibration.quantities.flags import describe as describe_flags
from recorder.marks.mark import Mark, current
from recorder.run.checks.shunt_check import ShuntCheck, shunt_checks_of
from recorder.run.checks.zero_line import Zero, current_zeros, zeros_of
from recorder.run.parts.event import EventKind
from recorder.run.time.utc import UtcScale, wall_clock_scale
from recorder.run.values.amended import AmendedZero, amended_zeros
from recorder.run.values.calibrate import force_certificates, parse_certificates
from recorder.run.values.overview import Overview
from recorder.run_file.companion.companion import Companion, companion_path
from recorder.run_file.hdf5.devices import Channel, Device
from recorder.run_file.hdf5.open import open_for_reading
from recorder.run_file.hdf5.stored_header import read_header, sealed_digest
from recorder.run_file.hdf5.stored_overviews import raw_overview, stored_level
from recorder.run_file.hdf5.tables import (
    read_events,
    read_gaps,
    read_marks,
    read_tick_ties,
    read_utc,
)
from recorder.sheets.car import CarSheet, parse_car_sheet
from recorder.sheets.trip import TripSheet, parse_trip_sheet

if TYPE_CHECKING:
    from types import TracebackType

    from calibration.certificates.certificate import Certificate
    from calibration.certificates.force import ForceCertificate
    from recorder.run.parts.event import Event
    from recorder.run.parts.gap import Gap
    from recorder.run.time.timeline import Segment
    from recorder.run_file.hdf5.store import Store

__all__ = ["RunFile", "open_run"]

FEW_SAMPLES: Final = 100_000
"""Samples read and binned exactly, rather than taken from the stored overviews."""


def open_run(path: Path | str) -> RunFile:
    """Open a run file for reading.

    A file that is being written, or was left behind by a crash, opens too: ``complete`` is then
    False and it holds what had been flushed.

    Raises
    ------
    FileNotFoundError, OSError
        There is none, or it may not be read.
    RunFileError
        Not a run file, of a newer layout, or damaged; one line that names the file.
    """
    store = open_for_reading(Path(path))
    try:
        return RunFile(store)
    except BaseException:
        store.close()
        raise


class RunFile:
    """One run, with its companion, read only. Close it, or use it in a ``with``."""

    def __init__(self, store: Store) -> None:
        self.path = store.path
        self._store = store
        self.header = read_header(store)
        self.complete = store.number("complete") == 1
        self.live = store.growing
        self.devices = {device.name: Device(store, device) for device in self.header.devices}
        self.channels: dict[str, Channel] = {
            channel.name: Channel(
                self.devices[device.name], channel, partial(self._amended, channel.name)
            )
            for device in self.header.devices
            for channel in device.channels
        }
        self.companion = Companion(
            companion_path(store.path), self.header.run_id, sealed_digest(store)
        )

    # ------------------------------------------------------------------ what it is

    @cached_property
    def car(self) -> CarSheet | None:
        """The car sheet; None when the run has none (imported runs).

        Raises
        ------
        SheetError
        """
        text = self.header.car_sheet
        return parse_car_sheet(text, source=f"{self.path}: car sheet") if text.strip() else None

    @cached_property
    def trip(self) -> TripSheet | None:
        """The trip sheet; None when the run has none."""
        text = self.header.trip_sheet
        return (
            parse_trip_sheet(text, source=f"{self.path}: trip sheet") if text.strip() else None
        )

    @cached_property
    def certificates(self) -> dict[str, Certificate]:
        """Certificates by the name channels use."""
        return parse_certificates(self.header)

    @property
    def force_certificates(self) -> dict[str, ForceCertificate]:
        """By channel: those that have a zero to take."""
        return force_certificates(self.header, self.certificates)

    @property
    def duration_s(self) -> float:
        """Run time of the end: last sample, or the stop when it came later."""
        if self.complete or self._store.has_attribute("duration_s"):
            return self._store.number("duration_s")
        return max((d.end_s for d in self.devices.values()), default=0.0)

    @cached_property
    def utc(self) -> UtcScale:
        """Run time to UTC, with uncertainty."""
        if (held := read_utc(self._store, self.header)) is None:
            return wall_clock_scale(self.header)
        nodes, source = held
        return UtcScale(nodes, source.source, source.judgement)

    @property
    def sealed_utc(self) -> str | None:
        """When it was sealed, ISO 8601; None before."""
        return self._store.word("sealed_utc")

    @property
    def digest(self) -> str | None:
        """``sha256:…`` over the digests of all datasets; None before the seal."""
        return sealed_digest(self._store)

    def tick_ties(self) -> dict[str, tuple[Segment, ...]]:
        """By device: the stretches of one tie of ticks to run time, with uncertainty."""
        return read_tick_ties(self._store, self.header)

    # ------------------------------------------------------------------ what happened

    def revisions(self) -> list[Mark]:
        """Every revision of every mark, of the run and of its companion."""
        return read_marks(self._store) + self.companion.revisions()

    def marks(self) -> list[Mark]:
        """The newest revision of each mark in order of run time, withdrawn ones left out."""
        return current(self.revisions())

    def gaps(self, device: str | None = None) -> list[Gap]:
        """Gaps, of one device or of all, in order of time."""
        chosen = [g for g in read_gaps(self._store) if device is None or g.device == device]
        return sorted(chosen, key=lambda g: (g.t_start_s, g.t_end_s))

    def events(self, kind: str | None = None) -> list[Event]:
        """Events other than gaps, of one kind or of all."""
        events = read_events(self._store)
        return [e for e in events if kind is None or e.kind == kind]

    def zero_revisions(self) -> list[Zero]:
        """Every zero taken or stated, and every revision of one, of the run and its companion."""
        return self._sealed_zeros() + self.companion.zero_revisions()

    def zeros(self) -> list[Zero]:
        """Zeros taken or stated, accepted, refused or withdrawn, each as its newest revision has
        it, in the order taken."""
        return current_zeros(self.zero_revisions())

    def _sealed_zeros(self) -> list[Zero]:
        return zeros_of(self.events(EventKind.ZERO))

    def amended_channels(self) -> dict[str, AmendedZero]:
        """Force channels whose zero was revised after the seal; their values are made again."""
        return self._amended_zeros

    @cached_property
    def _amended_zeros(self) -> dict[str, AmendedZero]:
        revisions = self.companion.zero_revisions() if self.complete else []
        if not revisions:
            return {}
        sealed = self._sealed_zeros()
        return amended_zeros(self.force_certificates, sealed, [*sealed, *revisions])

    def _amended(self, channel: str) -> AmendedZero | None:
        return self._amended_zeros.get(channel)

    def shunt_checks(self) -> list[ShuntCheck]:
        """Every step of every shunt check, in the order kept."""
        return shunt_checks_of(self.events(EventKind.SHUNT_CHECK))

    # ------------------------------------------------------------------ numbers

    def overview(self, channel: str, t0_s: float, t1_s: float, n: int) -> Overview:
        """n even bins from ``t0_s`` to ``t1_s``: minimum, maximum, mean, flags, count.

        Exact where the samples are few. Else a stored bin (a quarter of a bin's width or less)
        goes whole to the bin its middle falls in. Cheap at any width.

        Raises
        ------
        KeyError
            No such channel.
        ValueError
            ``t1_s`` is not after ``t0_s``, or ``n`` is below 1.
        """
        if not (t0_s < t1_s and n >= 1):
            msg = f"overview: t1_s must be after t0_s and n at least 1, got {t0_s}, {t1_s}, {n}"
            raise ValueError(msg)
        found = self.channels[channel]
        level = stored_level(self._store, channel, (t1_s - t0_s) / n)
        few = found.index_at(t1_s) - found.index_at(t0_s) <= FEW_SAMPLES
        if level is None or few:
            return raw_overview(found, t0_s, t1_s, n)
        seen = level.overview(t0_s, t1_s, n)
        amended = self._amended(channel)
        return seen if amended is None else amended.overview(seen)

    def extremes(self, channel: str) -> tuple[float, float, list[str]]:
        """Least and greatest value (NaN: none) and the flags that occur, in words."""
        found = self.channels[channel]
        level = stored_level(self._store, channel, math.inf)
        if level is None or self._amended(channel) is not None:
            seen = raw_overview(found, 0.0, max(self.devices[found.device].end_s, 0.0) + 1.0, 1)
            low, high, bits = seen.minimum, seen.maximum, seen.flags
        else:
            rows = level.rows.read()
            low, high, bits = rows["minimum"], rows["maximum"], rows["flags"]
        flags = int(np.bitwise_or.reduce(bits)) if len(bits) else 0
        words = [] if flags == 0 else describe_flags(flags).split(", ")
        return float(np.fmin.reduce(low)), float(np.fmax.reduce(high)), words

    def close(self) -> None:
        """Close; may be called twice."""
        self._store.close()

    def __enter__(self) -> Self:
        return self

    def __exit__(
        self,
        kind: type[BaseException] | None,
        error: BaseException | None,
        trace: TracebackType | None,
    ) -> None:
        self.close()

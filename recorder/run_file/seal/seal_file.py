"""The seal: times refitted, values made again, overviews, full texts, digests, closing words.

The file is opened for writing once more after the recording, and never again after that.
"""

from __future__ import annotations

import hashlib
import json
import os
import time
from dataclasses import asdict, dataclass, replace
from pathlib import Path
from typing import TYPE_CHECKING, Any

import numpy as np

from recorder.run.parts.errors import RunFileError
from recorder.run.parts.event import EventKind
from recorder.run.parts.gap import gaps_of
from recorder.run.parts.progress import untold
from recorder.run.time.utc import utc_text
from recorder.run_file.hdf5.create import put_text
from recorder.run_file.hdf5.open import open_for_reading, open_for_writing
from recorder.run_file.hdf5.stored_header import read_header
from recorder.run_file.seal.digests import (
    bytes_digest,
    closing_line,
    digests_of,
    digests_to_json,
    read_closing_line,
)
from recorder.run_file.seal.final_health import flag_health
from recorder.run_file.seal.final_overviews import write_overviews
from recorder.run_file.seal.final_times import as_they_stand, duration_of, refit_times, tie_utc
from recorder.run_file.seal.final_values import revalue_device
from recorder.run_file.seal.signature import signature_line

if TYPE_CHECKING:
    from collections.abc import Sequence

    from recorder.marks.mark import Mark
    from recorder.run.parts.event import Event
    from recorder.run.parts.gap import Gap
    from recorder.run.parts.header import RunHeader
    from recorder.run.parts.progress import Progress
    from recorder.run.time.timeline import Timeline
    from recorder.run_file.hdf5.store import Store
    from recorder.run_file.seal.signature import Signer

__all__ = ["mark_complete", "seal_file"]

TIMES, UTC, VALUES, HEALTH, OVERVIEWS, DIGESTS = 0.0, 0.15, 0.2, 0.45, 0.5, 0.7
"""Part of the whole work done when each step begins, of a run of twelve hours."""


@dataclass(frozen=True, slots=True, kw_only=True)
class _Work:
    store: Store
    header: RunHeader
    marks: Sequence[Mark]
    events: Sequence[Event]
    gaps: Sequence[Gap]
    progress: Progress
    given_times: bool


def seal_file(
    path: Path | str,
    *,
    marks: Sequence[Mark],
    events: Sequence[Event],
    progress: Progress | None = None,
    given_times: bool = False,
) -> None:
    """Finish a run file, all but the word ``complete`` (see :func:`mark_complete`).

    Parameters
    ----------
    marks, events
        Every revision and every event in full, gaps among them.
    progress
        Called with the part done, 0 to 1, and what is being done.
    given_times
        The times stand as they are and are not refitted (imported runs).

    Raises
    ------
    RunFileError
        Not an unsealed run file, or damaged.
    OSError
        Disk full or not writable.
    """
    place = Path(path)
    _refuse_sealed(place)
    with open_for_writing(place) as store:
        _seal(
            _Work(
                store=store,
                header=read_header(store),
                marks=marks,
                events=events,
                gaps=gaps_of(events),
                progress=progress or untold,
                given_times=given_times,
            )
        )
        store.sync()


def _seal(work: _Work) -> None:
    store, header = work.store, work.header
    _level(work)
    lines = _times(work)
    duration_s = duration_of(store, work.events)
    work.progress(UTC, "UTC")
    tie_utc(store, header, lines, duration_s, work.events)
    for i, device in enumerate(header.devices):
        part = VALUES + (HEALTH - VALUES) * i / len(header.devices)
        work.progress(part, f"values of {device.name}")
        revalue_device(store, header, device, lines[device.name], work.events)
    work.progress(HEALTH, "health of the channels")
    health = [episode.to_event() for episode in flag_health(store, header)]
    write_overviews(
        store, header, lambda p, w: work.progress(OVERVIEWS + (DIGESTS - OVERVIEWS) * p, w)
    )
    _full_texts(work, health)
    store.set_attributes(
        "/", {"duration_s": duration_s, "sealed_utc": np.bytes_(utc_text(time.time_ns()))}
    )
    work.progress(DIGESTS, "digests")
    _put_digests(store, lambda p, w: work.progress(DIGESTS + (1.0 - DIGESTS) * p, w))


def _refuse_sealed(place: Path) -> None:
    """Look before the file is opened for writing, which alone would change it."""
    with place.open("rb") as raw:
        closed = read_closing_line(raw) is not None
    with open_for_reading(place) as store:
        closed = closed or store.number("complete") != 0 or store.has("digests")
    if closed:
        msg = f"{place}: sealed already; a sealed run is never written to again"
        raise RunFileError(msg)


def mark_complete(path: Path | str, signer: Signer | None = None) -> None:
    """Set the last word of a sealed file, sign it, and close it with a digest of all, durably.

    Signature and digest stand behind the end of the HDF5 file, where its readers do not look.
    """
    place = Path(path)
    with open_for_writing(place) as store:
        store.set_attributes("/", {"complete": np.uint8(1)})
        run_id = "" if signer is None else read_header(store).run_id
    with place.open("r+b") as raw:
        digest = bytes_digest(raw)
        line = b""
        if signer is not None:
            now = utc_text(time.time_ns())
            sha256 = digest.hexdigest()
            line = signature_line(signer, run_id=run_id, sha256=sha256, signed_utc=now)
        digest.update(line)
        raw.seek(0, os.SEEK_END)
        raw.write(line + closing_line(digest.hexdigest()))
        raw.flush()
        os.fsync(raw.fileno())


def _level(work: _Work) -> None:
    """Cut every column of a device to the shortest (a killed writer leaves one append)."""
    for device in work.header.devices:
        columns = work.store.columns(f"devices/{device.name}").values()
        n = min(column.n for column in columns)
        for column in columns:
            if column.n != n:
                column.resize(n)


def _times(work: _Work) -> dict[str, Timeline]:
    lines = {}
    for device in work.header.devices:
        if work.given_times:
            lines[device.name] = as_they_stand(work.store, device)
        else:
            work.progress(TIMES, f"times of {device.name}")
            lines[device.name] = refit_times(
                work.store, work.header, device, work.gaps, work.events
            )
    ties = {name: [s.to_dict() for s in line.segments] for name, line in lines.items()}
    put_text(work.store, "clock/ticks", json.dumps(ties))
    return lines


def _full_texts(work: _Work, health: list[Event]) -> None:
    gaps = [_in_final_time(work.store, gap) for gap in work.gaps]
    # What an earlier file said of its channels' health has just been found anew.
    apart = (EventKind.GAP, EventKind.CHANNEL_HEALTH)
    others = [*(event for event in work.events if event.kind not in apart), *health]
    put_text(work.store, "marks/json", _json([mark.to_dict() for mark in work.marks]))
    put_text(work.store, "gaps/json", _json([asdict(gap) for gap in gaps]))
    put_text(work.store, "events/json", _json([asdict(event) for event in others]))


def _json(rows: list[dict[str, Any]]) -> str:
    return json.dumps(rows, sort_keys=True, ensure_ascii=False)


def _in_final_time(store: Store, gap: Gap) -> Gap:
    """The gap between the refitted times of the records on either side of it."""
    path, at = f"devices/{gap.device}/time_s", gap.before_record
    if not store.has(path) or not 0 < at < (column := store.column(path)).n:
        return gap
    before_s, after_s = column.read(at - 1, at + 1)
    return replace(gap, t_start_s=float(before_s), t_end_s=float(after_s))


def _put_digests(store: Store, progress: Progress) -> None:
    text = digests_to_json(digests_of(store, progress=progress))
    put_text(store, "digests/json", text)
    digest = hashlib.sha256(text.encode()).hexdigest()
    store.set_attributes("/", {"digests_sha256": np.bytes_(digest)})

"""Counts of records: the file's rows against its blocks, the status kept live, and the stop."""

from __future__ import annotations

from typing import TYPE_CHECKING, Any, Final

import numpy as np

from recorder.run.parts.event import EventKind
from recorder.run.parts.silence import REMEMBERED, Rhythm
from recorder.run_file.proof.parts.held import KEPT_BACK, device_by_device
from recorder.run_file.proof.parts.proof import Check, Proof, State

if TYPE_CHECKING:
    from collections.abc import Callable, Iterator

    from numpy.typing import NDArray

    from recorder.run.parts.header import DeviceHeader
    from recorder.run_file.proof.parts.held import Held

__all__ = ["prove_records"]

LIVE_SLACK_S: Final = 2.0
"""A status is put together in well under a second beside threads that go on counting; twice a
second's work is allowed (from experience)."""
SILENT_S: Final = 3.0
"""From a device's last record to the stop without a gap: longer is a loss that is not told. The
recording may know of a longer usual pause than was seen: a receiver's, which is a second."""
CHUNK: Final = 2_000_000
"""Ticks read at once."""
_FIELDS: Final = ("sequence", "first_record", "n", "received_s", "tick_last")


def prove_records(held: Held, progress: Callable[[float], None]) -> Iterator[Proof]:
    """Every device's number of records against all that tells of it."""
    return device_by_device(held, _prove, progress)


def _prove(held: Held, device: DeviceHeader) -> Proof:
    n = held.store.column(f"devices/{device.name}/tick").n
    blocks = held.store.column(f"blocks/{device.name}").read_fields(_FIELDS)
    wrong = [*_blocks(held, device, blocks, n), *_tail(held, device, blocks, n)]
    checked = [] if held.given(device) else [f"{len(blocks):,} blocks"]
    for what, words in (
        ("the stop", _at_stop(held, device, n)),
        ("the status of every second", _live(held, device, blocks)),
        ("the number of gaps counted live", _gaps_counted(held, device)),
    ):
        if words is not None:
            checked.append(what)
            wrong += [words] if words else []
    if wrong:
        return _proof(device, State.CONTRADICTED, "; ".join(wrong))
    if len(checked) < 2:
        words = f"{n:,} records; the file holds no count of them from the recording itself"
        return _proof(device, State.NOT_PROVED, words)
    return _proof(device, State.PROVED, f"{n:,} records agree with {', '.join(checked)}")


def _blocks(
    held: Held, device: DeviceHeader, blocks: NDArray[np.void], n: int
) -> Iterator[str]:
    """The table of blocks against the rows and their ticks."""
    counted = int(blocks["n"].sum(dtype=np.int64))
    if counted != n:
        yield f"its blocks tell of {counted:,} records, the file holds {n:,}"
        return
    if not n:
        return
    ends = np.cumsum(blocks["n"], dtype=np.int64)
    first = ends - blocks["n"]
    if not np.array_equal(first, blocks["first_record"].astype(np.int64)):
        at = int(np.argmax(first != blocks["first_record"].astype(np.int64)))
        yield f"block {at:,} does not begin where the one before ends"
        return
    ticks = held.store.column(f"devices/{device.name}/tick")
    found = _at_ends(ticks.read, ends - 1, n)
    odd = np.flatnonzero(found != blocks["tick_last"])
    if len(odd):
        at = int(odd[0])
        yield (
            f"the last tick of block {at:,} was {blocks['tick_last'][at]} when it was received,"
            f" its record {ends[at] - 1:,} says {found[at]}"
        )
    yield from _block_numbers(held, device, blocks)


def _block_numbers(held: Held, device: DeviceHeader, blocks: NDArray[np.void]) -> Iterator[str]:
    """Blocks are numbered: one that is missing was lost on the computer's side, and is told."""
    lost_at = {g.before_record for g in held.gaps_of(device.name) if g.cause in KEPT_BACK}
    steps = np.diff(blocks["sequence"].astype(np.int64))
    for i in np.flatnonzero(steps != 1).tolist():
        if int(blocks["first_record"][i + 1]) not in lost_at:
            yield (
                f"after block number {blocks['sequence'][i]} comes"
                f" {blocks['sequence'][i + 1]}, and no gap tells of what lay between"
            )
            return


def _at_ends(
    read: Callable[[int, int], NDArray[Any]], index: NDArray[np.int64], n: int
) -> NDArray[Any]:
    """Rows of a column at rising indices, read by chunks."""
    parts = []
    for start in range(0, n, CHUNK):
        stop = min(start + CHUNK, n)
        low, high = np.searchsorted(index, [start, stop])
        if low < high:
            parts.append(read(start, stop)[index[low:high] - start])
    return np.concatenate(parts)


def _kept_back(held: Held, device: DeviceHeader) -> int:
    gaps = held.gaps_of(device.name)
    return sum(gap.lost_records for gap in gaps if gap.cause in KEPT_BACK)


def _at_stop(held: Held, device: DeviceHeader, n: int) -> str | None:
    """Against what the stop says had come; None: it does not say."""
    for event in held.events:
        if event.kind != EventKind.STOP:
            continue
        counted = _number(event.data.get("records"), device.name)
        if counted is None:
            return None
        lost = _kept_back(held, device)
        if counted - lost == n:
            return ""
        less = f", of which {lost:,} are told lost on the computer's side" if lost else ""
        return f"at the stop {counted:,} records had come{less}; the file holds {n:,}"
    return None


def _live(held: Held, device: DeviceHeader, blocks: NDArray[np.void]) -> str | None:
    """Against the numbers kept with the status of every second; None: there are none."""
    told = [
        (event.t_s, counted)
        for event in held.events
        if event.kind == EventKind.HEALTH
        and (counted := _number(_of(event.data, device), "records")) is not None
    ]
    if not told:
        return None
    lost = _kept_back(held, device)
    received_s = blocks["received_s"]
    come = np.concatenate([[0], np.cumsum(blocks["n"], dtype=np.int64)])
    for t_s, counted in told:
        # A loss may come to light later than it was counted: any part of it may be missing.
        low = come[np.searchsorted(received_s, t_s - LIVE_SLACK_S)]
        high = come[np.searchsorted(received_s, t_s + LIVE_SLACK_S)] + lost
        if not low <= counted <= high:
            return (
                f"the status at {t_s:.1f} s counted {counted:,} records; by the blocks in the"
                f" file it was between {low:,} and {high:,}"
            )
    return ""


def _gaps_counted(held: Held, device: DeviceHeader) -> str | None:
    """Against the number of gaps in the last status; None: it has none."""
    counts = [
        counted
        for event in held.events
        if event.kind == EventKind.HEALTH
        and (counted := _number(_of(event.data, device), "gaps")) is not None
    ]
    if not counts:
        return None
    there = sum(gap.cause not in KEPT_BACK for gap in held.gaps_of(device.name))
    most = max(counts)
    if there >= most:
        return ""
    return f"the recording counted {most:,} gaps, the file tells of {there:,}"


def _tail(held: Held, device: DeviceHeader, blocks: NDArray[np.void], n: int) -> Iterator[str]:
    """From the last record to the stop, by the rule of silence that the recording has."""
    stop_s = held.stop_s
    if stop_s is None or not len(blocks) or held.given(device):
        return
    rhythm = Rhythm()
    for received_s in blocks["received_s"][-REMEMBERED - 1 :].tolist():
        rhythm.heard(received_s)
    silent_s = stop_s - float(blocks["received_s"][-1])
    told = any(gap.before_record >= n for gap in held.gaps_of(device.name))
    if silent_s > max(SILENT_S, rhythm.quiet_after_s) and not told:
        yield (
            f"its last record came {silent_s:.1f} s before the stop, and no gap tells why"
            " nothing came"
        )


def _of(data: dict[str, Any], device: DeviceHeader) -> object:
    devices = data.get("devices")
    return devices.get(device.name) if isinstance(devices, dict) else None


def _number(data: object, name: str) -> int | None:
    """A count among an event's data, which may be of any version; None: there is none."""
    held = data.get(name) if isinstance(data, dict) else None
    return held if isinstance(held, int) and not isinstance(held, bool) else None


def _proof(device: DeviceHeader, state: State, words: str) -> Proof:
    return Proof(check=Check.RECORDS, of=device.name, state=state, words=words)

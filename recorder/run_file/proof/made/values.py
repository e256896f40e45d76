"""Calibrated values made again from counts and certificate, as the seal made them."""

from __future__ import annotations

from typing import TYPE_CHECKING, Final

import numpy as np

from calibration.quantities.flags import describe
from calibration.quantities.written import many
from recorder.run.parts.errors import RunFileError
from recorder.run.values.calibrate import parse_certificates
from recorder.run_file.proof.made.tally import Tally
from recorder.run_file.proof.made.versions import made_otherwise
from recorder.run_file.proof.parts.proof import Check, Proof, State
from recorder.run_file.seal.final_values import made_values

if TYPE_CHECKING:
    from collections.abc import Callable, Iterator, Mapping

    from numpy.typing import NDArray

    from recorder.run.parts.header import ChannelHeader, DeviceHeader
    from recorder.run_file.hdf5.store import Column
    from recorder.run_file.proof.parts.held import Held
    from recorder.run_file.seal.final_values import MadeValues

__all__ = ["prove_values"]

RELATIVE: Final = 1e-9
"""Of values kept with 64 bits: machines and libraries sum in different orders."""


def prove_values(held: Held, progress: Callable[[float], None]) -> Iterator[Proof]:
    """Every channel that has counts; the first difference is told with both values."""
    try:
        parse_certificates(held.header)
    except RunFileError as error:
        words = f"no value can be made again: {error}"
        yield Proof(check=Check.VALUES, state=State.NOT_PROVED, words=words)
        return
    devices = held.header.devices
    total = sum(held.store.column(f"devices/{d.name}/tick").n for d in devices) or 1
    done = 0
    for device in devices:
        n = held.store.column(f"devices/{device.name}/tick").n
        yield from _prove(held, device, _part_of(progress, done, n, total))
        done += n


def _part_of(
    progress: Callable[[float], None], done: int, n: int, total: int
) -> Callable[[int], None]:
    return lambda at: progress((done + min(at, n)) / total)


def _prove(
    held: Held, device: DeviceHeader, progress: Callable[[int], None]
) -> Iterator[Proof]:
    columns = held.store.columns(f"devices/{device.name}")
    tallies = {channel.name: Tally() for channel in device.channels if channel.field}
    events = [*held.events, *(gap.to_event() for gap in held.gaps)]
    ties = held.ties.get(device.name, ())
    for made in made_values(columns, held.header, device, ties, events):
        stop = made.start + len(made.values)
        unsound = held.health.flags_of(made.channel, made.start, stop)
        whole = made._replace(flags=made.flags | unsound)
        _compare(tallies[made.channel], columns, whole)
        progress(made.start)
    for channel in device.channels:
        if channel.field:
            yield _outcome(held, channel, tallies[channel.name])
        else:
            words = "its values came as they are, without counts: they cannot be made again"
            yield _proof(channel, State.NOT_PROVED, words)


def _compare(tally: Tally, columns: Mapping[str, Column], made: MadeValues) -> None:
    stop = made.start + len(made.values)
    stored = columns[made.channel].read(made.start, stop)
    values = made.values.astype(stored.dtype)
    tally.n += len(values)
    same = (stored == values) | (np.isnan(stored) & np.isnan(values))
    if not same.all():
        _differences(tally, columns, made, stored, values)
    flags = columns[f"{made.channel}_flags"].read(made.start, stop)
    odd = np.flatnonzero(flags != made.flags)
    if len(odd):
        tally.unlike += len(odd)
        tally.taken_away += int(np.count_nonzero(flags & ~made.flags))
        if tally.first_flag is None:
            i = int(odd[0])
            tally.first_flag = (made.start + i, int(flags[i]), int(made.flags[i]))


def _differences(
    tally: Tally,
    columns: Mapping[str, Column],
    made: MadeValues,
    stored: NDArray[np.floating],
    values: NDArray[np.floating],
) -> None:
    away = np.abs(stored.astype(np.float64) - values.astype(np.float64))
    size = np.maximum(np.abs(stored), np.abs(values))
    allowed = np.spacing(size).astype(np.float64)
    if stored.dtype.itemsize == 8:
        allowed = np.maximum(allowed, RELATIVE * np.maximum(size, 1.0))
    odd = np.flatnonzero((away > allowed) | (np.isnan(stored) != np.isnan(values)))
    if not len(odd):
        return
    tally.differ += len(odd)
    # A value on one side alone is a difference of any size.
    tally.worst = max(tally.worst, float(np.max(np.nan_to_num(away[odd], nan=np.inf))))
    if tally.first is None:
        i = int(odd[0])
        at = made.start + i
        t_s = float(columns["time_s"].read(at, at + 1)[0])
        tally.first = (at, t_s, float(stored[i]), float(values[i]))


def _outcome(held: Held, channel: ChannelHeader, tally: Tally) -> Proof:
    if not tally.n:
        return _proof(channel, State.NOT_PROVED, "there is no value of it")
    if tally.first is not None:
        if held.other_version and (why := made_otherwise(held, channel, tally)):
            return _proof(channel, State.NOT_PROVED, why)
        at, t_s, stored, value = tally.first
        unit = channel.unit
        words = (
            f"record {at:,} ({t_s:.3f} s) is stored as {stored:.9g} {unit}; its counts and"
            f" certificate give {value:.9g} {unit}; {tally.differ:,} of {tally.n:,} values"
            f" differ, by up to {tally.worst:.3g} {unit}{_by_other(held)}"
        )
        return _proof(channel, State.CONTRADICTED, words)
    if tally.first_flag is not None:
        return _flags_outcome(held, channel, tally)
    how = (
        "from counts and certificate"
        if channel.certificate
        else "from the records as they came"
    )
    return _proof(
        channel, State.PROVED, f"{many(tally.n, 'value')} and flags are the same {how}"
    )


def _flags_outcome(held: Held, channel: ChannelHeader, tally: Tally) -> Proof:
    at, stored, made = tally.first_flag or (0, 0, 0)
    words = (
        f"its {tally.n:,} values are the same, but the flags of {tally.unlike:,} are not: record"
        f" {at:,} is stored with {describe(stored)}, made again with {describe(made)}"
        f"{_by_other(held)}"
    )
    # Another version may look for what this one does not, and the other way round.
    grown = bool(held.other_version) and not tally.taken_away
    return _proof(channel, State.NOT_PROVED if grown else State.CONTRADICTED, words)


def _by_other(held: Held) -> str:
    if not held.other_version:
        return ""
    return f" (recorded by {held.other_version}, which may have made them otherwise)"


def _proof(channel: ChannelHeader, state: State, words: str) -> Proof:
    return Proof(check=Check.VALUES, of=channel.name, state=state, words=words)

"""The records of a receiver read again from the sentences kept beside them.

Every sentence is kept as it came, with its checksum; what a record says of time and place is
what its sentence says. Whether the time was believed depends on the sentences around it.
"""

from __future__ import annotations

import math
from datetime import date, timedelta
from functools import reduce
from operator import xor
from typing import TYPE_CHECKING, Final

from calibration.utc.spans import DAY_NS, TURN_DAYS
from drivers.protocols.gnss_time import NO_TIME_NS
from drivers.protocols.nmea_sentences import RefusedSentenceError, Sentence, parse_sentence
from recorder.run_file.hdf5.devices import read_records
from recorder.run_file.proof.parts.proof import Check, Proof, State

if TYPE_CHECKING:
    from collections.abc import Callable, Iterator

    import numpy as np

    from recorder.run.parts.header import DeviceHeader
    from recorder.run_file.proof.parts.held import Held

__all__ = ["prove_sentences"]

DRIVER: Final = "nmea-0183"
CHUNK: Final = 20_000
"""Records worked on at once: bounds the memory, whatever the length of the run."""
FIELDS: Final = (
    "latitude_deg", "longitude_deg", "altitude_m", "speed_m_s", "course_deg", "hdop",
    "satellites",
)  # fmt: skip
"""Of a record and of a sentence alike."""
EPOCH: Final = date(1970, 1, 1)


def prove_sentences(held: Held, progress: Callable[[float], None]) -> Iterator[Proof]:
    """Every record of every receiver against its own sentence."""
    for device in held.header.devices:
        if device.driver == DRIVER and "sentence" in (device.record_dtype.names or ()):
            yield _prove(held, device, progress)


def _prove(held: Held, device: DeviceHeader, progress: Callable[[float], None]) -> Proof:
    columns = held.store.columns(f"devices/{device.name}")
    n = columns["tick"].n
    names = device.record_dtype.names or ()
    if not n:
        return _proof(device, State.NOT_PROVED, "there is no sentence of it")
    for start in range(0, n, CHUNK):
        records = read_records(columns, device.record_dtype, start, min(start + CHUNK, n))
        for i, record in enumerate(records):
            if why := _unlike(record, names):
                words = f"record {start + i:,} {why}"
                return _proof(device, State.CONTRADICTED, words)
        progress((start + len(records)) / n)
    words = f"{n:,} records say what their sentences say, and every checksum is right"
    return _proof(device, State.PROVED, words)


def _unlike(record: np.void, names: tuple[str, ...]) -> str:
    """How a record differs from its sentence; empty: it does not."""
    raw = bytes(record["sentence"])
    fields = _fields(raw)
    if fields is None:
        return f"keeps a sentence whose checksum is wrong: {raw[:60]!r}"
    kind = fields[0][-3:]
    if bytes(record["kind"]) != kind.encode():
        return f"is kept as {bytes(record['kind']).decode('ascii', 'replace')}, it is {kind}"
    try:
        sentence = parse_sentence(kind, fields)
    except (RefusedSentenceError, KeyError):
        # Such a record is kept empty.
        sentence = Sentence(kind=kind, fix=False)
    for name in FIELDS:
        if name in names and not _same(float(record[name]), float(getattr(sentence, name))):
            return f"has {name} {record[name]}, its sentence says {getattr(sentence, name)}"
    if "valid" in names and kind != "ZDA" and bool(record["valid"]) != sentence.fix:
        return (
            f"is kept {'with' if record['valid'] else 'without'} a fix, its sentence is not so"
        )
    return _time(int(record["utc_ns"]), sentence) if "utc_ns" in names else ""


def _fields(raw: bytes) -> list[str] | None:
    """What stands between ``$`` and ``*`` at commas; None where the checksum does not agree."""
    body, star, stated = raw.removeprefix(b"$").partition(b"*")
    try:
        right = star and int(stated[:2], 16) == reduce(xor, body, 0)
    except ValueError:
        right = False
    return body.decode("ascii", "replace").split(",") if right else None


def _same(one: float, other: float) -> bool:
    return one == other or (math.isnan(one) and math.isnan(other))


def _time(utc_ns: int, sentence: Sentence) -> str:
    """The time of a record that has one against its sentence's."""
    if utc_ns == NO_TIME_NS:
        return ""
    if sentence.second_ns is None:
        return "has a time, its sentence has none"
    day, within_ns = divmod(utc_ns - sentence.second_ns, DAY_NS)
    if within_ns:
        away_s = min(within_ns, DAY_NS - within_ns) / 1e9
        return f"has a time of day {away_s:g} s from the one in its sentence"
    if sentence.day is None:
        return ""
    # Recorders once kept a date that was turns of 1024 weeks behind in the turn of the computer's
    # clock; now it is kept as the sentence says it.
    if (day - (sentence.day - EPOCH).days) % TURN_DAYS:
        stored = EPOCH + timedelta(days=day)
        return f"has the date {stored}, its sentence says {sentence.day}"
    return ""


def _proof(device: DeviceHeader, state: State, words: str) -> Proof:
    return Proof(check=Check.SENTENCES, of=device.name, state=state, words=words)

"""What is where in a run file, version 1: the description, from which every part is made.

One HDF5 file (superblock 3, bounds ``v110``), chunked and not compressed. :data:`ROOT` are the
attributes of the root, :data:`PARTS` everything below it, in order; words in capitals in a path
stand for names. A part that is not described here cannot be made.

Texts are datasets of one string of fixed length. A sealed file ends, behind the end of the HDF5
part, in one line with the SHA-256 of all bytes before it.

Every dataset has the attributes ``quantity`` and ``units``. The times of a device are the
dimension scale of its other columns, for which HDF5 keeps the attributes :data:`OF_SCALES`.

Fill values cannot be data: NaN, the least signed integer, the greatest unsigned one. Nothing is
created, and no attribute is set, while the file is written in single-writer multiple-reader
mode: the library does not refuse that, but readers would see broken metadata. Datasets may then
differ in length by one append; readers cut to the shortest.
"""

from __future__ import annotations

from dataclasses import dataclass
from enum import Enum
from typing import Any, Final

import numpy as np

from recorder.run.parts.block import BLOCK_DTYPE
from recorder.run.time.utc import UTC_DTYPE

__all__ = [
    "BLOCK_CHUNK",
    "CHUNK",
    "EVENT_DTYPE",
    "FORMAT",
    "GAP_DTYPE",
    "LAYOUT_VERSION",
    "MARK_DTYPE",
    "OF_SCALES",
    "PARTS",
    "ROOT",
    "TABLE_CHUNK",
    "Attribute",
    "Form",
    "Part",
    "part",
]

FORMAT: Final = "testcar-run"
LAYOUT_VERSION: Final = 1
CHUNK: Final = 20_000
"""Records a chunk: 10 s at 2 kHz."""
LONGEST_CHUNK_BYTES: Final = 262_144
"""Of wide fields such as sentences, so that a chunk fits many times into HDF5's own 1 MiB cache."""
BLOCK_CHUNK: Final = 4_096
TABLE_CHUNK: Final = 256
"""Marks, gaps and events are few; a chunk is the least a table takes."""

MARK_DTYPE: Final = np.dtype(
    [
        ("mark_id", "S32"),
        ("revision", "<i4"),
        ("kind", "S32"),
        ("t_s", "<f8"),
        ("value", "S64"),
        ("note", "S128"),
        ("by", "S64"),
        ("withdrawn", "u1"),
        ("entered_utc_ns", "<i8"),
        ("cut", "u1"),
    ]
)
"""Long words are cut short; ``cut`` is then 1."""
GAP_DTYPE: Final = np.dtype(
    [
        ("device", "S64"),
        ("t_start_s", "<f8"),
        ("t_end_s", "<f8"),
        ("cause", "S32"),
        ("detail", "S128"),
        ("lost_records", "<i8"),
        ("before_record", "<i8"),
        ("cut", "u1"),
    ]
)
EVENT_DTYPE: Final = np.dtype(
    [("kind", "S32"), ("t_s", "<f8"), ("data", "S512"), ("cut", "u1")]
)


class Form(Enum):
    """What a part is."""

    GROUP = "group"
    TEXT = "text"
    """One string of fixed length."""
    TABLE = "table"
    """Rows of several fields, each with its own unit."""
    COLUMN = "column"
    """Rows of one quantity."""


@dataclass(frozen=True, slots=True, kw_only=True)
class Attribute:
    """An attribute of the root or of a part."""

    name: str
    what: str
    at_seal: bool = False
    """Set at the seal, not before the first sample."""
    optional: bool = False
    """Only where it is stated."""


@dataclass(frozen=True, slots=True, kw_only=True)
class Part:
    """A group or dataset, or all of one kind."""

    path: str
    """Words in capitals stand for names."""
    form: Form
    quantity: str
    """Of a dataset: its attribute ``quantity``; empty where the header gives the words."""
    units: str = ""
    """Of a dataset: its attribute ``units``; likewise."""
    dtype: np.dtype[Any] | None = None
    """Of the rows; None for texts, and where the header gives it."""
    at_seal: bool = False
    """Made at the seal, not before the first sample."""
    optional: bool = False
    """Not in every file."""
    attributes: tuple[Attribute, ...] = ()
    """Beside ``quantity`` and ``units``."""


ROOT: Final = (
    Attribute(name="format", what=FORMAT),
    Attribute(name="layout_version", what="version of this layout"),
    Attribute(name="run_id", what="identity of the run, UUID in hex"),
    Attribute(name="started_utc", what="wall clock at run time 0, ISO 8601; provisional"),
    Attribute(name="started_utc_ns", what="the same, ns since 1970-01-01T00:00:00Z"),
    Attribute(name="software", what="name and version of what recorded"),
    Attribute(name="origin", what="recorded, imported (from a table) or replayed"),
    Attribute(name="complete", what="0 while recording, 1 when sealed"),
    Attribute(name="hdf5", what="version of the HDF5 library that made the file"),
    Attribute(name="duration_s", what="run time of the end, s", at_seal=True),
    Attribute(name="sealed_utc", what="wall clock at the seal, ISO 8601", at_seal=True),
    Attribute(name="digests_sha256", what="SHA-256 of digests/json, in hex", at_seal=True),
)
"""Attributes of the root. Words our own reader needs are of fixed length: those of varying
length lie in heaps without a checksum, on which a reader of a damaged file may hang."""

OF_SCALES: Final = frozenset({"CLASS", "NAME", "DIMENSION_LIST", "REFERENCE_LIST"})
"""Kept by HDF5 for dimension scales (HDF5 Dimension Scale Specification)."""

_OF_DEVICE: Final = (
    Attribute(name="driver", what="name of its driver"),
    Attribute(name="port", what="where it was read"),
    Attribute(name="tick_hz", what="ticks a second"),
)
_OF_CHANNEL: Final = (
    Attribute(name="field", what="field of the records it is made from; empty: none"),
    Attribute(name="certificate", what="name of its certificate; empty: as it came"),
    Attribute(name="certificate_id", what="identity of that certificate", optional=True),
    Attribute(name="certificate_digest", what="digest of that certificate", optional=True),
    Attribute(
        name="standard_uncertainty", what="stated with the values, in units", optional=True
    ),
    Attribute(
        name="relative_uncertainty", what="stated, as a fraction of the value", optional=True
    ),
)
_OF_OVERVIEW: Final = (
    Attribute(name="t0_s", what="run time where the first bin begins, s"),
    Attribute(name="width_s", what="width of a bin, s"),
)


def _group(path: str, quantity: str, **more: Any) -> Part:  # noqa: ANN401 - fields of a part
    return Part(path=path, form=Form.GROUP, quantity=quantity, **more)


def _text(path: str, quantity: str, **more: Any) -> Part:  # noqa: ANN401 - fields of a part
    return Part(path=path, form=Form.TEXT, quantity=quantity, units="text", **more)


def _table(path: str, quantity: str, dtype: np.dtype[Any]) -> Part:
    return Part(path=path, form=Form.TABLE, quantity=quantity, units="by field", dtype=dtype)


def _column(
    path: str,
    quantity: str,
    units: str,
    **more: Any,  # noqa: ANN401 - fields of a part
) -> Part:
    return Part(path=path, form=Form.COLUMN, quantity=quantity, units=units, **more)


PARTS: Final = (
    _group("header", "what is known before the first sample"),
    _text("header/run", "header of the run, JSON"),
    # … without the texts below, which stand for themselves.
    _text("header/car_sheet", "car sheet, TOML"),
    _text("header/trip_sheet", "trip sheet, TOML"),
    # Files made before trips had routes have none.
    _text("header/route", "route table, CSV", optional=True),
    _group("certificates", "certificates in full"),
    _text("certificates/NAME", "certificate, JSON", optional=True),
    _group("devices", "devices"),
    _group("devices/DEVICE", "columns of one device, of one length", attributes=_OF_DEVICE),
    _column("devices/DEVICE/time_s", "run time", "s", dtype=np.dtype("<f8")),
    _column("devices/DEVICE/tick", "device ticks", "ticks", dtype=np.dtype("<u8")),
    # Every other field of the records, exactly as it came.
    _column("devices/DEVICE/raw_FIELD", "", "", optional=True),
    # f4 for values made from counts of at most 32 bits by a force certificate, else f8.
    _column("devices/DEVICE/CHANNEL", "", "", optional=True, attributes=_OF_CHANNEL),
    _column(
        "devices/DEVICE/CHANNEL_flags",
        "",
        "1",
        dtype=np.dtype("u1"),
        optional=True,
        attributes=(Attribute(name="bits", what="what each bit says"),),
    ),
    _group("blocks", "blocks as they were received"),
    _table("blocks/DEVICE", "receipt times and provisional lines", BLOCK_DTYPE),
    _group("marks", "marks of the crew"),
    _table("marks/table", "marks of the crew", MARK_DTYPE),
    _text("marks/json", "marks, every revision, JSON", at_seal=True),
    _group("gaps", "gaps"),
    _table("gaps/table", "gaps", GAP_DTYPE),
    _text("gaps/json", "gaps, JSON", at_seal=True),
    _group("events", "events"),
    _table("events/table", "events", EVENT_DTYPE),
    _text("events/json", "events, JSON", at_seal=True),
    _group("overview", "channels in even bins of run time", at_seal=True, optional=True),
    _group("overview/CHANNEL", "bins growing fourfold", at_seal=True, optional=True),
    # Minimum, maximum, mean, flags and count of each bin, in the unit of the channel.
    Part(
        path="overview/CHANNEL/level_K",
        form=Form.TABLE,
        quantity="",
        at_seal=True,
        optional=True,
        attributes=_OF_OVERVIEW,
    ),
    _group("clock", "ties of times", at_seal=True),
    # Nodes, with straight lines between; an uncertainty of NaN is not known.
    Part(
        path="clock/utc",
        form=Form.TABLE,
        quantity="run time, UTC and its standard uncertainty",
        units="s, ns since 1970-01-01T00:00:00Z, s",
        dtype=UTC_DTYPE,
        at_seal=True,
    ),
    _text("clock/utc_source", "where UTC comes from, JSON", at_seal=True),
    _text("clock/ticks", "ties of ticks to run time, JSON", at_seal=True),
    _group("digests", "digests", at_seal=True),
    _text("digests/json", "SHA-256 of every dataset with its attributes, JSON", at_seal=True),
)
"""Every group and dataset."""

_BY_PATH: Final = {held.path: held for held in PARTS}


def part(path: str) -> Part:
    """The description of a part by its path as :data:`PARTS` writes it (``KeyError``: none)."""
    return _BY_PATH[path]

"""The gate at opening: the whole structure of a file against the layout, before a row is read.

HDF5 lets a dataset keep its rows in another file, in chunks that unpack to gigabytes, or nowhere
at all, and lets a name lead out of the file. A run file does none of this: it holds all of its
bytes itself, in plain chunks, each part under one name. What is otherwise is refused here by
name, by its headers alone, in milliseconds however long the run.
"""

from __future__ import annotations

from dataclasses import dataclass, field
from typing import TYPE_CHECKING, Final

import h5py
from h5py import h5a, h5d, h5g, h5l, h5o, h5s, h5t

from recorder.run.parts.errors import UnreadableError
from recorder.run_file.hdf5.layout import OF_SCALES, PARTS, Form
from recorder.run_file.hdf5.store import Hdf5Calls
from recorder.run_file.hdf5.stored_header import check_kind

if TYPE_CHECKING:
    from pathlib import Path

    from recorder.run_file.hdf5.layout import Part
    from recorder.run_file.hdf5.store import Store

__all__ = ["check_structure"]

MOST_NAMES: Final = 4_096
"""Parts in a file; a run of 40 channels has some 500."""
MOST_ATTRIBUTES: Final = 64
LARGEST_ATTRIBUTE: Final = 65_536
"""Bytes; ours are words."""
DEEPEST: Final = 3
"""Names in a path: ``devices/DEVICE/COLUMN``."""
LINKS: Final = {h5l.TYPE_SOFT: "a soft link", h5l.TYPE_EXTERNAL: "a link into another file"}
PLACES: Final = {
    h5d.VIRTUAL: "in other datasets (a virtual dataset)",
    h5d.CONTIGUOUS: "in one piece",
    h5d.COMPACT: "in its header",
}
FILTERS: Final = {
    1: "deflate",
    2: "shuffle",
    3: "checksum",
    4: "szip",
    5: "nbit",
    6: "scaleoffset",
}
PLAIN: Final = (h5t.TypeIntegerID, h5t.TypeFloatID)


def check_structure(store: Store, file: h5py.File, *, size: int, closed: bool) -> None:
    """Return when everything in a file is laid out as run files are.

    Parameters
    ----------
    size : bytes of the file, which hold every row there is
    closed : whether its writer closed it; else rows may be declared that were not written yet

    Raises
    ------
    RunFileError
        Another kind of file, or of a newer layout.
    UnreadableError
        Laid out otherwise; the words name the part and what is wrong with it.
    """
    calls = Hdf5Calls(store.path)
    walk = _Walk(store.path, calls, size)
    with calls:
        root = h5g.open(file.id, b"/")
    walk.attributes(root, "/")
    check_kind(store)
    # An unsealed file has columns that the seal fills.
    walk.closed = closed and store.has_attribute("complete") and store.number("complete") == 1
    walk.group(root, "")
    if walk.closed and walk.held > size:
        walk.refuse("/", f"its parts claim {walk.held:,} bytes, the file has {size:,}")


@dataclass(slots=True)
class _Walk:
    """What was seen so far."""

    path: Path
    calls: Hdf5Calls
    size: int
    closed: bool = False
    held: int = 0
    """Bytes of all chunks."""
    seen: set[int] = field(default_factory=set)
    """Where the parts lie that were seen."""

    def refuse(self, name: str, words: str) -> None:
        """Raises ``UnreadableError``."""
        shown = name if len(name) <= 80 else f"{name[:80]}…"
        raise UnreadableError(self.path, f"{shown}: {words}")

    def group(self, group: h5g.GroupID, above: str) -> None:
        """Everything in a group."""
        for raw in self._names(group, above):
            name = above + raw.decode("utf-8", "replace")
            self._one(group, raw, name)

    def _names(self, group: h5g.GroupID, above: str) -> list[bytes]:
        with self.calls:
            count = group.get_num_objs()
        if count + len(self.seen) > MOST_NAMES:
            self.refuse(
                above or "/", f"{count:,} names; a run file has {MOST_NAMES:,} at the most"
            )
        names: list[bytes] = []
        with self.calls:
            group.links.iterate(names.append)
        return names

    def _one(self, group: h5g.GroupID, raw: bytes, name: str) -> None:
        with self.calls:
            kind = group.links.get_info(raw).type
        if kind != h5l.TYPE_HARD:
            what = LINKS.get(kind, "a link of a foreign kind")
            self.refuse(name, f"is {what}; a run file holds every part itself")
        with self.calls:
            item = h5o.open(group, raw)
            at = h5o.get_info(item).addr
        if at in self.seen:
            self.refuse(name, "is a second name of another part; each part has one")
        self.seen.add(at)
        if not isinstance(item, h5g.GroupID | h5d.DatasetID):
            self.refuse(name, "is neither a group nor a dataset")
        self.attributes(item, name)
        described = _described(name)
        if isinstance(item, h5g.GroupID):
            if name.count("/") + 1 >= DEEPEST or _is(described, dataset=True):
                self.refuse(name, "is a group where the layout has none")
            self.group(item, f"{name}/")
        elif _is(described, dataset=False):
            self.refuse(name, "is a dataset where the layout has a group")
        else:
            self._dataset(item, name)

    def attributes(self, item: h5g.GroupID | h5d.DatasetID, name: str) -> None:
        """The attributes of a part, by their headers."""
        names: list[bytes] = []
        with self.calls:
            count = h5a.get_num_attrs(item)
        if count > MOST_ATTRIBUTES:
            self.refuse(name, f"{count:,} attributes; {MOST_ATTRIBUTES} at the most")
        with self.calls:
            h5a.iterate(item, names.append)
        for raw in names:
            with self.calls:
                held = h5a.open(item, raw)
                kind, size, shape = held.get_type(), held.get_storage_size(), held.shape
            self._attribute(
                f"{name} attribute {raw.decode('utf-8', 'replace')}", kind, size, shape
            )

    def _attribute(
        self, name: str, kind: h5t.TypeID, size: int, shape: tuple[int, ...]
    ) -> None:
        if size > LARGEST_ATTRIBUTE:
            self.refuse(name, f"{size:,} bytes; {LARGEST_ATTRIBUTE:,} at the most")
        if name.rpartition(" ")[2] in OF_SCALES:
            return
        text = isinstance(kind, h5t.TypeStringID)
        if shape or not (text or isinstance(kind, PLAIN)) or kind.committed():
            self.refuse(name, "is neither one number nor one text")

    def _dataset(self, item: h5d.DatasetID, name: str) -> None:
        with self.calls:
            made = item.get_create_plist()
            place, outside = made.get_layout(), made.get_external_count()
        if outside:
            self.refuse(name, "holds its rows in another file; a run file holds them itself")
        # Before its shape: a virtual dataset looks into its sources to tell it.
        if place != h5d.CHUNKED:
            where = PLACES.get(place, "in a way that is not known")
            self.refuse(name, f"holds its rows {where}; a run file holds them in chunks")
        with self.calls:
            filters = made.get_nfilters()
            code = made.get_filter(0)[0] if filters else 0
            kind = item.get_type()
            space = item.get_space()
            simple = space.get_simple_extent_type() == h5s.SIMPLE
            shape: tuple[int, ...] = space.shape if simple else ()
            chunk = made.get_chunk()
        if filters:
            what = FILTERS.get(code, f"number {code}")
            self.refuse(name, f"is packed (filter {what}); a run file packs nothing")
        if len(shape) != 1:
            self.refuse(name, f"has {len(shape)} dimensions; every dataset is one column")
        self._rows(item, name, kind, shape[0], chunk[0])

    def _rows(
        self, item: h5d.DatasetID, name: str, kind: h5t.TypeID, n: int, chunk: int
    ) -> None:
        if kind.committed() or not _is_plain(kind):
            self.refuse(name, "its rows are neither numbers nor texts of fixed length")
        with self.calls:
            width = kind.get_size()
            stored = item.get_storage_size() if self.closed else self.size
        self.held += stored
        if n * width > min(stored, self.size):
            self.refuse(
                name, f"declares {n:,} rows of {width:,} bytes and holds {stored:,} bytes"
            )
        if n and chunk * width > self.size:
            self.refuse(name, f"its chunks of {chunk:,} rows are larger than the file")


def _is_plain(kind: h5t.TypeID, *, inner: bool = False) -> bool:
    """Numbers and texts of fixed length, or fields of these."""
    if isinstance(kind, h5t.TypeStringID):
        return not kind.is_variable_str()
    if isinstance(kind, h5t.TypeCompoundID) and not inner:
        members = range(kind.get_nmembers())
        return all(_is_plain(kind.get_member_type(i), inner=True) for i in members)
    return isinstance(kind, PLAIN)


def _described(name: str) -> Part | None:
    """What the layout has by that name; words in capitals stand for names."""
    words = name.split("/")
    for part in PARTS:
        wanted = part.path.split("/")
        if len(words) == len(wanted) and all(
            not pattern.islower() or pattern == word
            for pattern, word in zip(wanted, words, strict=True)
        ):
            return part
    return None


def _is(described: Part | None, *, dataset: bool) -> bool:
    return described is not None and (described.form is not Form.GROUP) == dataset

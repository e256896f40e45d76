"""The file as the rest of this room uses it: every call to h5py, and one error for all of them.

h5py has no root class for what it raises on a damaged file, and what it raises (``KeyError``,
``TypeError``, ``ValueError`` …) is also what a mistake of our own raises. So the calls stand here
alone, each between ``with self._calls``, and nothing of ours is called in there: what comes out
as :class:`UnreadableError` is the file's fault, anything else is ours.
"""

from __future__ import annotations

import ctypes
import errno
import os
import re
from typing import TYPE_CHECKING, Any, Final, TypeVar

import h5py
import numpy as np

from recorder.run.parts.errors import UnreadableError

if TYPE_CHECKING:
    from collections.abc import Callable, Mapping, Sequence
    from pathlib import Path
    from types import TracebackType

    from numpy.typing import ArrayLike, NDArray

__all__ = ["Column", "Hdf5Calls", "Store", "parsed"]

A = TypeVar("A")
T = TypeVar("T")

HDF5_ERRORS: Final = (
    OSError, RuntimeError, ValueError, KeyError, TypeError, IndexError, AttributeError,
    OverflowError, MemoryError,
)  # fmt: skip
"""What h5py raises, by experience, on a damaged file."""

NO_PLACE: Final = frozenset(
    {errno.ENOSPC, errno.EDQUOT, errno.EROFS, errno.EACCES, errno.EPERM}
)
"""Of the disk or its rights, not of the file."""
REFUSED: Final = NO_PLACE | {errno.EIO, errno.EFBIG, errno.EINTR, errno.ENXIO, errno.ESTALE}
"""Answers of the system to a write."""
_TOLD: Final = re.compile(r"errno = (\d+)")
"""HDF5 tells them within its own words."""


class Hdf5Calls:
    """Around calls to h5py and nothing else: what they raise names the file, in one line."""

    __slots__ = ("_file", "_refusal", "_told", "path")

    def __init__(self, path: Path, file: h5py.File | None = None) -> None:
        """``file`` is told of one that is open already, and may be written to."""
        self.path = path
        self._file = file if file is not None and file.mode != "r" else None
        self._refusal: OSError | None = None
        self._told = False

    def dead(self) -> bool:
        """Whether a write was refused: then the handle is left lying. Raises it if untold."""
        if not self._told:
            self.__enter__()
        return self._refusal is not None

    def __enter__(self) -> None:
        """Raises ``OSError`` once a write was refused."""
        if self._refusal is not None:
            self._told = True
            raise self._refusal

    def __exit__(
        self,
        kind: type[BaseException] | None,
        error: BaseException | None,
        trace: TracebackType | None,
    ) -> None:
        """Raises ``UnreadableError``; ``OSError`` when the place cannot be written."""
        if self._refused(error) and self._refusal is not None:
            self._told = True
            raise self._refusal from error
        if isinstance(error, OSError) and error.errno in NO_PLACE:
            name = str(error.filename or self.path)
            why = str(error.strerror) if error.filename else os.strerror(error.errno)
            raise OSError(error.errno, why, name) from error
        if isinstance(error, HDF5_ERRORS):
            raise UnreadableError(self.path, str(error) or type(error).__name__) from error

    def let_go(self, dataset: h5py.Dataset) -> None:
        """Write what is held back of a dataset that nobody holds any more.

        Its end could raise nothing, and would print: what is refused is raised by the next call.
        """
        try:
            if dataset:
                dataset.flush()
        except (OSError, RuntimeError) as error:
            self._refused(error, otherwise=errno.EIO)

    def _refused(self, error: BaseException | None, otherwise: int | None = None) -> bool:
        """Whether the system refused a write; from then on the handle is left lying.

        Closing would write again, fail again, print, and may end the whole process. What is open
        is counted once more and never taken down; the system closes it with the process.
        """
        told = _TOLD.search(str(error))
        number = int(told[1]) if told else getattr(error, "errno", None) or otherwise
        if self._file is None or number not in REFUSED:
            return False
        if self._refusal is None:
            self._refusal = OSError(number, os.strerror(number), str(self.path))
            held = h5py.h5f.get_obj_ids(self._file.id, h5py.h5f.OBJ_ALL)
            ctypes.pythonapi.Py_IncRef(ctypes.py_object(held))
        return True


def parsed(path: Path, what: str, parse: Callable[[A], T], held: A) -> T:
    """What a parser makes of something held in the file; what it refuses is damage.

    ``parse`` is a parser alone: it is called with ``held`` and does nothing else.

    Raises
    ------
    UnreadableError
    """
    try:
        return parse(held)
    except (ValueError, TypeError, KeyError, OverflowError, RecursionError) as error:
        raise UnreadableError(path, f"{what} does not read: {error}") from error


class Column:
    """One dataset of rows."""

    __slots__ = ("_calls", "_dataset", "_written", "dtype", "name")

    def __init__(
        self, dataset: h5py.Dataset, name: str, calls: Hdf5Calls, *, written: bool = False
    ) -> None:
        """Raises ``UnreadableError`` when it is no column of rows."""
        self.name = name
        self._dataset = dataset
        self._calls = calls
        self._written = written
        with calls:
            shape = dataset.shape
            self.dtype: np.dtype[Any] = dataset.dtype
        if shape is None or len(shape) != 1:
            raise UnreadableError(calls.path, f"{name} is not one column")

    def __del__(self) -> None:
        if getattr(self, "_written", False):
            self._calls.let_go(self._dataset)

    @property
    def n(self) -> int:
        """Rows there are now."""
        with self._calls:
            return int(self._dataset.shape[0])

    def read(self, start: int = 0, stop: int | None = None) -> NDArray[Any]:
        """Rows, as slices give them."""
        with self._calls:
            rows: NDArray[Any] = self._dataset[start:stop]
        return rows

    def read_fields(self, names: Sequence[str]) -> NDArray[np.void]:
        """All rows, these of their fields alone."""
        with self._calls:
            rows: NDArray[np.void] = self._dataset.fields(list(names))[:]
        return rows

    def write(self, start: int, rows: ArrayLike) -> None:
        """Write rows over those from ``start`` on, in the column's own type."""
        # Converted out here: rows that do not fit are a mistake of the caller.
        data = np.ascontiguousarray(rows, self.dtype)
        self._written = True
        with self._calls:
            self._dataset[start : start + len(data)] = data

    def resize(self, n: int) -> None:
        """Cut off rows behind, or add rows of the fill value."""
        self._written = True
        with self._calls:
            self._dataset.resize((n,))

    def append(self, rows: ArrayLike) -> None:
        """Write rows behind the last."""
        data = np.ascontiguousarray(rows, self.dtype)
        if len(data):
            self._written = True
            with self._calls:
                # Below h5py's own slicing, which costs more than the write of a second's rows.
                dataset = self._dataset.id
                (n,) = dataset.shape
                dataset.set_extent((n + len(data),))
                place = dataset.get_space()
                place.select_hyperslab((n,), (len(data),))
                kind = h5py.h5t.py_create(self.dtype)
                dataset.write(h5py.h5s.create_simple((len(data),)), place, data, kind)

    def refresh(self) -> None:
        """Take in what a living writer has flushed since."""
        with self._calls:
            self._dataset.refresh()

    def number(self, name: str) -> float:
        """An attribute that is a finite number."""
        return _number(self._calls, self._dataset, name, self.name)

    def set_attributes(self, attributes: Mapping[str, object]) -> None:
        """Set attributes, in the order given."""
        with self._calls:
            for name, value in attributes.items():
                self._dataset.attrs[name] = value

    def make_scale_of(self, others: Sequence[Column]) -> None:
        """Make it the dimension scale of other columns."""
        with self._calls:
            self._dataset.make_scale(self.name.rpartition("/")[2])
            for other in others:
                other._dataset.dims[0].attach_scale(self._dataset)  # noqa: SLF001 - of this class


class Store:
    """An open file: its columns, texts and attributes by their paths. Close it."""

    def __init__(self, path: Path, file: h5py.File) -> None:
        self.path = path
        self._file = file
        self._calls = Hdf5Calls(path, file)
        with self._calls:
            self.growing = bool(file.swmr_mode)
        """Whether a living writer may add rows meanwhile."""

    # ------------------------------------------------------------------ what is there

    def has(self, path: str) -> bool:
        """Whether there is a group or dataset."""
        with self._calls:
            return path in self._file

    def names(self, group: str) -> list[str]:
        """Names in a group, in their order."""
        with self._calls:
            return list(self._file[group])

    def columns(self, group: str) -> dict[str, Column]:
        """All columns of a group by their names."""
        return {name: self.column(f"{group}/{name}") for name in self.names(group)}

    def column(self, path: str) -> Column:
        """One column."""
        with self._calls:
            found = self._file[path]
        if not isinstance(found, h5py.Dataset):
            raise UnreadableError(self.path, f"{path} is not a dataset")
        return Column(found, path, self._calls)

    def dataset_paths(self) -> list[str]:
        """Paths of all datasets, sorted."""
        paths: list[str] = []

        def note(name: str, item: object) -> None:
            if isinstance(item, h5py.Dataset):
                paths.append(name)

        with self._calls:
            self._file.visititems(note)
        return sorted(paths)

    # ------------------------------------------------------------------ texts, attributes

    def text(self, path: str) -> str:
        """The text of a dataset that :meth:`put_text` made."""
        column = self.column(path)
        if column.n != 1 or column.dtype.kind != "S":
            raise UnreadableError(self.path, f"{path} is not a text")
        data = bytes(column.read()[0])
        return parsed(self.path, path, lambda held: held.decode("utf-8"), data)

    def put_text(self, path: str, text: str) -> Column:
        """Create a dataset of one text of fixed length.

        Texts of varying length lie in heaps without a checksum, on which a reader of a damaged
        file may hang.
        """
        data = text.encode("utf-8", "replace")
        with self._calls:
            kind = h5py.string_dtype("utf-8", max(len(data), 1))
            dataset = self._file.create_dataset(
                path, shape=(1,), maxshape=(1,), chunks=(1,), dtype=kind
            )
            dataset[0] = data
        return Column(dataset, path, self._calls, written=True)

    def word(self, name: str) -> str | None:
        """A root attribute of fixed length; None when there is none of that kind."""
        with self._calls:
            attributes = self._file.attrs
            if name not in attributes or attributes.get_id(name).dtype.kind != "S":
                return None
            held = attributes[name]
        if not isinstance(held, bytes):
            raise UnreadableError(self.path, f"the attribute {name} is not one word")
        return held.decode("utf-8", "replace")

    def number(self, name: str) -> float:
        """A root attribute that is a finite number."""
        return _number(self._calls, self._file, name, "/")

    def has_attribute(self, name: str) -> bool:
        """Whether there is a root attribute."""
        with self._calls:
            return name in self._file.attrs

    def attributes(self, path: str) -> dict[str, object]:
        """All attributes of a group or dataset as h5py gives them."""
        with self._calls:
            return dict(self._file[path].attrs.items())

    def set_attributes(self, path: str, attributes: Mapping[str, object]) -> None:
        """Set attributes of a group, in the order given."""
        with self._calls:
            for name, value in attributes.items():
                self._file[path].attrs[name] = value

    # ------------------------------------------------------------------ making

    def make_group(self, path: str) -> None:
        """Create a group, and those above it."""
        with self._calls:
            self._file.require_group(path)

    def make_column(
        self, path: str, dtype: np.dtype[Any], chunk_rows: int, fill: object = None
    ) -> Column:
        """Create an empty column that can grow."""
        with self._calls:
            dataset = self._file.create_dataset(
                path, shape=(0,), maxshape=(None,), chunks=(chunk_rows,), dtype=dtype,
                fillvalue=fill,
            )  # fmt: skip
        return Column(dataset, path, self._calls)

    def put_rows(self, path: str, rows: NDArray[Any], chunk_rows: int) -> Column:
        """Create a column of these rows, for good."""
        with self._calls:
            dataset = self._file.create_dataset(path, data=rows, chunks=(chunk_rows,))
        return Column(dataset, path, self._calls, written=True)

    # ------------------------------------------------------------------ the file

    def begin_growing(self) -> None:
        """Let readers open it while it is written; nothing can be created from now on.

        Raises
        ------
        UnreadableError
            HDF5 did not enter single-writer mode.
        """
        with self._calls:
            self._file.swmr_mode = True
            self.growing = bool(self._file.swmr_mode)
        if not self.growing:
            raise UnreadableError(self.path, "HDF5 did not enter single-writer mode")

    def sync(self) -> None:
        """Flush to the operating system, then to the disk."""
        with self._calls:
            self._file.flush()
            os.fsync(self._file.id.get_vfd_handle())

    def close(self) -> None:
        """Close; may be called twice. A file that could not be written is left as it is."""
        if self._calls.dead():
            return
        with self._calls:
            if self._file:
                if self._file.mode != "r":
                    # What cannot be written shows here, where the handle can still be left lying.
                    self._file.flush()
                self._file.close()

    def __enter__(self) -> Store:
        return self

    def __exit__(self, *_: object) -> None:
        self.close()


def _number(calls: Hdf5Calls, item: h5py.HLObject, name: str, where: str) -> float:
    with calls:
        held = item.attrs[name]
    if not isinstance(held, np.integer | np.floating) or not np.isfinite(held):
        raise UnreadableError(calls.path, f"the attribute {name} of {where} is not a number")
    return float(held)

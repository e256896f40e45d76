"""What a process and its children asked of the disk, in order, from a log of ``strace``.

Only what changes files of one folder is kept, and what is written to the file of
acknowledgements beside it. Memory mapped files (``-shm``) are not seen, and not needed: SQLite
makes them anew.
"""

from __future__ import annotations

import os
import re
import shutil
import subprocess
import sys
from collections.abc import Iterator
from dataclasses import dataclass, field
from pathlib import Path
from typing import Final

__all__ = ["Ack", "Create", "Link", "Op", "Rename", "Sync", "Truncate", "Unlink", "Write",
           "has_strace", "logged", "read_log"]  # fmt: skip

CALLS: Final = (
    "openat,open,creat,write,pwrite64,writev,pwritev,pwritev2,lseek,ftruncate,truncate,fallocate,"
    "fsync,fdatasync,sync,syncfs,sync_file_range,rename,renameat,renameat2,unlink,unlinkat,link,"
    "linkat,copy_file_range,sendfile,mkdir"
)
WHOLE_BYTES: Final = 10_000_000
"""Longer than any one write here."""


@dataclass(frozen=True, slots=True)
class Write:
    """Bytes into a file, not yet on the disk."""

    path: str
    offset: int
    data: bytes


@dataclass(frozen=True, slots=True)
class Truncate:
    """A file cut or grown to a size."""

    path: str
    size: int


@dataclass(frozen=True, slots=True)
class Sync:
    """A file or a folder brought to the disk, with what was written before ``began``."""

    path: str
    began: int
    """How many operations had been logged when it was asked for."""


@dataclass(frozen=True, slots=True)
class Create:
    """A new name for a new file."""

    path: str


@dataclass(frozen=True, slots=True)
class Link:
    """A second name for a file."""

    path: str
    to: str


@dataclass(frozen=True, slots=True)
class Rename:
    """A name changed, over another one if need be."""

    path: str
    to: str


@dataclass(frozen=True, slots=True)
class Unlink:
    """A name gone."""

    path: str


@dataclass(frozen=True, slots=True)
class Ack:
    """Something was said to be kept."""

    text: str


Op = Write | Truncate | Sync | Create | Link | Rename | Unlink | Ack

_LINE: Final = re.compile(r"^(\d+) +(.*)$")
_CALL: Final = re.compile(r"^(\w+)\((.*)\) += (-?\d+)")
_RESUMED: Final = re.compile(r"^<\.\.\. \w+ resumed>,? ?(.*)$")
_TEXT: Final = re.compile(r'"((?:\\x[0-9a-f]{2})*)"')
_HANDLE: Final = re.compile(r"^(?:\d+|AT_FDCWD)<([^>]*)>(\(deleted\))?")


def has_strace() -> bool:
    """Whether system calls can be logged here."""
    return shutil.which("strace") is not None


def logged(job: str, folder: Path, acks: Path, log: Path, *, seed: int) -> None:
    """Do a job in a process of its own under ``strace``."""
    module = Path(__file__).with_name("jobs.py")
    subprocess.run(
        ["strace", "-f", "-y", "-xx", "-s", str(WHOLE_BYTES), "-e", f"trace={CALLS}",
         "--seccomp-bpf", "-o", str(log), sys.executable, str(module), job, str(folder),
         str(acks), str(seed)],
        check=True, stdout=subprocess.DEVNULL, cwd=Path(__file__).parents[3],
        env={**os.environ, "PYTHONPATH": str(Path(__file__).parents[3])},
    )  # fmt: skip


def _bytes_of(text: str) -> bytes:
    return bytes.fromhex(text.replace("\\x", ""))


def _path_of(handle: str) -> str:
    """The path beside a handle, as ``-y`` tells it, in hexadecimal or plain."""
    found = _HANDLE.match(handle.strip())
    if found is None:
        return ""
    inner, gone = found.groups(default="")
    return (_bytes_of(inner).decode() if inner.startswith("\\x") else inner) + gone


@dataclass
class _Log:
    """The operations so far, and where handles stand that are written to without an offset."""

    folder: str
    acks: str
    ops: list[Op] = field(default_factory=list)
    known: set[str] = field(default_factory=set)
    at: dict[str, int] = field(default_factory=dict)
    size: dict[str, int] = field(default_factory=dict)

    def ours(self, path: str) -> bool:
        """Whether it lies in the folder, and is seen whole."""
        return path.startswith(self.folder + "/") and not path.endswith(("-shm", "(deleted)"))

    def call(self, name: str, inner: str, result: int, began: int) -> None:
        """Take one finished call."""
        if name in {"openat", "open"}:
            self._opened(inner)
        elif name in {"write", "pwrite64", "writev", "pwritev", "pwritev2"}:
            self._written(name, inner, result)
        elif name == "lseek":
            self.at[_path_of(inner)] = result
        elif name in {"ftruncate", "fallocate"}:
            self._sized(name, inner)
        elif name in {"fsync", "fdatasync"}:
            path = _path_of(inner)
            if self.ours(path) or path == self.folder:
                self.ops.append(Sync(path, began))
        elif name.startswith(("rename", "link", "unlink")):
            self._named(name, inner)
        elif self.folder in inner or self.folder.encode().hex(" ") in inner:
            msg = f"a call that this reader does not know: {name}"
            raise ValueError(msg)

    def _paths(self, inner: str) -> list[str]:
        """Paths given as text, made whole by the folder handle before them."""
        base = _path_of(inner)
        found = [_bytes_of(text).decode() for text in _TEXT.findall(inner)]
        return [p if p.startswith("/") else f"{base}/{p}" for p in found]

    def _opened(self, inner: str) -> None:
        (path,) = self._paths(inner)[:1]
        if not self.ours(path):
            return
        flags = inner.rsplit('"', 1)[1]
        if "O_CREAT" in flags and path not in self.known:
            self.known.add(path)
            self.size[path] = 0
            self.ops.append(Create(path))
        elif "O_TRUNC" in flags:
            self.size[path] = 0
            self.ops.append(Truncate(path, 0))
        if "O_RDONLY" not in flags:
            self.at[path] = self.size.get(path, 0) if "O_APPEND" in flags else 0

    def _written(self, name: str, inner: str, result: int) -> None:
        path = _path_of(inner)
        data = b"".join(_bytes_of(text) for text in _TEXT.findall(inner))[:result]
        if path == self.acks:
            self.ops.extend(Ack(text) for text in data.decode().splitlines())
        if not self.ours(path):
            return
        if name in {"write", "writev"}:
            offset = self.at.get(path, 0)
            self.at[path] = offset + len(data)
        else:
            offset = int(inner.rsplit(",", 1)[1])
        self.size[path] = max(self.size.get(path, 0), offset + len(data))
        self.ops.append(Write(path, offset, data))

    def _sized(self, name: str, inner: str) -> None:
        path = _path_of(inner)
        if not self.ours(path):
            return
        numbers = [int(x) for x in inner.split(">", 1)[1].split(",")[1:] if x.strip().isdigit()]
        size = numbers[0] if name == "ftruncate" else max(sum(numbers), self.size.get(path, 0))
        self.size[path] = size
        self.ops.append(Truncate(path, size))

    def _named(self, name: str, inner: str) -> None:
        paths = self._paths(inner)
        if not any(self.ours(path) for path in paths):
            return
        if name.startswith("unlink"):
            self.known.discard(paths[0])
            self.ops.append(Unlink(paths[0]))
            return
        source, target = paths[:2]
        self.known.add(target)
        self.size[target] = self.size.get(source, 0)
        if name.startswith("rename"):
            self.known.discard(source)
            self.ops.append(Rename(source, target))
        else:
            self.ops.append(Link(source, target))


def _calls(lines: Iterator[str], log: _Log) -> Iterator[tuple[str, str, int, int]]:
    """Finished calls: name, arguments, result, and how many operations there were at its start."""
    begun: dict[str, tuple[str, int]] = {}
    for line in lines:
        found = _LINE.match(line.rstrip("\n"))
        if found is None:
            continue
        process, text = found.groups()
        if text.endswith("<unfinished ...>"):
            begun[process] = text.removesuffix("<unfinished ...>").rstrip(), len(log.ops)
            continue
        at = len(log.ops)
        if resumed := _RESUMED.match(text):
            head, at = begun.pop(process, ("", at))
            text = head + resumed.group(1)
        call = _CALL.match(text)
        if call and int(call.group(3)) >= 0:
            yield call.group(1), call.group(2), int(call.group(3)), at


def read_log(log: Path, folder: Path, acks: Path, before: Path) -> list[Op]:
    """Every change to files of a folder, and every acknowledgement, in order.

    ``before`` is the folder as it was before the job.

    Raises
    ------
    ValueError
        A call by which files change that is not known here.
    """
    held = _Log(str(folder), str(acks))
    for path in before.iterdir():
        there = str(folder / path.name)
        held.known.add(there)
        held.size[there] = path.stat().st_size
    with log.open("r", encoding="ascii", errors="replace") as lines:
        for name, inner, result, began in _calls(lines, held):
            held.call(name, inner, result, began)
    return held.ops

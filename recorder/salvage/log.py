"""The write-ahead log of an SQLite database, frame by frame, past any damage.

Each frame has a checksum that goes on from the one before it. SQLite ends the log at the first
that does not agree, without a word; but each frame can be checked from the sum that is *stored*
in the one before, and so those after a damaged one are known again.
"""

from __future__ import annotations

import struct
from collections import Counter
from dataclasses import dataclass, field
from functools import cache
from typing import TYPE_CHECKING, Final

import numpy as np

from calibration.quantities.bounded_text import open_regular

if TYPE_CHECKING:
    from pathlib import Path

    from numpy.typing import NDArray

    from recorder.salvage.page_file import PageFile

__all__ = ["FRAME_HEAD", "LOG_HEAD", "Log", "frames_told", "log_page_bytes", "read_log"]

LOG_HEAD: Final = 32
FRAME_HEAD: Final = 24
_MAGIC: Final = 0x377F0682
"""The last bit is set where sums are made over big-endian words."""
_INDEX_VERSION: Final = 3_007_000
_AT_ONCE: Final = 128
_MASK: Final = 0xFFFFFFFF


@dataclass(slots=True)
class Log:
    """What is known of the frames of a log. Indices are places in the file."""

    pages: list[int] = field(default_factory=list)
    """Number of the page that each frame is of, as it says."""
    sound: int = 0
    """Frames up to the last commit before any damage: what SQLite reads."""
    end: int = 0
    """Frames that were written since the log began anew, as far as they can be told."""
    committed: int = 0
    """Those of them that no unfinished commit wrote, as far as that can be told."""
    bad: list[int] = field(default_factory=list)
    """Those of them whose checksum does not agree."""
    header_bad: bool = False
    rest_bytes: int = 0
    """Of a last frame that is not there whole."""

    @property
    def broken(self) -> bool:
        """Whether there is damage before the last frame, or in a frame that ends a commit."""
        return bool(self.bad) or (self.header_bad and self.end > 0)


def log_page_bytes(path: Path) -> int:
    """Bytes of a page as the head of the log says; 0 where it says nothing that can be."""
    with path.open("rb") as file:
        head = file.read(LOG_HEAD)
    size = int.from_bytes(head[8:12], "big")
    return size if len(head) == LOG_HEAD and size in (2**k for k in range(9, 17)) else 0


@cache
def _weights(n: int) -> tuple[NDArray[np.uint32], NDArray[np.uint32], NDArray[np.uint32]]:
    """Of n pairs of words: their weights in either sum, and those of the sums they go on from.

    A pair (a, b) makes of (s, t): s + a + t, then t + b + the new s; all modulo 2**32.
    """
    first, second = np.zeros((2, 2 * n), np.uint32)
    p, q, r, s = 1, 0, 0, 1
    for i in range(n - 1, -1, -1):
        first[2 * i], first[2 * i + 1] = (p + q) & _MASK, q
        second[2 * i], second[2 * i + 1] = (r + s) & _MASK, s
        p, q = (p + q) & _MASK, (p + 2 * q) & _MASK
        r, s = (r + s) & _MASK, (r + 2 * s) & _MASK
    return first, second, np.array([[p, q], [r, s]], np.uint32)


def _sums(words: NDArray[np.uint32], seeds: NDArray[np.uint32]) -> NDArray[np.uint32]:
    """(k, 2) checksums of (k, 2n) words, each going on from a seed."""
    first, second, onward = _weights(words.shape[1] // 2)
    own = np.stack(
        [
            (words * first).sum(axis=1, dtype=np.uint32),
            (words * second).sum(axis=1, dtype=np.uint32),
        ],
        axis=1,
    )
    made: NDArray[np.uint32] = own + (seeds[:, None, :] * onward[None]).sum(
        axis=2, dtype=np.uint32
    )
    return made


def read_log(file: PageFile) -> Log:
    """Judge every frame of a log whose ``file`` gives frames: head and page together."""
    log = Log(rest_bytes=file.rest_bytes)
    head = file.head
    order = ">" if len(head) == LOG_HEAD and head[3] & 1 else "<"
    whole, seeds = _head(head, order)
    log.header_bad = not whole
    agrees: list[bool] = []
    salts: list[bytes] = []
    commits: list[int] = []
    for start in range(0, file.n, _AT_ONCE):
        stop = min(start + _AT_ONCE, file.n)
        frames = [file.read(i) or bytes(file.size) for i in range(start, stop)]
        for frame in frames:
            page, commit = struct.unpack_from(">II", frame)
            log.pages.append(page)
            commits.append(commit)
            salts.append(frame[8:16])
        found, seeds = _agree(frames, seeds, order)
        agrees += found
    _judge(log, agrees, salts, commits, head[16:24] if whole else b"")
    return log


def _head(head: bytes, order: str) -> tuple[bool, NDArray[np.uint32]]:
    """Whether the log's head agrees with its own sum, and what the first frame goes on from."""
    if len(head) < LOG_HEAD:
        return False, np.zeros((1, 2), np.uint32)
    words = np.frombuffer(head[:24], f"{order}u4").astype(np.uint32)[None]
    made = _sums(words, np.zeros((1, 2), np.uint32))
    stored = np.frombuffer(head[24:32], ">u4").astype(np.uint32)[None]
    magic = int.from_bytes(head[:4], "big") & ~1
    whole = magic == _MAGIC and bool((made == stored).all())
    return whole, stored if whole else np.concatenate([stored, made])


def _agree(
    frames: list[bytes], before: NDArray[np.uint32], order: str
) -> tuple[list[bool], NDArray[np.uint32]]:
    """Whether each frame goes on from the sum stored before it; ``before`` is of the first."""
    data = np.frombuffer(b"".join(frames), np.uint8).reshape(len(frames), -1)
    body = np.concatenate([data[:, :8], data[:, FRAME_HEAD:]], axis=1)
    words = np.ascontiguousarray(body).view(f"{order}u4").astype(np.uint32)
    stored = np.ascontiguousarray(data[:, 16:24]).view(">u4").astype(np.uint32)
    seeds = np.concatenate([before[:1], stored[:-1]])
    good = (_sums(words, seeds) == stored).all(axis=1)
    for other in before[1:]:
        good[0] |= bool((_sums(words[:1], other[None])[0] == stored[0]).all())
    return good.tolist(), stored[-1:]


def _judge(
    log: Log, agrees: list[bool], salts: list[bytes], commits: list[int], salt: bytes
) -> None:
    """Which frames are of the log as it was last begun, and where it ends."""
    if not salt:
        told = Counter(s for s, good in zip(salts, agrees, strict=True) if good)
        salt = told.most_common(1)[0][0] if told else b""
    ours: list[bool] = []
    for good, own in zip(agrees, salts, strict=True):
        ours.append(own == salt or (good and bool(ours) and ours[-1]))
    last = max((i for i, own in enumerate(ours) if own), default=-1)
    log.bad = [i for i in range(last + 1) if not (agrees[i] and ours[i] and salts[i] == salt)]
    whole = min(log.bad, default=last + 1)
    if log.header_bad:
        whole = 0
    log.sound = max((i + 1 for i in range(whole) if commits[i]), default=0)
    log.end = last + 1
    closed = max((i + 1 for i in range(log.end) if commits[i]), default=0)
    # A frame that is damaged may have been the one that ended a commit.
    log.committed = max(closed, log.end if log.bad and log.bad[-1] >= closed else 0)
    if not log.bad and not log.header_bad:
        log.committed = log.sound


def frames_told(index: Path, head: bytes) -> tuple[int, int]:
    """Frames that the index beside a log (``-shm``) counts, and how many of them are in the base.

    A program that was killed leaves it; zeros where it is not there, or is of another log.
    """
    try:
        with open_regular(index) as file:
            data = file.read(136)
    except OSError:
        return 0, 0
    version, frames = struct.unpack_from("=I12xI", data) if len(data) == 136 else (0, 0)
    twice = data[:48] == data[48:96]
    if version != _INDEX_VERSION or not twice or (head and head[16:24] != data[32:40]):
        return 0, 0
    return frames, struct.unpack_from("=I", data, 96)[0]

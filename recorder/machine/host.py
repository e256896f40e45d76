"""The machine underneath: disk, kind of disk, memory."""

from __future__ import annotations

import os
import shutil
import sys
from pathlib import Path
from typing import Final

__all__ = ["FILER", "WINDOW", "free_bytes", "give_way", "network_disk", "rss_bytes"]

WINDOW: Final = 10
FILER: Final = 5
"""By so much each gives way on a busy machine: first the screen, then the live file with its
overviews, never what reads devices and keeps records and marks, which has all its rights."""

_NETWORK: Final = frozenset(
    {"nfs", "nfs4", "cifs", "smb", "smb2", "smb3", "smbfs", "afs", "ncpfs", "9p", "ceph",
     "glusterfs", "lustre", "davfs", "beegfs", "gpfs", "afpfs", "webdav"}
)  # fmt: skip


def give_way(steps: int) -> None:
    """Let everybody else go first, from now on, where the system knows how (POSIX)."""
    if hasattr(os, "nice"):
        os.nice(steps)


def free_bytes(folder: Path) -> int:
    """Bytes an ordinary user may still write there."""
    return shutil.disk_usage(folder).free


def network_disk(folder: Path, *, mounts: str | None = None) -> str:
    """Kind of network disk a folder lies on; empty for a local one, or where it cannot be told.

    Parameters
    ----------
    mounts
        The text of ``/proc/self/mountinfo``; None reads it.
    """
    if mounts is None:
        try:
            mounts = Path("/proc/self/mountinfo").read_text("utf-8", "replace")
        except OSError:
            return ""
    place = str(folder.resolve())
    best, kind = "", ""
    for line in mounts.splitlines():
        left, separator, right = line.partition(" - ")
        words = left.split()
        if not separator or len(words) < 5 or not right.split():
            continue
        point = words[4].replace("\\040", " ")
        inside = point == "/" or place == point or place.startswith(point.rstrip("/") + "/")
        if inside and len(point) >= len(best):
            best, kind = point, right.split()[0]
    base = kind.removeprefix("fuse.")
    # A block device behind a user-space driver is local; any other such file system may not be.
    remote = base in _NETWORK or (kind.startswith("fuse.") and base != "ext4")
    return kind if remote else ""


def rss_bytes() -> int:
    """Memory this process holds now (its peak, where the system tells no more)."""
    try:
        pages = int(Path("/proc/self/statm").read_text("ascii").split()[1])
    except (OSError, ValueError, IndexError):
        pass
    else:
        return pages * os.sysconf("SC_PAGE_SIZE")
    if sys.platform == "win32":
        return 0
    import resource  # not there on Windows

    peak = resource.getrusage(resource.RUSAGE_SELF).ru_maxrss
    return peak if sys.platform == "darwin" else peak * 1024

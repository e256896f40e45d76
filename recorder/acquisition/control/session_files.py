"""Where running recordings are found: a private folder, a session file each, no leftovers."""

from __future__ import annotations

import contextlib
import json
import os
import stat
import sys
import tempfile
from dataclasses import asdict, dataclass, field
from pathlib import Path
from typing import Any, Final

import platformdirs

from calibration.quantities.bounded_text import bounded_json
from recorder.machine.private_files import NO_LINK, create_private, squatted
from recorder.machine.shared_memory import SHM_FOLDER, unlink_segment

__all__ = [
    "SessionError",
    "SessionFile",
    "process_lives",
    "process_started",
    "read_session",
    "ring_name",
    "session_folder",
    "sessions",
    "sweep",
    "write_session",
]

FOLDER_VARIABLE: Final = "TESTCAR_RUNTIME_DIR"
PREFIX: Final = "tcar"
VERSION: Final = 1
_MAX_BYTES: Final = 2**20


class SessionError(OSError):
    """No recording to attach to, or one that cannot be trusted; one line."""


@dataclass(frozen=True, slots=True, kw_only=True)
class SessionFile:
    """What a window needs to find a running recording. Readable by its owner only."""

    pid: int
    started: str
    """When the process began, by the system: a process number is used again."""
    address: str
    authkey: str
    """Hex."""
    run_path: str
    journal_path: str
    run_id: str
    rings: dict[str, str] = field(default_factory=dict)
    """Device → name in shared memory."""
    version: int = VERSION


def session_folder() -> Path:
    """The folder of session files and sockets, made private when it is not there.

    Raises
    ------
    SessionError
        Something else is there, or it belongs to somebody else; it is left as it is.
    """
    folder = _folder()
    if not os.path.lexists(folder):
        folder.mkdir(mode=0o700, parents=True, exist_ok=True)
    if os.name == "posix":
        found = folder.lstat()
        if not stat.S_ISDIR(found.st_mode):
            msg = f"{folder}: {squatted(folder) or 'a file is there'};"
            msg += f" or set {FOLDER_VARIABLE} to a private folder"
            raise SessionError(msg)
        if found.st_uid != os.getuid():
            msg = (
                f"{folder}: belongs to another user; set {FOLDER_VARIABLE} to a private folder"
            )
            raise SessionError(msg)
        if stat.S_IMODE(found.st_mode) & 0o077:
            folder.chmod(0o700)
    return folder


def _folder() -> Path:
    if given := os.environ.get(FOLDER_VARIABLE):
        return Path(given)
    if os.name == "posix" and not os.environ.get("XDG_RUNTIME_DIR"):
        return Path(tempfile.gettempdir()) / f"testcar-{os.getuid()}"
    return platformdirs.user_runtime_path("testcar")


def socket_address(pid: int) -> str:
    """A local address strangers cannot reach: a socket in the private folder, or a pipe."""
    if sys.platform == "win32":
        return rf"\\.\pipe\testcar-{pid}-{os.urandom(8).hex()}"
    path = session_folder() / f"{pid}.sock"
    if len(os.fsencode(path)) > 100:  # a socket's path has some 104 bytes
        path = Path(tempfile.mkdtemp(prefix="tcar")) / "s"
    _remove_socket(str(path))
    if os.path.lexists(path):
        msg = f"{path}: {squatted(path) or 'a file is there; remove it'}"
        raise SessionError(msg)
    return str(path)


def process_started(pid: int) -> str:
    """When a process began, in the system's own form; empty when that cannot be known."""
    try:
        text = Path(f"/proc/{pid}/stat").read_text("utf-8", "replace")
    except OSError:
        return ""
    # The name in brackets may hold anything, so count from its end: field 22.
    return text.rpartition(")")[2].split()[19]


def process_lives(pid: int, started: str = "") -> bool:
    """Whether this very process still runs (a zombie does not)."""
    if pid <= 0:
        return False
    if Path("/proc/self/stat").exists():
        try:
            text = Path(f"/proc/{pid}/stat").read_text("utf-8", "replace")
        except OSError:
            return False
        state = text.rpartition(")")[2].split()
        return state[0] not in "ZX" and (not started or state[19] == started)
    if sys.platform == "win32":
        return _windows_lives(pid)
    try:
        os.kill(pid, 0)
    except ProcessLookupError:
        return False
    except PermissionError:
        return True
    return True


def _windows_lives(pid: int) -> bool:
    import ctypes  # Windows alone has its windll

    kernel = ctypes.windll.kernel32  # type: ignore[attr-defined,unused-ignore]  # Windows
    handle = kernel.OpenProcess(0x1000, False, pid)  # noqa: FBT003 - a system call
    if not handle:
        return False
    code = ctypes.c_ulong()
    kernel.GetExitCodeProcess(handle, ctypes.byref(code))
    kernel.CloseHandle(handle)
    return code.value == 259


def ring_name(index: int, *, pid: int | None = None) -> str:
    """Name of a ring in shared memory, with its owner in it; at most 30 characters."""
    owner = os.getpid() if pid is None else pid
    started = process_started(owner) or "0"
    return f"{PREFIX}_{owner}_{int(started) % 16**8:x}_{index}"


def write_session(session: SessionFile) -> Path:
    """Write the session file, whole or not at all."""
    folder = session_folder()
    path = folder / f"{session.pid}.session"
    fresh = folder / f"{session.pid}.session.new"
    for place in (fresh, path):
        if words := squatted(place):
            msg = f"{place}: {words}"
            raise SessionError(msg)
    fresh.unlink(missing_ok=True)
    with os.fdopen(create_private(fresh), "w", encoding="utf-8") as stream:
        json.dump(asdict(session), stream)
    fresh.replace(path)
    return path


def read_session(path: Path) -> SessionFile:
    """Read a session file.

    Raises
    ------
    SessionError
        Not a session file, another user's, or of another version.
    OSError
        It cannot be read.
    """
    if words := squatted(path):
        msg = f"{path}: {words}"
        raise SessionError(msg)
    with os.fdopen(os.open(path, os.O_RDONLY | NO_LINK), "rb") as stream:
        raw = stream.read(_MAX_BYTES + 1)
    try:
        data = bounded_json(raw.decode("utf-8"))
        return _session_of(data)
    except (
        ValueError,
        KeyError,
        TypeError,
        AttributeError,
        OverflowError,
        RecursionError,
    ) as error:
        msg = f"{path}: not a session file ({type(error).__name__})"
        raise SessionError(msg) from error


def _session_of(data: dict[str, Any]) -> SessionFile:
    if data["version"] != VERSION:
        raise ValueError(data["version"])
    bytes.fromhex(data["authkey"])
    return SessionFile(
        pid=int(data["pid"]),
        started=str(data["started"]),
        address=str(data["address"]),
        authkey=str(data["authkey"]),
        run_path=str(data["run_path"]),
        journal_path=str(data["journal_path"]),
        run_id=str(data["run_id"]),
        rings={str(k): str(v) for k, v in data["rings"].items()},
    )


def sessions() -> list[tuple[Path, SessionFile]]:
    """Session files whose process lives, oldest process number first."""
    found = []
    for path in sorted(session_folder().glob("*.session")):
        try:
            session = read_session(path)
        except OSError:  # just gone, or not one of ours
            continue
        if process_lives(session.pid, session.started):
            found.append((path, session))
    return found


def sweep() -> list[str]:
    """Remove what recordings that died left behind; returns what was removed."""
    removed: list[str] = []
    for path in sorted(session_folder().glob("*.session")):
        try:
            session = read_session(path)
        except OSError:
            continue
        if process_lives(session.pid, session.started):
            continue
        ours = (name for name in session.rings.values() if name.startswith(f"{PREFIX}_"))
        removed.extend(name for name in ours if unlink_segment(name))
        _remove_socket(session.address)
        path.unlink(missing_ok=True)
        removed.append(path.name)
    segments = SHM_FOLDER.glob(f"{PREFIX}_*_*_*") if SHM_FOLDER.is_dir() else ()
    names = [path.name for path in segments if not _owner_lives(path.name)]
    return removed + [name for name in names if unlink_segment(name)]


def _owner_lives(name: str) -> bool:
    parts = name.split("_")
    if len(parts) != 4 or not (parts[1].isascii() and parts[1].isdecimal()):
        return True  # not our pattern: not ours to remove
    pid = int(parts[1])
    started = process_started(pid)
    same = not started or f"{int(started) % 16**8:x}" == parts[2]
    return process_lives(pid) and same


def _remove_socket(address: str) -> None:
    """Remove a socket of ours; whatever else has its name is left."""
    if os.name != "posix":
        return
    path = Path(address)
    try:
        held = path.lstat()
    except OSError:
        return
    if stat.S_ISSOCK(held.st_mode) and held.st_uid == os.getuid():
        path.unlink(missing_ok=True)
        if path.name == "s":
            with contextlib.suppress(OSError):
                path.parent.rmdir()

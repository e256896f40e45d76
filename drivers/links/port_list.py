"""Which serial ports this machine has, by a name that survives replugging."""

from __future__ import annotations

import os
from dataclasses import dataclass
from pathlib import Path

from serial.tools import list_ports as system_ports

from drivers.links.serial_line import group_of

__all__ = ["PortInfo", "list_ports"]

_STABLE_FOLDERS = (Path("/dev/serial/by-id"), Path("/dev/serial/by-path"))


@dataclass(frozen=True, slots=True, kw_only=True)
class PortInfo:
    """One port. Nothing was opened to learn this."""

    device: str
    """What the system calls it now, e.g. ``/dev/ttyUSB0``; may change at replugging."""
    stable_path: str
    """What to write on the car sheet: the by-id path, else the by-path one, else ``device``."""
    description: str
    hardware_id: str
    """Vendor, product and serial number where the bus gives them; may be empty."""
    permitted: bool
    """This user may read and write it."""
    permission: str
    """In words: ``yes``, or what to do."""


def list_ports(*, stable_folders: tuple[Path, ...] = _STABLE_FOLDERS) -> list[PortInfo]:
    """List serial ports, sorted by their stable path."""
    stable = _stable_paths(stable_folders)
    found = []
    for port in system_ports.comports():
        permitted, permission = _permission(port.device)
        description = "" if port.description in (None, "n/a") else port.description
        hardware_id = "" if port.hwid in (None, "n/a") else port.hwid
        info = PortInfo(
            device=port.device,
            stable_path=stable.get(os.path.realpath(port.device), port.device),
            description=description,
            hardware_id=hardware_id,
            permitted=permitted,
            permission=permission,
        )
        found.append(info)
    return sorted(found, key=lambda info: info.stable_path)


def _stable_paths(folders: tuple[Path, ...]) -> dict[str, str]:
    """Map each real device to the first stable link that leads to it."""
    paths: dict[str, str] = {}
    for folder in folders:
        if not folder.is_dir():
            continue
        for link in sorted(folder.iterdir()):
            paths.setdefault(os.path.realpath(link), str(link))
    return paths


def _permission(device: str) -> tuple[bool, str]:
    if os.name == "nt":
        return True, "yes"  # Windows does not guard ports by user
    if os.access(device, os.R_OK | os.W_OK):
        return True, "yes"
    group = group_of(device)
    if group is None:
        return False, "no"
    return False, f"no: join group {group!r} and log in again"

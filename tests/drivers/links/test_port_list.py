"""The list of serial ports, by names that stay when a plug is moved."""

from __future__ import annotations

import sys
from pathlib import Path

import pytest

from drivers.links.port_list import list_ports


class FakePort:
    """What the system's list gives."""

    def __init__(self, device: str, description: str | None, hwid: str | None) -> None:
        self.device = device
        self.description = description
        self.hwid = hwid


@pytest.mark.skipif(sys.platform == "win32", reason="links and modes as on POSIX")
def test_ports_by_a_name_that_stays(tmp_path: Path, monkeypatch: pytest.MonkeyPatch) -> None:
    first, second = tmp_path / "ttyUSB0", tmp_path / "ttyUSB1"
    for device in (first, second):
        device.touch()
    by_id, by_path = tmp_path / "by-id", tmp_path / "by-path"
    by_id.mkdir()
    by_path.mkdir()
    (by_id / "usb-bridge-42").symlink_to(first)
    (by_path / "pci-1").symlink_to(first)
    (by_path / "pci-2").symlink_to(second)
    listed = [
        FakePort(str(second), "n/a", None),
        FakePort(str(first), "Bridge amplifier", "USB VID:PID=1234:5678 SER=42"),
        FakePort(str(tmp_path / "ttyS9"), None, "n/a"),
    ]
    monkeypatch.setattr("serial.tools.list_ports.comports", lambda: listed)
    ports = list_ports(stable_folders=(by_id, by_path, tmp_path / "none"))
    assert [port.stable_path for port in ports] == [
        str(by_id / "usb-bridge-42"),
        str(by_path / "pci-2"),
        str(tmp_path / "ttyS9"),
    ]
    assert ports[0].description == "Bridge amplifier"
    assert ports[0].permitted
    assert ports[1].description == ports[1].hardware_id == ""
    assert not ports[2].permitted
    assert ports[2].permission.startswith("no")

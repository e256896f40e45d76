"""``testcar ports``: what a person and what a program reads."""

from __future__ import annotations

import json

import pytest

from drivers.links.port_list import PortInfo
from recorder.command_line.main import main
from recorder.command_line.verbs import verb_ports

PORTS = [
    PortInfo(
        device="/dev/ttyUSB1",
        stable_path="/dev/serial/by-id/usb-bridge-42",
        description="Bridge amplifier",
        hardware_id="USB VID:PID=1234:5678 SER=42",
        permitted=True,
        permission="yes",
    ),
    PortInfo(
        device="/dev/ttyS0",
        stable_path="/dev/ttyS0",
        description="",
        hardware_id="",
        permitted=False,
        permission="no: join group 'dialout' and log in again",
    ),
]


@pytest.fixture
def _two_ports(monkeypatch: pytest.MonkeyPatch) -> None:
    monkeypatch.setattr(verb_ports, "list_ports", lambda: PORTS)


@pytest.mark.usefixtures("_two_ports")
def test_for_people(capsys: pytest.CaptureFixture[str]) -> None:
    assert main(["ports"]) == 0
    lines = capsys.readouterr().out.splitlines()
    assert lines[1].startswith("/dev/serial/by-id/usb-bridge-42  /dev/ttyUSB1  yes")
    assert "no: join group 'dialout' and log in again" in lines[2]
    assert any("tcp://host:port" in line for line in lines)


@pytest.mark.usefixtures("_two_ports")
def test_for_programs(capsys: pytest.CaptureFixture[str]) -> None:
    assert main(["ports", "--json"]) == 0
    answer = json.loads(capsys.readouterr().out)
    assert answer["ports"][0]["stable_path"] == "/dev/serial/by-id/usb-bridge-42"
    assert [port["permitted"] for port in answer["ports"]] == [True, False]
    assert "tcp://host:port" in answer["port_forms"]


def test_no_ports_is_no_error(
    monkeypatch: pytest.MonkeyPatch, capsys: pytest.CaptureFixture[str]
) -> None:
    monkeypatch.setattr(verb_ports, "list_ports", list)
    assert main(["ports"]) == 0
    assert "No serial ports found" in capsys.readouterr().out


def test_the_real_list_of_this_machine(capsys: pytest.CaptureFixture[str]) -> None:
    assert main(["ports", "--json"]) == 0
    for port in json.loads(capsys.readouterr().out)["ports"]:
        assert port["device"]
        assert port["stable_path"]

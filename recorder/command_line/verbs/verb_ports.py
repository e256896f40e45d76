"""``testcar ports``: which ports are there, and how to write one on the car sheet."""

from __future__ import annotations

import argparse
from dataclasses import asdict
from typing import TYPE_CHECKING, Any

from drivers.links.port_list import list_ports
from drivers.links.transport import PORT_FORMS
from recorder.command_line.support.json_answer import print_json

if TYPE_CHECKING:
    from drivers.links.port_list import PortInfo

__all__ = ["add_parser", "run"]


def add_parser(subparsers: Any) -> None:  # noqa: ANN401 - argparse's own type is private
    """Add the verb."""
    parser = subparsers.add_parser(
        "ports",
        description="List the serial ports of this computer. No port is opened.",
        epilog="Examples:\n  testcar ports\n  testcar ports --json\n\n"
        "Write the first column on the car sheet: it stays when a device is plugged in again.",
    )
    parser.add_argument("--json", action="store_true", help="Print the answer as JSON.")
    parser.set_defaults(run=run)


def run(args: argparse.Namespace) -> int:
    """Print the ports; none is no error."""

    ports = list_ports()
    if args.json:
        answer = {"ports": [asdict(port) for port in ports], "port_forms": list(PORT_FORMS)}
        print_json(answer)
        return 0
    for line in _lines(ports):
        print(line)
    print("A port on the car sheet may be:")
    for form in PORT_FORMS:
        print(f"  {form}")
    return 0


def _lines(ports: list[PortInfo]) -> list[str]:
    if not ports:
        return ["No serial ports found. Is the device plugged in, and its driver loaded?"]
    rows = [("port", "now", "may be used", "what it is")]
    rows += [
        (
            port.stable_path,
            port.device,
            port.permission,
            " ".join(filter(None, (port.description, port.hardware_id))) or "unknown",
        )
        for port in ports
    ]
    widths = [max(len(row[column]) for row in rows) for column in range(3)]
    return [
        "  ".join(
            (*(text.ljust(width) for text, width in zip(row, widths, strict=False)), row[3])
        )
        for row in rows
    ]

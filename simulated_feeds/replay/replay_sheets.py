"""Sheets and certificates of a recorded run, with the replay's ports in them."""

from __future__ import annotations

import math
import re
import tomllib
from typing import TYPE_CHECKING, Any

import tomli_w

from simulated_feeds.settings.errors import FeedError
from simulated_feeds.sheets.sheet_files import CAR, ROUTE, TRIP

if TYPE_CHECKING:
    from collections.abc import Mapping
    from pathlib import Path

    from recorder.run.checks.zero_line import Zero
    from recorder.run.parts.header import RunHeader
    from recorder.run_file.hdf5.reader import RunFile

__all__ = ["write_replay_sheets"]


def write_replay_sheets(
    folder: Path, run: RunFile, ports: Mapping[str, str], *, speed: float = 1.0
) -> dict[str, str]:
    """Write the folder from which the replay is recorded; paths by ``car`` and ``trip``.

    The zero the run began with is written into the car sheet: none is taken anew, so nothing
    of the replay is missed while one is. ``speed`` is times real time, 0 as fast as it goes.

    Raises
    ------
    FeedError
        The run has no car sheet.
    OSError
        The folder cannot be written.
    """
    header = run.header
    if run.car is None:
        msg = f"{run.path}: was not recorded from devices (no car sheet): nothing to replay"
        raise FeedError(msg)
    folder.mkdir(parents=True, exist_ok=True)
    files = {key: _file_name(key, i) for i, key in enumerate(header.certificates)}
    for key, name in files.items():
        (folder / name).write_text(header.certificates[key], encoding="utf-8", newline="")
    car = tomllib.loads(header.car_sheet.removeprefix("\ufeff"))
    _write_signed(folder, header, files, car)
    zeros = _first_zeros(run)
    tables = car["devices"]
    car["devices"] = {name: tables[name] for name in ports}
    for name, port in ports.items():
        car["devices"][name]["port"] = port
        _repoint(car["devices"][name], run, name, files, zeros)
    car.setdefault("recording", {})["zero_seconds"] = 0.0
    # Even at real speed its instants are another day's.
    car["recording"]["simulated_speed"] = float(speed)
    (folder / CAR).write_text(tomli_w.dumps(car), encoding="utf-8", newline="\n")
    trip = tomllib.loads(header.trip_sheet.removeprefix("\ufeff")) if header.trip_sheet else {}
    trip = trip or {"trip": {"name": "replayed"}}
    # The route's file is not in the run: a sheet that points at nothing would only warn.
    if "route" in trip and not (folder / ROUTE).exists():
        del trip["route"]
    (folder / TRIP).write_text(tomli_w.dumps(trip), encoding="utf-8", newline="\n")
    return {"car": str(folder / CAR), "trip": str(folder / TRIP)}


def _write_signed(
    folder: Path, header: RunHeader, files: Mapping[str, str], car: dict[str, Any]
) -> None:
    """The keys the run's car sheet trusts, and the signatures beside the certificates."""
    for key, text in header.signatures.items():
        if key in files:
            (folder / f"{files[key]}.sig").write_text(text, encoding="utf-8", newline="")
    if "laboratories" in car:
        names = {name: f"laboratory-{i}.pub" for i, name in enumerate(header.laboratory_keys)}
        for name, file in names.items():
            text = header.laboratory_keys[name]
            (folder / file).write_text(text, encoding="utf-8", newline="")
        car["laboratories"] = names


def _file_name(key: str, number: int) -> str:
    word = re.sub(r"[^A-Za-z0-9_-]+", "-", key).strip("-")[:60]
    return f"{number}-{word}.cert.json"


def _first_zeros(run: RunFile) -> dict[str, Zero]:
    zeros: dict[str, Zero] = {}
    for zero in run.zeros():
        if zero.holds:
            zeros.setdefault(zero.channel, zero)
    return zeros


def _repoint(
    table: dict[str, Any],
    run: RunFile,
    name: str,
    files: Mapping[str, str],
    zeros: Mapping[str, Zero],
) -> None:
    """Certificates of one device to the files written, and its zeros known."""
    held = {c.name: c.certificate for c in run.devices[name].header.channels}
    rows = {
        _channel_of(key, row, held, name): row for key, row in table.get("channels", {}).items()
    }
    if table.pop("certificate", ""):
        # Earlier versions passed over one that no channel used; a recording refuses it.
        used = [c for n, c in held.items() if c and not rows.get(n, {}).get("certificate")]
        if used:
            table["certificate"] = files[used[0]]
    for channel, row in rows.items():
        if row.get("certificate") and held.get(channel):
            row["certificate"] = files[held[channel]]
        if channel in zeros and held.get(channel):
            zero = zeros[channel]
            row["zero_counts"] = zero.counts
            if math.isfinite(zero.u_counts):
                row["zero_u_counts"] = zero.u_counts


def _channel_of(key: str, row: Mapping[str, Any], held: Mapping[str, str], device: str) -> str:
    """The channel in the run that a row of the sheet, of this key, describes."""
    wired = re.fullmatch(r"ch\d+", key)
    channel = row.get("name") or (row.get("quantity", key) if wired else key)
    return channel if channel in held else f"{device}_{channel}"

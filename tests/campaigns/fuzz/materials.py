"""A folder with a good file of each kind, and everything that is none."""

from __future__ import annotations

import contextlib
import json
import os
import random
import re
import shutil
from collections.abc import Callable
from pathlib import Path
from typing import Any

import h5py
import numpy as np
from numpy.typing import NDArray

from recorder.exchange.table_import import ImportedTable, import_table
from recorder.sheets.errors import SheetError
from recorder.sheets.trip import parse_trip_sheet
from simulated_feeds.outing.scenario import make_scenario
from simulated_feeds.sheets.sheet_files import write_sheets
from tests.recorder.made_runs import made_run
from tests.recorder.run_file.hdf5.hostile_files import made_hostile
from tests.recorder.run_file.proof.honest_run import harmed, retext, sealed_as
from tests.recorder.sheet_runs import CERTIFIED_CELL, CERTIFIED_WHEEL, RECEIVER, run_by_sheet

__all__ = ["FORGED", "STEERING", "materials"]

FORGED = "FORGED LINE"
STEERING = f"\x1b[2J\x07\u202e\u2066\u200b\u2028x\n{FORGED} = sound\r\x9b"
"""What a text that steers holds; the second line must never stand as a line of ours."""

READINGS = """series,direction,applied_kN,reading
1,up,0,10\n1,up,50,50010\n1,up,100,100012\n1,up,150,150009\n1,up,200,200011
1,down,150,150013\n1,down,100,100016\n1,down,50,50013\n1,down,0,11
2,up,0,9\n2,up,50,50012\n2,up,100,100011\n2,up,150,150010\n2,up,200,200012
"""
TABLE = "time_s,pull_kN,speed_m_s\n" + "".join(f"{i},{50 + i % 7},{10}\n" for i in range(200))
MARKS = "time_s,kind,value,note,by\n3,milepost,41,seen,A. Crew\n9,throttle,5,,\n"

TEXTS: dict[str, bytes] = {
    "readings.csv": READINGS.encode(),
    "table.csv": TABLE.encode(),
    "marks.csv": MARKS.encode(),
    "edits.csv": b"action,start_s,end_s,reason\nstrike,1,2,why\n",
    "empty": b"",
    "words.txt": b"only words\n" * 50,
    "zeros.bin": bytes(4096),
    "noise.bin": bytes(range(256)) * 16,
    "wide.txt": "time_s,pull_kN\n1,2\n".encode("utf-16"),
    "deep.json": b"[" * 100_000,
    "deeper.json": b'{"a":' * 100_000,
    "huge.json": b'{"certificate_id": ' + b"9" * 5000 + b', "x": 1e999, "y": NaN}',
    "deep.toml": b"a=" + b"[" * 50_000,
    "huge.toml": b"a=" + b"9" * 5000 + b"\nb=nan\nc=1e999\n",
    "wide.csv": b"," * 200_000 + b"\n" + b"1," * 200_000,
    "quoted.csv": b'time_s,pull_kN\n"' + b"a" * 300_000,
    "surrogate.json": b'{"certificate_id": "\\ud800", "kind": "\\u0000\\u202e"}',
    "null.json": b"null",
    "list.json": b"[1, 2]",
    "steering.csv": f'time_s,kind,value,note\n1,remark,"{STEERING}",x\n'.encode(),
    "steering.toml": ("[car]\nname = " + json.dumps(STEERING) + "\n").encode(),
    "header.h5": b"\x89HDF\r\n\x1a\n" + bytes(200),
}


def materials(folder: Path) -> dict[str, str]:
    """Make them; each by its name, as a word of a command line."""
    folder.mkdir(parents=True)
    _runs(folder)
    write_sheets(
        folder,
        make_scenario(seed=1),
        dict.fromkeys(("drawbar", "wheel", "clock"), "tcp://127.0.0.1:1"),
    )
    for name, data in TEXTS.items():
        (folder / name).write_bytes(data)
    _strange_runs(folder)
    _strange_trips(folder)
    _places(folder)
    found = {p.name: str(p) for p in sorted(folder.iterdir())}
    return found | {
        "missing": str(folder / "missing.h5"),
        "zero": "/dev/zero",
        "null": "/dev/null",
    }


def _runs(folder: Path) -> None:
    made = folder.parent / "made"
    made.mkdir()
    by_sheet = run_by_sheet(made, CERTIFIED_CELL + CERTIFIED_WHEEL + RECEIVER, seconds=60)
    shutil.copy(by_sheet, folder / "sheet_run.h5")
    run = made_run(4.0)
    good = sealed_as(run, made / "good.h5")
    shutil.copy(good, folder / "good.h5")
    run.filed(folder / "unsealed.h5")
    for name, harm in (("outside", "rows in another file"), ("packed", "packed")):
        made_hostile(Path(shutil.copy(good, folder / f"{name}.h5")), harm)
    bit = bytearray(good.read_bytes())
    bit[len(bit) // 3] ^= 4
    (folder / "flipped.h5").write_bytes(bit)
    (folder / "cut.h5").write_bytes(good.read_bytes()[: len(bit) // 2])
    for name, text in (("steering", STEERING), ("long", "x" * 100_000)):
        harmed(Path(shutil.copy(good, folder / f"{name}.h5")), _saying(text))


def _strange_runs(folder: Path) -> None:
    """Runs of numbers that no train makes, each a run file like any other."""
    n = 400
    t = np.arange(n) * 0.5
    ones = np.ones(n)
    columns: dict[str, tuple[NDArray[Any], ...]] = {
        "huge": (t, ones * 1e300, ones * 1e300),
        "tiny": (t, ones * 1e-300, ones * 1e-300),
        "turned": (t, -60.0 * ones, -10.0 * ones),
        "nothing": (t, ones * np.nan, ones * np.nan),
        "one": (t[:1], ones[:1], ones[:1]),
        "two": (t[:2], ones[:2], ones[:2]),
        "still": (t, 0.0 * ones, 0.0 * ones),
        "crowded": (t * 1e-9, 60.0 * ones, 10.0 * ones),
        "month": (t * 12_000.0, 60.0 * ones, 10.0 * ones),
        "jumping": (t, np.where(t % 2 < 1, 1e9, -1e9), np.where(t % 2 < 1, 100.0, -100.0)),
        "holed": (t, np.where(t % 20 < 10, 60.0, np.nan), np.where(t % 14 < 7, 10.0, np.nan)),
    }
    for name, (time_s, pull, speed) in columns.items():
        values = {"pull": pull, "speed": speed}
        if name in ("turned", "holed"):
            values["distance"] = np.nan_to_num(speed).cumsum() * 0.5
        table = ImportedTable(time_s=time_s, columns=values, warnings=())
        trip = (folder / "trip.toml").read_text("utf-8")
        import_table(table, folder / f"{name}.h5", software="testcar test", trip_sheet=trip)


def _strange_trips(folder: Path) -> None:
    """Trip sheets that read, of trains that cannot be."""
    good = (folder / "trip.toml").read_text("utf-8")
    chance = random.Random(5)
    made = 0
    while made < 12:
        numbers = list(re.finditer(r"(?<== )-?[0-9.]+(?=\n)", good))
        found = chance.choice(numbers)
        other = chance.choice(("0", "1e300", "-1e300", "1e-300", "1", "1000000", "-1"))
        text = f"{good[: found.start()]}{other}{good[found.end() :]}"
        with contextlib.suppress(SheetError):
            parse_trip_sheet(text)
            (folder / f"trip_{made}.toml").write_text(text, "utf-8")
            made += 1


def _saying(text: str) -> Callable[..., None]:
    """Every free text of a run says that."""

    def harm(file: h5py.File) -> None:
        for path in ("marks/json", "gaps/json", "events/json", "header/run"):
            held = json.loads(bytes(file[path][0]))
            rows = held if isinstance(held, list) else [held]
            for row in rows:
                for key in ("note", "value", "by", "detail", "software", "origin", "boot_id"):
                    if isinstance(row.get(key), str):
                        row[key] = text
            for device in rows[0].get("devices", []):
                device["port"] = device["driver"] = text
                for channel in device["channels"]:
                    channel["quantity"] = text if channel["name"] == "latitude" else "pull"
            retext(file, path, json.dumps(held))

    return harm


def _places(folder: Path) -> None:
    os.mkfifo(folder / "pipe")
    (folder / "dir").mkdir()
    (folder / "loop").symlink_to(folder / "loop")

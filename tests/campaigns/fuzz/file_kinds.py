"""By kind of file: how another one is made, with check sums that are right, and who reads it."""

from __future__ import annotations

import json
import random
import sqlite3
import zlib
from collections.abc import Callable
from contextlib import closing
from dataclasses import dataclass
from datetime import date
from pathlib import Path
from typing import Any

import numpy as np

from calibration.certificates.certificate import (
    document_digest,
    dump_certificate,
    parse_certificate,
    parse_document,
)
from calibration.certificates.clock import ClockCertificate
from calibration.certificates.signature import FORMAT, check_signature, read_public_key
from calibration.clock.tick_rate import tick_rate
from calibration.evaluation.evaluation import evaluate
from calibration.evaluation.verify import verify_document
from calibration.proof.recomputed import recompute
from calibration.readings.bench_settings import BenchSettings
from calibration.readings.readings_csv import parse_readings
from drivers.protocols.load_cell_frames import LoadCellDecoder
from drivers.protocols.nmea_0183 import NmeaDecoder
from drivers.protocols.wheel_pulses import WheelDecoder
from recorder.acquisition.control import requests
from recorder.acquisition.control.session_files import read_session
from recorder.analysis.campaign.crew_edits import read_edits
from recorder.exchange.marks_table import read_marks_table
from recorder.exchange.table_import import read_table
from recorder.keeping.journal_reader import JournalReader
from recorder.run_file.companion.companion import Companion, companion_path
from recorder.run_file.companion.entries import Binding, Entry
from recorder.run_file.companion.stored import database_of
from recorder.sheets.car import parse_car_sheet
from recorder.sheets.trip import parse_trip_sheet
from recorder.track.route.route import parse_route
from simulated_feeds.outing.scenario import make_scenario
from simulated_feeds.sheets.sheet_files import write_sheets
from tests.calibration.made_certificates import made as made_certificate
from tests.campaigns.fuzz.mutation import other_bytes, other_json, other_lines
from tests.drivers.wire import load_cell_frame, sentence, wheel_frame
from tests.recorder.made_runs import WHEEL, all_rows, made_run, mark

__all__ = ["Kind", "file_kinds"]

REFUSED = (ValueError, OSError)
"""What the command line tells a person in one line: every declared error is one of these."""


@dataclass(frozen=True, slots=True)
class Kind:
    """One kind of input."""

    name: str
    share: float
    make: Callable[[random.Random], Any]
    read: Callable[[Any], object]
    errors: tuple[type[Exception], ...] = REFUSED


def file_kinds(folder: Path) -> list[Kind]:
    """All of them; ``folder`` is for what must lie on a disk."""
    folder.mkdir(exist_ok=True)
    return [
        *_sheets(folder), *_tables(folder), *_certificates(), *_messages(folder), *_devices(),
        *_databases(folder),
    ]  # fmt: skip


def _lines(name: str, share: float, text: str, read: Callable[[str], object], by: str) -> Kind:
    return Kind(name, share, lambda chance: other_lines(chance, text, by), read)


def _sheets(folder: Path) -> list[Kind]:
    ports = dict.fromkeys(("drawbar", "wheel", "clock"), "tcp://127.0.0.1:1")
    files = write_sheets(folder / "sheets", make_scenario(seed=1), ports)
    route = files.route.read_bytes()
    return [
        _lines("car sheet", 6, files.car.read_text("utf-8"), parse_car_sheet, "="),
        _lines("trip sheet", 6, files.trip.read_text("utf-8"), parse_trip_sheet, "="),
        _lines(
            "route",
            4,
            route.decode(),
            lambda text: parse_route(text.encode(), source="route"),
            ",",
        ),
        Kind("route bytes", 0.4, lambda chance: other_bytes(chance, route), _route),
    ]


def _route(data: bytes) -> object:
    return parse_route(data, source="route")


def _tables(folder: Path) -> list[Kind]:
    place = folder / "table.csv"
    readings = "series,direction,applied_kN,reading,temperature_C\n" + "".join(
        f"{s},{way},{kN},{kN * 1000 + s},20\n"
        for s in (1, 2, 3)
        for way, kN in [*(("up", k) for k in range(0, 250, 50)), ("down", 100), ("down", 0)]
    )
    table = "time_s,pull_kN,speed_m_s\n" + "".join(f"{i},{50 + i},{10}\n" for i in range(20))
    marks = (
        "time_s,kind,value,note,by\n3,milepost,41,seen,A\n9,throttle,5,,\n12,weather,dry,,\n"
    )
    edits = "action,start_s,end_s,reason\nstrike,1,2,why\nadd,3,9,because\n"

    def kept(read: Callable[[Path], object]) -> Callable[[str], object]:
        def written(text: str) -> object:
            place.write_text(text, "utf-8", newline="")
            return read(place)

        return written

    return [
        _lines("readings", 8, readings, parse_readings, ","),
        _lines("readings evaluated", 1, readings, _evaluated, ","),
        _lines("import table", 8, table, kept(read_table), ","),
        _lines("marks table", 8, marks, kept(read_marks_table), ","),
        _lines("edits", 8, edits, kept(read_edits), ","),
    ]


def _evaluated(text: str) -> object:
    return evaluate(parse_readings(text), BenchSettings.from_document({"issued": "2026-05-04"}))


def _clock() -> ClockCertificate:
    seconds = np.arange(60)
    found = tick_rate(seconds, seconds * 1_000_020, 1e6)
    return ClockCertificate(
        certificate_id="CL-1", issued=date(2026, 5, 1), expires=None, device="wheel",
        serial="118", run="run.h5", run_digest="", began_utc="", tick_hz=1e6,
        seconds=tuple(seconds.tolist()), ticks=tuple((seconds * 1_000_020).tolist()),
        rate_ppm=found.rate_ppm, u_rate_ppm=found.u_ppm, coverage_factor=found.k,
        low_ppm=found.low_ppm, high_ppm=found.high_ppm, scatter_us=found.scatter_us,
    )  # fmt: skip


def _certificates() -> list[Kind]:
    kinds = []
    for name, share, held in (
        ("force", 6, made_certificate()), ("wheel", 8, WHEEL), ("clock", 6, _clock()),
    ):  # fmt: skip
        document = json.loads(dump_certificate(held))

        def digested(chance: random.Random, document: dict[str, Any] = document) -> str:
            other = other_json(chance, document)
            if isinstance(other, dict) and chance.random() < 0.95:
                try:
                    other["digest"] = document_digest(other)
                except ValueError:
                    other["digest"] = ""  # what no digest can be made of: NaN, half a letter
            return json.dumps(other)

        kinds += [
            Kind(f"{name} certificate", share, digested, parse_certificate),
            Kind(f"{name} certificate proved", 0.4, digested, _proved),
        ]
    text = dump_certificate(made_certificate())
    signature = {
        "format": FORMAT, "version": 1, "algorithm": "Ed25519", "certificate_digest": "x",
        "key_fingerprint": KEY.fingerprint, "signature": "A" * 86 + "==",
    }  # fmt: skip
    return [
        *kinds,
        Kind(
            "certificate bytes", 4, lambda c: other_bytes(c, text.encode()), _certificate_bytes
        ),
        Kind("signature", 4, lambda c: json.dumps(other_json(c, signature)), _signature),
        Kind("public key", 4, lambda c: other_bytes(c, PEM), _public_key),
    ]


PEM = (
    b"-----BEGIN PUBLIC KEY-----\n"
    b"MCowBQYDK2VwAyEAGb9ECWmEzf6FQbrBZ9w7lshQhqowtrbLDFw4rXAxZuE=\n-----END PUBLIC KEY-----\n"
)
KEY = read_public_key(PEM.decode(), source="key")


def _certificate_bytes(data: bytes) -> object:
    return parse_certificate(data.decode("utf-8", "surrogateescape"))


def _proved(text: str) -> None:
    document = parse_document(text)
    parse_certificate(text)
    recompute(document, software="testcar test")
    verify_document(document, source="certificate")


def _signature(text: str) -> object:
    return check_signature({"kind": "force"}, text, {"Lab": KEY}, source="signature")


def _public_key(data: bytes) -> object:
    return read_public_key(data.decode("utf-8", "replace"), source="key")


MARK_ID = "0" * 31 + "1"
ASKED: dict[str, tuple[Any, dict[str, Any]]] = {
    "mark": (requests.KeyedMark, {
        "mark_id": MARK_ID, "kind": "milepost", "keyed_monotonic_ns": 5, "value": "4",
        "note": "", "by": "A", "extra": {"key": "m"},
    }),
    "revision": (requests.MarkRevision, {"mark": {
        "mark_id": MARK_ID, "revision": 1, "kind": "milepost", "t_s": 5.0, "value": "4",
        "note": "", "withdrawn": True, "by": "A", "extra": {},
    }}),
    "since": (requests.Since, {"number": 4}),
    "zero": (requests.ZeroRequest, {"seconds": 5.0, "channel": "", "force": "x", "by": "A"}),
    "zero revision": (requests.ZeroRevision, {
        "channel": "pull", "t_s": 4.0, "edit": "withdraw", "by": "A", "reason": "x",
    }),
    "shunt": (requests.ShuntRequest, {"channel": "pull", "step": "off", "seconds": 5.0}),
    "stop": (requests.StopRequest, {"reason": "x"}),
}  # fmt: skip


def _messages(folder: Path) -> list[Kind]:
    kinds = []
    for name, (request, fields) in ASKED.items():

        def read(other: Any, request: Any = request) -> None:
            if isinstance(other, dict):
                request.parse(other)

        def make(chance: random.Random, fields: dict[str, Any] = fields) -> Any:
            return other_json(chance, fields)

        kinds.append(Kind(f"request {name}", 3, make, read))
    session = {
        "version": 1, "pid": 1, "started": "1", "address": "a", "authkey": "00", "run_path": "r",
        "journal_path": "j", "run_id": "i", "rings": {"cell": "r"},
    }  # fmt: skip
    place = folder / "session.json"

    def read_it(data: bytes) -> object:
        place.write_bytes(data)
        return read_session(place)

    return [
        *kinds,
        Kind("session file", 5, lambda c: _dumped(other_json(c, session)), read_it),
        Kind("session bytes", 3, lambda c: other_bytes(c, _dumped(session)), read_it),
    ]


def _dumped(held: object) -> bytes:
    return json.dumps(held).encode()


CELL = [load_cell_frame([(k, -k, 1, 2)], sequence=k, tick=k * 500) for k in range(12)]
PULSES = [wheel_frame(sequence=k, count=k, made=k * 10_000) for k in range(12)]
LINES = [
    sentence(f"GPRMC,12{k // 60:02d}{k % 60:02d},A,4807.0,N,01131.0,E,1,2,251126,,,A")
    for k in range(12)
]


def _other_frames(frames: list[bytes]) -> Callable[[random.Random], bytes]:
    return lambda chance: other_bytes(chance, b"".join(frames))


def _other_wheel(chance: random.Random) -> bytes:
    whole = (2**32 - 1, 0, 1, 2**31, chance.randrange(2**32))
    return b"".join(
        wheel_frame(
            sequence=chance.randrange(256), count=chance.choice(whole),
            made=chance.choice(whole), flags=chance.randrange(8),
        )
        for _ in range(6)
    )  # fmt: skip


def _other_cell(chance: random.Random) -> bytes:
    whole = (2**32 - 1, 0, 1, 2**31, chance.randrange(2**32))
    return b"".join(
        load_cell_frame(
            [(chance.randrange(-(2**23), 2**23),) * 4] * chance.choice((1, 20, 512)),
            sequence=chance.choice(whole), tick=chance.choice(whole),
        )
        for _ in range(6)
    )  # fmt: skip


def _other_sentence(chance: random.Random) -> bytes:
    bodies = [line[1:].split(b"*")[0].decode() for line in LINES[:4]]
    bodies.append("GPGGA,120000,4807.0,N,01131.0,E,1,8,0.9,545.4,M,46.9,M,,")
    bodies.append("GPZDA,120000.00,25,11,2026,00,00")
    return b"".join(
        sentence(other_lines(chance, body).strip().encode("ascii", "ignore").decode())
        for body in bodies
    )


def _devices() -> list[Kind]:
    return [
        Kind("load cell bytes", 8, _other_frames(CELL), _fed(LoadCellDecoder), ()),
        Kind("load cell frames", 4, _other_cell, _fed(LoadCellDecoder), ()),
        Kind("wheel bytes", 8, _other_frames(PULSES), _fed(WheelDecoder), ()),
        Kind("wheel frames", 4, _other_wheel, _fed(WheelDecoder), ()),
        Kind("receiver bytes", 8, _other_frames(LINES), _fed(NmeaDecoder), ()),
        Kind("receiver sentences", 6, _other_sentence, _fed(NmeaDecoder), ()),
    ]


def _fed(decoder: Callable[[], Any]) -> Callable[[bytes], None]:
    def read(data: bytes) -> None:
        made = decoder()
        half = len(data) // 2
        made.feed(data[:half], 1_000_000_000)
        made.feed(data[half:], 1_100_000_000)

    return read


def _databases(folder: Path) -> list[Kind]:
    run = made_run(1.0)
    good = folder / "good.journal"
    run.journal(good)
    whole = good.read_bytes()
    place = folder / "run.h5.journal"
    texts = {
        "meta": "SELECT rowid, value FROM meta",
        "marks": "SELECT id, json FROM marks",
        "events": "SELECT id, json FROM events",
    }

    def make(chance: random.Random) -> tuple[str, int, str]:
        table = chance.choice(list(texts))
        with closing(sqlite3.connect(good)) as sql:
            row, text = chance.choice(sql.execute(texts[table]).fetchall())
        try:
            other = json.dumps(other_json(chance, json.loads(text)))
        except ValueError:
            other = other_bytes(chance, text.encode()).decode("utf-8", "replace")
        return table, row, other

    def read(made: tuple[str, int, str]) -> None:
        table, row, text = made
        place.write_bytes(whole)
        with closing(sqlite3.connect(place)) as sql:
            column, key = ("value", "rowid") if table == "meta" else ("json", "id")
            for name in (table, "meta_copy") if table == "meta" else (table,):
                crc = zlib.crc32(text.encode())
                sql.execute(
                    f"UPDATE {name} SET {column}=?, crc=? WHERE {key}=?", (text, crc, row)
                )
            sql.commit()
        with JournalReader(place) as reader:
            for rows in all_rows(reader):
                len(rows.marks)

    return [Kind("journal", 1, make, read), _companion(folder)]


def _companion(folder: Path) -> Kind:
    binding = Binding("run", "sha256:" + "1" * 64)
    run = folder / "noted.h5"
    kept = mark(3.0).to_dict()
    zero = {"channel": "pull", "t_s": 0.0, "counts": 5.0, "u_counts": 1.0, "revision": 1}

    def make(chance: random.Random) -> bytes:
        entries = [
            Entry(kind=k, name=n, text=_text(chance, d), utc_ns=1, by="A", version="1")
            for k, n, d in (
                ("mark", kept["mark_id"], kept), ("result", "zeros", zero),
                ("result", "placement", {"a": [1, 2]}),
            )
        ]  # fmt: skip
        return database_of(entries, binding, carried=0)

    def read(data: bytes) -> None:
        companion_path(run).write_bytes(data)
        held = Companion(companion_path(run), binding.run_id, binding.digest)
        held.revisions()
        held.zero_revisions()
        held.results()

    return Kind("companion", 1, make, read)


def _text(chance: random.Random, held: Any) -> str:
    return json.dumps(other_json(chance, held)) if chance.random() < 0.6 else json.dumps(held)

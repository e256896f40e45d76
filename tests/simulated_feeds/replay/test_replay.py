"""A run replayed is the run recorded, count for count and tick for tick."""

from __future__ import annotations

from collections.abc import Callable
from dataclasses import dataclass, replace
from pathlib import Path
from typing import Any

import numpy as np
import pytest
import tomli_w
from cryptography.hazmat.primitives.asymmetric.ed25519 import Ed25519PrivateKey

from calibration.certificates.certificate import dump_certificate, parse_document
from calibration.certificates.signature import key_of, public_text, sign_document
from calibration.clock.tick_line import TickLine
from drivers.interface.registry import layout_of
from recorder.keeping.journal import Journal
from recorder.keeping.seal import recover
from recorder.run.checks.zero_line import Zero
from recorder.run.parts.block import Block
from recorder.run.parts.gap import Cause, Gap
from recorder.run.parts.header import ChannelHeader, DeviceHeader, RunHeader
from recorder.run_file.hdf5.reader import open_run
from recorder.run_file.seal.write_whole import DeviceData, write_run
from recorder.sheets import load_car_sheet, load_trip_sheet
from simulated_feeds.devices.fault_kinds import parse_fault
from simulated_feeds.outing.rendering import Rendered, render_bytes
from simulated_feeds.outing.scenario import Scenario
from simulated_feeds.replay.replaying import ReplaySettings, run_replay, start_replay
from simulated_feeds.serving.feed_reports import FeedEnded, FeedReady, FeedReport, FeedStarted
from simulated_feeds.settings.errors import FeedError
from simulated_feeds.sheets.sheet_files import (
    car_sheet,
    force_certificate,
    trip_sheet,
    wheel_certificate,
)

Reading = Callable[[dict[str, str]], dict[str, bytes]]
DRIVERS = {"drawbar": "load-cell-frames", "wheel": "wheel-pulses", "clock": "nmea-0183"}
CHANNELS = {
    "drawbar": (("pull", "pull", "kN", "ch0", "force"),),
    "wheel": (("distance", "distance", "m", "count", "wheel"),),
    "clock": (("latitude", "latitude", "deg", "latitude_deg", ""),),
}


def decoder_of(driver: str) -> Any:
    from drivers.protocols.load_cell_frames import LoadCellDecoder
    from drivers.protocols.nmea_0183 import NmeaDecoder
    from drivers.protocols.wheel_pulses import WheelDecoder

    if driver == "load-cell-frames":
        return LoadCellDecoder()
    return WheelDecoder() if driver == "wheel-pulses" else NmeaDecoder()


def header_of(scenario: Scenario) -> RunHeader:
    certificates = {
        "SIM-F-0001": dump_certificate(force_certificate(scenario)),
        "SIM-W-0001": dump_certificate(wheel_certificate(scenario)),
    }
    keys = {"force": "SIM-F-0001", "wheel": "SIM-W-0001", "": ""}
    devices = []
    for name, driver in DRIVERS.items():
        layout = layout_of(driver, device_id=name, options={})
        fields = [[f, layout.dtype[f].str] for f in layout.dtype.names or ()]
        channels = tuple(
            ChannelHeader(name=n, quantity=q, unit=u, field=f, certificate=keys[c])
            for n, q, u, f, c in CHANNELS[name]
        )
        devices.append(
            DeviceHeader(
                name=name, driver=driver, port="-", dtype=fields, tick_hz=layout.tick_hz,
                channels=channels,
            )
        )  # fmt: skip
    return RunHeader(
        run_id="0" * 32, started_utc_ns=scenario.utc0_ns, started_monotonic_ns=10**9,
        boot_id="test", software="test", certificates=certificates, devices=tuple(devices),
        car_sheet=tomli_w.dumps(car_sheet(scenario, dict.fromkeys(DRIVERS, "-") | _PORTS)),
        trip_sheet=tomli_w.dumps(trip_sheet(scenario)),
    )  # fmt: skip


_PORTS = {name: f"tcp://127.0.0.1:{4000 + i}" for i, name in enumerate(DRIVERS)}


@dataclass
class Taken:
    """A device's records, decoded as a recording would."""

    records: np.ndarray
    blocks: list[Block]
    gaps: list[Gap]


def take(name: str, rendered: Rendered) -> Taken:
    decoder = decoder_of(DRIVERS[name])
    hz = decoder.layout.tick_hz
    blocks: list[Block] = []
    gaps: list[Gap] = []
    count = 0
    # A reader has in one hand what came within 50 ms.
    hands = np.floor(np.array(rendered.due_s) / 0.05).astype(int)
    for hand in np.unique(hands):
        chosen = np.flatnonzero(hands == hand)
        due = rendered.due_s[chosen[-1]]
        batch = decoder.feed(b"".join(rendered.frames[i] for i in chosen), int(due * 1e9))
        gaps += [
            Gap(
                device=name, t_start_s=due, t_end_s=due, cause=Cause(f.cause), detail=f.detail,
                lost_records=f.lost_records, before_record=count + f.before_record,
            )
            for f in batch.faults
        ]  # fmt: skip
        n = len(batch.records)
        if n:
            last = int(batch.records["tick"][-1])
            line = TickLine(tick0=last, t0_s=due, s_per_tick=1.0 / hz)
            blocks.append(
                Block(
                    device=name,
                    sequence=len(blocks),
                    received_s=due,
                    records=batch.records,
                    line=line,
                )
            )
        count += n
    records = np.concatenate([b.records for b in blocks])
    return Taken(records, blocks, gaps)


def make_run(path: Path, scenario: Scenario, *faults: str) -> dict[str, Taken]:
    """A sealed run file, by journal and recovery, and what is in it."""
    sent = render_bytes(scenario, 6.0, faults=[parse_fault(f) for f in faults])
    taken = {name: take(name, sent[name]) for name in DRIVERS}
    journal = path.with_suffix(".journal")
    with Journal.create(journal, header_of(scenario)) as kept:
        kept.append(
            [], [Zero(channel="pull", t_s=0.0, counts=21_000.5, u_counts=1.5).to_event()]
        )
        for device in taken.values():
            kept.append(device.blocks, device.gaps)
    assert recover(journal, path) == []
    return taken


@pytest.fixture(scope="module")
def clean(
    tmp_path_factory: pytest.TempPathFactory, demo: Scenario
) -> tuple[Path, dict[str, Taken]]:
    path = tmp_path_factory.mktemp("run") / "run.h5"
    return path, make_run(path, demo)


def decode(name: str, data: bytes) -> tuple[np.ndarray, list[str]]:
    batch = decoder_of(DRIVERS[name]).feed(data, 10**12)
    return batch.records, [f.cause for f in batch.faults]


def same(a: np.ndarray, b: np.ndarray, *, but: tuple[str, ...] = ()) -> None:
    assert len(a) == len(b)
    for field in a.dtype.names or ():
        if field not in but:
            np.testing.assert_array_equal(a[field], b[field], err_msg=field)


@pytest.mark.parametrize("speed", [0.0, 12.0])
def test_count_for_count(
    tmp_path: Path, clean: tuple[Path, dict[str, Taken]], reading: Reading, speed: float
) -> None:
    path, taken = clean
    with start_replay(path, tmp_path, speed=speed) as feed:
        got = reading(feed.ports)
        summary = feed.wait(30.0)
    assert summary.complete
    for name in ("drawbar", "wheel"):
        records, causes = decode(name, got[name])
        assert causes == []
        same(taken[name].records, records)
    # The clock's ticks are the host's; its sentences are kept to the letter.
    sentences = [line for line in got["clock"].split(b"\r\n") if line]
    assert sentences == taken["clock"].records["sentence"].tolist()


def test_sheets_for_recording_again(
    tmp_path: Path, clean: tuple[Path, dict[str, Taken]], reading: Reading
) -> None:
    with start_replay(clean[0], tmp_path, speed=0.0) as feed:
        car = load_car_sheet(feed.sheets["car"])
        load_trip_sheet(feed.sheets["trip"])
        reading(feed.ports)
        feed.wait(30.0)
    assert {n: d.port for n, d in car.devices.items()} == feed.ports
    assert car.recording.zero_seconds == 0.0
    pull = car.devices["drawbar"].channels["pull"]
    assert (pull.zero_counts, pull.zero_u_counts) == (21_000.5, 1.5)
    assert car.certificate_path(pull.certificate).is_file()
    assert car.certificate_path(car.devices["wheel"].certificate).is_file()
    from recorder.acquisition.preparation.plan import make_plan

    plan = make_plan(car)
    assert not plan.needs_zero
    assert set(plan.certificates) == {"SIM-F-0001", "SIM-W-0001"}


def test_a_certificate_that_no_channel_used_is_left_out_of_the_sheets(
    tmp_path: Path, clean: tuple[Path, dict[str, Taken]], reading: Reading
) -> None:
    """Earlier versions passed over it; a recording by these sheets would refuse it."""
    from recorder.acquisition.preparation.plan import make_plan

    path = tmp_path / "run.h5"
    with open_run(clean[0]) as run:
        header = run.header
        data = {
            d.name: DeviceData(time_s=d.time_s(), records=d.records())
            for d in run.devices.values()
        }
    sheet = header.car_sheet.replace(
        'driver = "load-cell-frames"', 'driver = "load-cell-frames"\ncertificate = "old.json"'
    ).replace('driver = "nmea-0183"', 'driver = "nmea-0183"\ncertificate = "old.json"')
    assert sheet.count("old.json") == 2
    write_run(path, replace(header, car_sheet=sheet), data)
    with start_replay(path, tmp_path / "again", speed=0.0) as feed:
        plan = make_plan(load_car_sheet(feed.sheets["car"]))
        reading(feed.ports)
        feed.wait(30.0)
    assert set(plan.certificates) == {"SIM-F-0001", "SIM-W-0001"}
    assert plan.car.devices["drawbar"].certificate == ""


@pytest.mark.parametrize(
    "faults",
    [
        ("dropout:drawbar@1+2", "dropout:wheel@2+1"),
        ("crc@1+1", "garbage@3+1", "truncate@4.5+1"),
        ("silence@2+1.5",),
        ("restart:drawbar@2+0.5", "restart:wheel@3+0.5"),
    ],
    ids=lambda f: f[0],
)
def test_gaps_are_gaps_again(
    tmp_path: Path, demo: Scenario, reading: Reading, faults: tuple[str, ...]
) -> None:
    path = tmp_path / "run.h5"
    taken = make_run(path, demo, *faults)
    with start_replay(path, tmp_path / "again", speed=0.0) as feed:
        got = reading(feed.ports)
        feed.wait(30.0)
    for name in ("drawbar", "wheel"):
        records, causes = decode(name, got[name])
        same(taken[name].records, records)
        # Lost frames are lost again, as many; what had only been noise between is not.
        expected = [g for g in taken[name].gaps if g.lost_records or "restart" in g.cause]
        assert len(causes) == len(expected)
        lost = sum(g.lost_records for g in expected)
        again = decoder_of(DRIVERS[name]).feed(got[name], 10**12)
        assert sum(f.lost_records for f in again.faults) == lost


def test_one_device_only(
    tmp_path: Path, clean: tuple[Path, dict[str, Taken]], reading: Reading
) -> None:
    reports: list[FeedReport] = []
    got: dict[str, bytes] = {}
    import threading

    reader: list[threading.Thread] = []

    def report(what: FeedReport) -> None:
        reports.append(what)
        if isinstance(what, FeedReady):
            thread = threading.Thread(target=lambda: got.update(reading(what.ports)))
            thread.start()
            reader.append(thread)

    settings = ReplaySettings(
        run=str(clean[0]), folder=str(tmp_path), speed=0.0, devices=("wheel",)
    )
    summary = run_replay(settings, report, lambda: False)
    reader[0].join(20.0)
    assert list(summary.frames) == ["wheel"]
    same(clean[1]["wheel"].records, decode("wheel", got["wheel"])[0])
    assert [type(r) for r in reports] == [FeedReady, FeedStarted, FeedEnded]


def test_what_cannot_be_replayed(tmp_path: Path, clean: tuple[Path, object]) -> None:
    path = clean[0]
    bad = tmp_path / "bad.h5"
    bad.write_bytes(b"\x89HDF\r\n\x1a\n" + bytes(400))
    for run, words in ((tmp_path / "none.h5", "none.h5"), (bad, "bad.h5")):
        with pytest.raises(FeedError, match=words):
            start_replay(run, tmp_path / "out")
    with pytest.raises(FeedError, match="pseudo-terminal"):
        start_replay(path, tmp_path / "out", speed=0.0, transport="pty")
    with pytest.raises(FeedError, match="speed"):
        start_replay(path, tmp_path / "out", speed=-2.0)
    settings = ReplaySettings(run=str(path), folder=str(tmp_path), devices=("axle",))
    with pytest.raises(FeedError, match="there are drawbar, wheel, clock"):
        run_replay(settings, lambda _report: None, lambda: True)


def test_an_imported_run_has_no_wire(tmp_path: Path, demo: Scenario) -> None:
    from dataclasses import replace

    header = header_of(demo)
    table = replace(header.devices[0], driver="table")
    journal = tmp_path / "t.journal"
    with Journal.create(journal, replace(header, devices=(table,))) as kept:
        kept.append([], [])
    recover(journal, tmp_path / "t.h5")
    with pytest.raises(FeedError, match="no wire protocol"):
        start_replay(tmp_path / "t.h5", tmp_path / "out")
    with open_run(tmp_path / "t.h5") as run:
        assert run.header.devices[0].driver == "table"


def test_serials_signatures_and_trusted_keys_come_with_the_sheets(
    tmp_path: Path, clean: tuple[Path, dict[str, Taken]], reading: Reading
) -> None:
    """What was asked of the certificates when it was recorded is asked of a replay again."""
    from recorder.acquisition.preparation.plan import make_plan

    path, key = tmp_path / "run.h5", Ed25519PrivateKey.from_private_bytes(bytes(range(32)))
    with open_run(clean[0]) as run:
        header = run.header
        data = {
            d.name: DeviceData(time_s=d.time_s(), records=d.records())
            for d in run.devices.values()
        }
    signed = {
        name: sign_document(parse_document(text), key)
        for name, text in header.certificates.items()
    }
    keys = {"Works laboratory": public_text(key_of(key.public_key()))}
    sheet = header.car_sheet + '\n[laboratories]\n"Works laboratory" = "elsewhere/lab.pub"\n'
    write_run(
        path,
        replace(header, car_sheet=sheet, signatures=signed, laboratory_keys=keys),
        data,
    )
    with start_replay(path, tmp_path / "again", speed=0.0) as feed:
        plan = make_plan(load_car_sheet(feed.sheets["car"]))
        reading(feed.ports)
        feed.wait(30.0)
    assert (dict(plan.signatures), dict(plan.keys)) == (signed, keys)
    assert all("signed by Works laboratory" in line for line in plan.standings)

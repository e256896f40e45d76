"""What placing takes from a run: distance over restarts, fixes at their true instants."""

from __future__ import annotations

from dataclasses import dataclass, field, replace
from pathlib import Path
from typing import TYPE_CHECKING, Any

import numpy as np
import pytest

from calibration.utc.utc_witnesses import UtcJudgement
from recorder.run.parts.gap import Cause, Gap
from recorder.run.parts.header import RunHeader
from recorder.run.time.utc import UTC_DTYPE, UtcBy, UtcScale
from recorder.sheets import TripSheet, parse_trip_sheet
from recorder.track.placing.errors import PlacingError
from recorder.track.placing.run_source import (
    find_route,
    gnss_of,
    kept_placement,
    options_of,
    place_run_file,
    wheel_track_of,
)
from tests.recorder.made_runs import header as made_header

if TYPE_CHECKING:
    from collections.abc import Mapping

    from numpy.typing import NDArray

    from recorder.marks.mark import Mark
    from tests.recorder.track.conftest import Line

EPOCH_NS = 1_790_000_000_000_000_000
FIX = np.dtype([("tick", "<u8"), ("utc_ns", "<i8"), ("valid", "u1")])


@dataclass
class FakeChannel:
    name: str
    quantity: str
    device: str
    t: NDArray[np.float64]
    v: NDArray[np.float64]
    measures: bool = True

    @property
    def n(self) -> int:
        return self.t.size

    def time_s(self, start: int = 0, stop: int | None = None) -> NDArray[np.float64]:
        return self.t[start:stop]

    def values(self, start: int = 0, stop: int | None = None) -> NDArray[np.float64]:
        return self.v[start:stop]


@dataclass
class FakeDevice:
    rows: NDArray[np.void]

    def records(self, start: int = 0, stop: int | None = None) -> NDArray[np.void]:
        return self.rows[start:stop]


def utc(source: UtcBy) -> UtcScale:
    """Run time 0 at ``EPOCH_NS``, known to 0.05 s but by a computer that nobody confirms."""
    u_s = np.nan if source is UtcBy.COMPUTER else 0.05
    nodes = [(t_s, EPOCH_NS + t_s * 10**9, u_s) for t_s in (0, 1000)]
    return UtcScale(np.array(nodes, UTC_DTYPE), source)


class FakeCompanion:
    def __init__(self) -> None:
        self.held: dict[str, Any] = {}

    def result(self, name: str) -> Any:
        return self.held.get(name)

    def set_results(self, results: Mapping[str, object], *, by: str, version: str) -> None:
        self.held |= {name: (data, by, version) for name, data in results.items()}


@dataclass
class FakeRun:
    channels: dict[str, FakeChannel]
    header: RunHeader = field(default_factory=made_header)
    path: Path = Path("run.h5")
    devices: dict[str, FakeDevice] = field(default_factory=dict)
    companion: FakeCompanion = field(default_factory=FakeCompanion)
    trip: TripSheet | None = None
    utc: UtcScale = field(default_factory=lambda: utc(UtcBy.SENTENCES))
    kept_marks: list[Mark] = field(default_factory=list)
    kept_gaps: list[Gap] = field(default_factory=list)

    def marks(self) -> list[Mark]:
        return self.kept_marks

    def gaps(self, device: str | None = None) -> list[Gap]:
        return [g for g in self.kept_gaps if device in (None, g.device)]


def moving_run(line: Line, source: UtcBy) -> tuple[FakeRun, NDArray[np.float64]]:
    """600 s at 20 m/s with a fix a second, each sentence received 0.35 s late."""
    t = np.arange(0.0, 600.0, 0.1)
    s = 2000.0 + 20.0 * t
    when = np.arange(5.0, 590.0, 1.0)
    at = 2000.0 + 20.0 * when
    lat = np.interp(at, line.s_m, line.latitude_deg)
    lon = np.interp(at, line.s_m, line.longitude_deg)
    rows = np.zeros(when.size, FIX)
    rows["utc_ns"] = EPOCH_NS + np.rint(when * 1e9).astype(np.int64)
    rows["valid"] = 1
    rows["valid"][100:110] = 0
    lat[100:110] = 0.0
    rows["utc_ns"][200:205] = -(2**63)
    received = when + 0.35
    run = FakeRun(
        channels={
            "distance": FakeChannel("distance", "distance", "wheel", t, (s - s[0]) / 1.01),
            "lat": FakeChannel("lat", "latitude", "clock", received, lat),
            "lon": FakeChannel("lon", "longitude", "clock", received, lon),
        },
        devices={"clock": FakeDevice(rows)},
        utc=utc(source),
    )
    return run, s


def test_fixes_are_put_at_the_instant_they_were_true(short_line: Line) -> None:
    run, _ = moving_run(short_line, UtcBy.SENTENCES)
    found = gnss_of(run)
    assert found is not None
    fixes, doubt = found
    assert np.asarray(fixes.t_s)[:3] == pytest.approx([5.0, 6.0, 7.0])
    assert np.asarray(fixes.t_s).size == 585 - 10 - 5
    assert doubt == pytest.approx(0.05)


def test_without_a_tie_to_utc_the_time_of_receipt_stands_with_more_doubt(
    short_line: Line,
) -> None:
    run, _ = moving_run(short_line, UtcBy.COMPUTER)
    found = gnss_of(run)
    assert found is not None
    assert np.asarray(found[0].t_s)[0] == pytest.approx(5.35 - 0.2)
    assert found[1] >= 0.3


@pytest.mark.parametrize("off_s", [86_400, -18, 1024 * 7 * 86_400, 0])
def test_what_the_receiver_is_off_by_costs_no_fix_and_no_doubt(
    short_line: Line, off_s: int
) -> None:
    """A day ahead, leap seconds not learnt: UTC is put right, or covers it; fixes stay."""
    run, _ = moving_run(short_line, UtcBy.SENTENCES)
    rows = run.devices["clock"].rows
    told = rows["utc_ns"] != -(2**63)
    rows["utc_ns"][told] += off_s * 10**9
    nodes = run.utc.nodes.copy()
    nodes["u_s"] = 20.0
    judgement = UtcJudgement(known=True, why="covered", u_delay_s=0.04)
    run.utc = UtcScale(nodes, UtcBy.SENTENCES, judgement)
    found = gnss_of(run)
    assert found is not None
    fixes, doubt = found
    assert np.asarray(fixes.t_s)[:3] == pytest.approx([5.0, 6.0, 7.0])
    assert np.asarray(fixes.t_s).size == 585 - 10 - 5
    assert doubt == pytest.approx(0.04)


def test_a_run_with_positions_alone_is_placed_by_them(short_line: Line) -> None:
    run, s = moving_run(short_line, UtcBy.SENTENCES)
    placed = place_run_file(run, short_line.route())
    wheel = run.channels["distance"]
    error = placed.position(wheel.t, wheel.v) - s
    assert np.abs(error).max() < 3.0
    assert (np.abs(error) <= placed.u95_m(wheel.t, wheel.v)).all()


def test_a_restart_of_the_counter_is_taken_from_the_gaps(short_line: Line) -> None:
    run, _ = moving_run(short_line, UtcBy.SENTENCES)
    wheel = run.channels["distance"]
    keep = (wheel.t < 100.0) | (wheel.t > 105.0)
    # As a recorder joins it: distance goes on from where it was.
    d = np.where(wheel.t > 105.0, wheel.v - 20.0 * 5.1 / 1.01, wheel.v)
    run.channels["distance"] = FakeChannel(
        "distance", "distance", "wheel", wheel.t[keep], d[keep]
    )
    run.kept_gaps = [
        Gap(device="wheel", t_start_s=99.9, t_end_s=105.1, cause=Cause.DEVICE_RESTARTED),
        Gap(device="clock", t_start_s=300.0, t_end_s=301.0, cause=Cause.DEVICE_RESTARTED),
    ]
    track = wheel_track_of(run)
    assert len(track.breaks) == 1
    assert float(track.distance(500.0)) == pytest.approx(20.0 * 500.0 / 1.01, abs=3.0)


def test_nothing_to_place_is_told(tmp_path: Path) -> None:
    run = FakeRun(channels={}, path=tmp_path / "run.h5")
    with pytest.raises(PlacingError, match="no distance channel"):
        wheel_track_of(run)
    empty = FakeChannel("distance", "distance", "wheel", np.zeros(0), np.zeros(0))
    with pytest.raises(PlacingError, match="no distance channel"):
        wheel_track_of(FakeRun(channels={"distance": empty}))
    broken = FakeChannel("distance", "distance", "wheel", np.zeros(3), np.full(3, np.nan))
    with pytest.raises(PlacingError, match="no wheel distance"):
        wheel_track_of(FakeRun(channels={"distance": broken}))
    with pytest.raises(PlacingError, match="names no route"):
        find_route(run)
    assert gnss_of(run) is None
    assert kept_placement(run) is None


class MistakenChannel(FakeChannel):
    def values(self, start: int = 0, stop: int | None = None) -> NDArray[np.float64]:
        msg = f"unheard of: {start} to {stop}"
        raise ValueError(msg)


def test_a_mistake_of_ours_is_no_fault_of_the_run() -> None:
    t = np.arange(10.0)
    run = FakeRun(channels={"distance": MistakenChannel("distance", "distance", "wheel", t, t)})
    with pytest.raises(ValueError, match="unheard of") as raised:
        wheel_track_of(run)
    assert type(raised.value) is ValueError


def test_what_the_trip_sheet_says_is_used(tmp_path: Path) -> None:
    sheet = '[trip]\nname = "x"\n[route]\nfile = "r.csv"\ndirection = "decreasing"\n'
    trip = parse_trip_sheet(sheet + "start_chainage_m = 900\n")
    run = FakeRun(channels={}, path=tmp_path / "run.h5", trip=trip)
    options = options_of(run)
    assert (options.way, options.start_chainage_m) == (-1, 900.0)
    with pytest.raises(PlacingError, match=r"route r\.csv is not beside it"):
        find_route(run)
    (tmp_path / "feed").mkdir()
    table = "chainage_m,kind,value\n0,milepost,1\n900,milepost,2\n"
    (tmp_path / "feed" / "r.csv").write_text(table, encoding="utf-8")
    assert find_route(run).s_max == 900.0
    # The table recorded with the run comes before any file that lies about.
    run.header = replace(run.header, route=table.replace("900", "950"))
    assert find_route(run).s_max == 950.0
    run.header = replace(run.header, route="")
    (tmp_path / "other").mkdir()
    (tmp_path / "other" / "r.csv").write_text(table, encoding="utf-8")
    with pytest.raises(PlacingError, match="not beside it"):
        find_route(run)

"""The wheel corrected by the route, the zero followed, the wind along the track."""

from __future__ import annotations

import math
import uuid
from dataclasses import replace
from datetime import date
from pathlib import Path

import numpy as np
import pytest

from calibration.certificates.certificate import dump_certificate
from calibration.certificates.force import ForceCertificate
from recorder.analysis.campaign.answer import AnswerSettings, answer
from recorder.analysis.campaign.loading import load_run
from recorder.analysis.series.corrections import Switches, correct
from recorder.analysis.series.line_under import RunPlace
from recorder.analysis.series.marked import wind_along_m_s
from recorder.analysis.series.run_series import course_deg
from recorder.analysis.series.run_table import run_table
from recorder.analysis.series.sections import per_time, sections_on_route
from recorder.analysis.series.train import Side, Vehicles
from recorder.analysis.specification.bands import Band
from recorder.analysis.specification.overall import untested
from recorder.analysis.specification.verdicts import Verdict
from recorder.analysis.stretches.specification import Specification
from recorder.analysis.stretches.stretch_edits import EditAction, StretchEdit
from recorder.analysis.uncertainty.causes import CauseKind, Extent
from recorder.analysis.uncertainty.measured import Measured
from recorder.analysis.uncertainty.run_instruments import instruments_of, with_wheel
from recorder.analysis.uncertainty.stretch_means import corrected_pull
from recorder.analysis.uncertainty.table_uncertainty import with_uncertainty
from recorder.marks.kinds import Kind
from recorder.marks.mark import Mark
from recorder.run.checks.zero_line import Zero
from recorder.run.parts.header import ChannelHeader, DeviceHeader, RunHeader
from recorder.run_file.hdf5.reader import open_run
from recorder.run_file.seal.write_whole import DeviceData, write_run
from recorder.track.route.route import parse_route
from tests.recorder.analysis.drawn_runs import Outing, cause

CELL = ForceCertificate.from_coefficients([0.0, 1e-3], capacity_kN=500.0)


def weather(t_s: float, value: str) -> Mark:
    return Mark(mark_id=uuid.uuid4().hex, kind="weather", t_s=t_s, value=value)


def place(scale: float, u_scale: float) -> RunPlace:
    return RunPlace(t_s=np.zeros(1), chainage_m=np.zeros(1), scale=scale, u_scale=u_scale)


def test_a_contradicted_certificate_gives_way_to_the_route(outing: Outing) -> None:
    notes: list[str] = []
    held = outing.run
    series, instruments = with_wheel(
        held.series, held.instruments, place(0.99, 2e-4), "a", notes, wanted=True
    )
    assert series.speed_m_s == pytest.approx(0.99 * held.series.speed_m_s)
    assert series.distance_m == pytest.approx(0.99 * held.series.distance_m)
    assert instruments.wheel_rel_u == 2e-4
    assert instruments.wheel_cause != held.instruments.wheel_cause
    assert "-1.000 ± 0.040 %" in notes[0]
    kept, same = with_wheel(
        held.series, held.instruments, place(0.99, 2e-4), "a", notes, wanted=False
    )
    assert kept is held.series
    assert same is held.instruments
    assert "NOT corrected" in notes[1]


def test_fixes_of_a_short_way_are_told_and_covered_not_applied(outing: Outing) -> None:
    """Half a kilometre by GNSS alone against a certificate of 0.05 %."""
    notes: list[str] = []
    held = outing.run
    certified = replace(held.instruments, wheel_rel_u=5e-4)
    short = replace(place(1.0392, 0.0076), posts=0, rolled_m=470.0)
    series, instruments = with_wheel(held.series, certified, short, "a", notes, wanted=True)
    assert series is held.series
    assert instruments.wheel_scale == 1.0
    assert instruments.wheel_cause == certified.wheel_cause
    # The certificate's interval and what the fixes say lie within it (k = 2).
    assert 2.0 * instruments.wheel_rel_u == pytest.approx(0.0392)
    assert notes[0].startswith("the fixes on the route say the wheel is +3.920 ± 1.520 %")
    assert "NOT corrected, for no post was keyed on 0.5 km" in notes[0]
    # Posts, or a long way, do replace it.
    for other in (replace(short, posts=3), replace(short, rolled_m=30_000.0)):
        _, instruments = with_wheel(held.series, certified, other, "a", notes, wanted=True)
        assert instruments.wheel_scale == 1.0392


@pytest.mark.parametrize(("scale", "u"), [(0.9985, 0.002), (1.0, math.inf), (0.9, math.inf)])
def test_a_placing_that_knows_less_changes_nothing(
    outing: Outing, scale: float, u: float
) -> None:
    notes: list[str] = []
    held = outing.run
    series, instruments = with_wheel(
        held.series, held.instruments, place(scale, u), "a", notes, wanted=True
    )
    assert series is held.series
    assert instruments is held.instruments
    assert notes == []


def cell_run(path: Path, zeros: list[tuple[float, float]]) -> Path:
    """50 kN held while the zero drifts by 2 counts a second."""
    n = 20_000
    t = np.arange(n) / 100.0
    records = np.zeros(n, np.dtype([("tick", "<u8"), ("ch0", "<i4")]))
    records["tick"] = np.arange(n, dtype=np.uint64) * np.uint64(10_000)
    records["ch0"] = np.rint(50_000 + 100 + 2.0 * t)
    pull = ChannelHeader(
        name="pull", quantity="pull", unit="kN", field="ch0", certificate="cell"
    )
    device = DeviceHeader(
        name="cell",
        driver="load-cell-frames",
        port="none",
        dtype=[["tick", "<u8"], ["ch0", "<i4"]],
        tick_hz=1e6,
        channels=(pull,),
    )
    header = RunHeader(
        run_id=uuid.uuid4().hex,
        started_utc_ns=1_790_000_000 * 10**9,
        started_monotonic_ns=0,
        boot_id="made",
        software="made",
        car_sheet="",
        trip_sheet="",
        certificates={"cell": dump_certificate(replace(CELL, issued=date(2026, 1, 1)))},
        devices=(device,),
    )
    events = [
        Zero(channel="pull", t_s=t_s, counts=counts, u_counts=0.1).to_event()
        for t_s, counts in zeros
    ]
    write_run(path, header, {"cell": DeviceData(time_s=t, records=records)}, events=events)
    return path


def test_zero_drift_is_followed_shown_and_switchable(tmp_path: Path) -> None:
    path = cell_run(tmp_path / "run.h5", [(0.0, 100.0), (199.0, 498.0)])
    with open_run(path) as run:
        followed = load_run(run)
        held = load_run(run, switches=Switches(zero_drift=False))
    assert followed.series.pull_kN == pytest.approx(
        np.full(len(followed.series), 50.0), abs=2e-3
    )
    drift = followed.series.zero_drift_kN
    assert drift is not None
    assert drift[-5] == pytest.approx(-2e-3 * followed.series.t_s[-5], abs=2e-3)
    assert held.series.pull_kN[-5] == pytest.approx(50.0 - drift[-5], abs=2e-3)
    # It may lie anywhere between the zeros: their change over the root of twelve.
    assert followed.instruments.zero_u_kN == pytest.approx(0.398 / math.sqrt(12.0), rel=1e-2)


def test_a_run_without_a_zero_says_so(tmp_path: Path) -> None:
    with open_run(cell_run(tmp_path / "run.h5", [])) as run:
        loaded = load_run(run, name="monday")
    # 0.1 % of 500 kN, and a drift of 0.05 % in no time (from experience).
    assert loaded.instruments.zero_u_kN == pytest.approx(math.hypot(0.5, 0.25), rel=0.03)
    assert loaded.instruments.zero_cause.label == "zero of monday"
    assert any("no zero was taken" in n for n in loaded.notes)
    assert loaded.series.zero_drift_kN is None


def table_run(path: Path, v_m_s: float, **stated: tuple[float | None, float | None]) -> Path:
    """A minute of a table without certificates, at one speed."""
    t = np.arange(6000) / 100.0
    columns = {"speed": np.full(t.shape, v_m_s), "distance": np.nan_to_num(v_m_s * t)}
    units = {"speed": "m/s", "distance": "m"}
    channels = tuple(
        ChannelHeader(
            name=name,
            quantity=name,
            unit=units[name],
            field="",
            standard_uncertainty=stated.get(name, (None, None))[0],
            relative_uncertainty=stated.get(name, (None, None))[1],
        )
        for name in columns
    )
    device = DeviceHeader(
        name="table",
        driver="imported-table",
        port="",
        dtype=[["tick", "<u8"]],
        tick_hz=1e6,
        channels=channels,
    )
    header = RunHeader(
        run_id=uuid.uuid4().hex,
        started_utc_ns=0,
        started_monotonic_ns=0,
        boot_id="",
        software="testcar 0",
        car_sheet="",
        trip_sheet="",
        certificates={},
        devices=(device,),
        origin="imported",
    )
    write_run(path, header, {"table": DeviceData(time_s=t, values=columns)})
    return path


@pytest.mark.parametrize(
    ("stated", "wanted"),
    [
        ({}, 0.005),
        ({"speed": (None, 0.002)}, 0.002),
        ({"distance": (None, 0.001)}, 0.001),
        ({"distance": (None, 0.001), "speed": (0.05, None)}, 0.005),
        ({"distance": (1.2, 0.0)}, 1.2 / 599.9),
    ],
)
def test_what_is_stated_for_speed_or_distance_counts(
    tmp_path: Path, stated: dict[str, tuple[float | None, float | None]], wanted: float
) -> None:
    notes: list[str] = []
    with open_run(table_run(tmp_path / "t.h5", 10.0, **stated)) as run:
        instruments = instruments_of(run, "t", notes)
    assert instruments.wheel_rel_u == pytest.approx(wanted, rel=1e-6)
    assert any("0.5 %" in note for note in notes) == (not stated)


def test_a_speed_that_never_came_is_not_known(tmp_path: Path) -> None:
    with open_run(table_run(tmp_path / "t.h5", math.nan)) as run:
        loaded = load_run(run)
    assert not np.isfinite(loaded.series.speed_m_s).any()


def test_edits_go_to_their_own_run(tmp_path: Path) -> None:
    with open_run(cell_run(tmp_path / "run.h5", [])) as run:
        first, second = load_run(run, name="a"), load_run(run, name="b")
    edit = StretchEdit(
        action=EditAction.STRIKE, t_start_s=0.0, t_end_s=9.0, reason="wet", run="c"
    )
    with pytest.raises(ValueError, match="'c' is not one of a, b"):
        answer([first, second], AnswerSettings(edits=(edit,)))
    with pytest.raises(ValueError, match="'' is not one of"):
        answer([first, second], AnswerSettings(edits=(replace(edit, run=""),)))
    answer([first, second], AnswerSettings(edits=(replace(edit, run="b"),)))


def test_speeds_specified_but_not_tested() -> None:
    spec = Specification(name="s", speed_m_s=(5.0, 25.0), pull_kN=(100.0, 50.0))
    none = Measured(math.nan, "kN")

    def band(low: float, margin: Measured | None) -> Band:
        return Band(
            low_m_s=low,
            high_m_s=low + 5.0,
            stretches=1,
            speed=none,
            pull=none,
            power=none,
            margin=margin,
            limit_kN=1.0,
            verdict=Verdict.CANNOT_TELL,
            probability=0.5,
            admitted=1,
            ridden_m_s=((low, low + 5.0),),
        )

    seen = Measured(1.0, "kN", {cause("a"): 0.1})
    assert untested([], spec) == [(5.0, 25.0)]
    assert untested([band(10.0, seen), band(15.0, None)], spec) == [(5.0, 10.0), (15.0, 25.0)]
    assert untested([band(k, seen) for k in (5.0, 10.0, 15.0, 20.0)], spec) == []
    # A band counts over the speeds that were ridden in it, not over its whole width.
    partly = replace(band(10.0, seen), ridden_m_s=((12.0, 14.0),))
    assert untested([partly], spec) == [(5.0, 12.0), (14.0, 25.0)]


@pytest.mark.parametrize("calm", ["wind 0", "wind 0 m/s", "calm", "wind calm", "no wind"])
def test_no_wind_is_a_wind_of_nothing(calm: str) -> None:
    """And not a mark that leaves the wind before it blowing."""
    t, course = np.arange(100.0), np.zeros(100)
    marks = [weather(10.0, "wind 4 m/s from 0"), weather(60.0, calm)]
    along = wind_along_m_s(t, course, marks)
    assert along[10:60] == pytest.approx(np.full(50, 4.0))
    assert (along[60:] == 0.0).all()


@pytest.mark.parametrize("words", ["wind dropped", "wind 500 m/s from 40", "wind 3 from"])
def test_a_wind_without_figures_is_not_known(words: str) -> None:
    marks = [weather(10.0, "wind 4 m/s from 0"), weather(60.0, words)]
    along = wind_along_m_s(np.arange(100.0), np.zeros(100), marks)
    assert np.isnan(along[60:]).all()


def test_weather_without_a_word_of_wind_leaves_it() -> None:
    marks = [weather(10.0, "wind 4 m/s from 0"), weather(60.0, "rain; 9 C")]
    along = wind_along_m_s(np.arange(100.0), np.zeros(100), marks)
    assert along[99] == pytest.approx(4.0)


def test_wind_along_the_track_is_head_wind_positive() -> None:
    """Northward at 10 m/s, then standing: a north wind is ahead, a south wind behind."""
    t = np.arange(0.0, 200.0)
    north = np.minimum(t, 100.0) * 10.0 / 111_195.0
    course = course_deg(50.0 + north, np.zeros(200), 5)
    assert course[50] == pytest.approx(0.0, abs=1e-6)
    assert np.isnan(course[150])
    marks = [weather(10.0, "wind 4 m/s from 0"), weather(60.0, "wind 6 m/s from S")]
    along = wind_along_m_s(t, course, marks)
    assert np.isnan(along[5])
    assert along[30] == pytest.approx(4.0)
    assert along[80] == pytest.approx(-6.0)
    assert np.isnan(wind_along_m_s(t, None, marks)).all()
    east = course_deg(np.full(200, 50.0), t * 1e-3, 5)
    assert east[50] == pytest.approx(90.0, abs=1e-6)


def test_every_row_of_the_run_table_says_how_sure_it_is(outing: Outing) -> None:
    """Uncertainty of a row against the general road, which keeps causes by name."""
    run = outing.run
    sections = per_time(run.series, 60.0)
    plain = run_table(run.series, run.corrected, sections)
    columns = with_uncertainty(plain, run)
    names = list(columns)
    assert names[names.index("pull_kN") + 1] == "pull_U_kN"
    for i in (3, 20):
        full = corrected_pull(run, sections[i].span, Extent("run", "row"), Side.LOCOMOTIVE)
        without = {c: p for c, p in full.parts.items() if c.kind is not CauseKind.RANDOM}
        wanted = Measured(full.value, "kN", without).expanded
        assert columns["equivalent_pull_U_kN"][i] == pytest.approx(wanted, rel=1e-3)
        force = float(columns["pull_kN"][i])
        instrument = 1.959964 * math.hypot(run.instruments.pull_u_kN(force), 0.15)
        assert columns["pull_U_kN"][i] == pytest.approx(instrument, rel=1e-2)
    holed = replace(run.series, pull_kN=np.full(len(run.series), np.nan))
    bare = replace(run.train, trailing=Vehicles())
    corrected = correct(holed, bare)
    gone = with_uncertainty(
        run_table(holed, corrected, sections),
        replace(run, series=holed, train=bare, corrected=corrected),
    )
    assert np.isnan(np.asarray(gone["pull_U_kN"], float)).all()
    assert np.isnan(np.asarray(gone["trailing_resistance_U_kN"], float)).all()
    assert np.isfinite(np.asarray(gone["speed_U_m_s"], float)).all()


def test_sections_follow_the_order_of_travel() -> None:
    """Up the line and back again: each post is passed twice."""
    route = parse_route(
        "chainage_m,end_chainage_m,kind,value\n0,1000,grade,0\n"
        "100,,milepost,1\n200,,milepost,2\n300,,milepost,3\n",
        source="line",
    )
    there = np.concatenate((np.arange(50.0, 260.0, 5.0), np.arange(260.0, 150.0, -5.0)))
    there[5] = np.nan
    found = sections_on_route(there, route, Kind.MILEPOST)
    assert [s.name for s in found] == ["1 to 2", "2 to 2"]
    assert [(s.start, s.stop) for s in found] == [(10, 30), (30, 55)]
    assert sections_on_route(there, None, Kind.MILEPOST) == []

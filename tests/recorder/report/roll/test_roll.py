"""What is drawn on the chart roll can be read, stands where it belongs and says what it is."""

from __future__ import annotations

import html
import re
from dataclasses import replace
from datetime import date
from pathlib import Path
from typing import TYPE_CHECKING

import numpy as np
import pytest

from calibration.certificates.force import ForceCertificate
from calibration.certificates.force_curve import SenseCurve, UncertaintyTable
from calibration.certificates.wheel import WheelCertificate
from recorder.analysis.campaign.answer import AnswerSettings, answer_files
from recorder.analysis.campaign.loading import load_runs
from recorder.report.pages.shown_units import CUSTOMARY, METRIC
from recorder.report.particulars.places import from_and_to
from recorder.report.roll.roll import RollScale, roll_sheets
from recorder.run.parts.gap import Cause, Gap
from recorder.sheets import parse_car_sheet
from tests.recorder.report.conftest import PLACED, TRIP, Make, key, line, posts_keyed

if TYPE_CHECKING:
    from calibration.certificates.certificate import Certificate
    from recorder.analysis.campaign.loaded_run import LoadedRun
    from recorder.report.pages.shown_units import ShownUnits

pytestmark = pytest.mark.slow

SPEED = 6.0 + 3.0 * (np.arange(1800) // 300)
LEFT_MM = 18.0
TEN = RollScale(mm_per_min=10.0)


def sheets(run: LoadedRun, units: ShownUnits = METRIC, scale: RollScale = TEN) -> list[str]:
    return [sheet.decode() for sheet in roll_sheets(run, scale, units=units).sheets]


def sheet(path: Path) -> str:
    """The first sheet of a run's roll, as drawn."""
    return sheets(load_runs([path])[0])[0]


def words_of(drawn: str) -> list[str]:
    """Every line of words of a sheet."""
    return [html.unescape(w) for w in re.findall(r"<text[^>]*>([^<]*)</text>", drawn)]


def placed(make: Make, folder: Path, *rows: str, name: str = "run") -> Path:
    """A run on a level line, with more rows of its route."""
    line(folder)
    with (folder / "line.csv").open("a", encoding="utf-8") as stream:
        stream.writelines(f"{row}\n" for row in rows)
    marks = (key("throttle", 0.5, "full"), *posts_keyed(SPEED))
    return make(name, trip=PLACED, speed=SPEED, marks=marks)


def upright(drawn: str) -> list[tuple[float, float, str]]:
    """Words that stand upright: (x, y of their foot, words)."""
    found = re.findall(
        r'class="words" transform="translate\(([0-9.]+) ([0-9.]+)\)[^>]*>([^<]*)<', drawn
    )
    return [(float(x), float(y), html.unescape(w)) for x, y, w in found]


def led_from(drawn: str) -> list[float]:
    """Where the leaders of marks begin."""
    return [float(x) for x in re.findall(r'class="leader" d="M([0-9.]+) ', drawn)]


def test_no_mark_is_written_under_the_name_of_a_pen(make: Make) -> None:
    """Words stand on their foot and reach upward; what is white covers what was drawn before."""
    marks = tuple(key("throttle", 1.0 + 5.0 * i, "full") for i in range(4))
    drawn = sheet(make(marks=marks))
    white = [float(y) for y in re.findall(r'<rect [^>]*y="([0-9.]+)"[^>]*fill="white"', drawn)]
    assert len(upright(drawn)) == len(marks)
    assert all(foot < min(white) for _, foot, _ in upright(drawn))


def test_crowded_marks_stand_side_by_side_each_led_to_its_instant(make: Make) -> None:
    """Thirty within a minute, which is ten millimetres of paper: every one is written."""
    keyed = [300.0 + 2.0 * i for i in range(30)]
    marks = tuple(key("remark", t, f"seen {i}") for i, t in enumerate(keyed))
    drawn = sheet(make(marks=marks))
    found = upright(drawn)
    assert [words for _, _, words in found] == [f"Remark seen {i}" for i in range(30)]
    assert np.diff([x for x, _, _ in found]).min() >= 2.7, "letters are 2.7 mm high"
    assert led_from(drawn) == pytest.approx(
        [LEFT_MM + 10.0 * t / 60.0 for t in keyed], abs=0.01
    )


def test_what_has_no_room_is_said_with_its_number(make: Make) -> None:
    marks = tuple(key("remark", 2.0 * i, f"seen {i}") for i in range(300))
    drawn = sheet(make(marks=marks))
    (told,) = [w for w in words_of(drawn) if "no room" in w]
    assert len(upright(drawn)) + int(told.split()[0]) == 300
    assert drawn.count('class="mark"') == 300


def test_a_mark_keyed_at_the_very_end_is_on_the_last_sheet(make: Make) -> None:
    drawn = sheets(
        load_runs([make(marks=(key("stop", 1799.9, "home"),))])[0], scale=RollScale()
    )
    assert [len(upright(s)) for s in drawn] == [0, 1]


def test_level_track_is_a_trace_that_is_seen(make: Make, tmp_path: Path) -> None:
    """Amid its row and broader than the line of 0 it lies on."""
    drawn = sheet(placed(make, tmp_path))
    top, height = next(
        (float(y), float(h))
        for y, h in re.findall(r'class="pen" [^>]*y="([0-9.]+)"[^>]*height="([0-9.]+)"', drawn)
        if float(h) == 14.0
    )
    trace, broad = re.findall(r'<path d="M([^"]+)Z"[^>]*stroke-width="([0-9.]+)"', drawn)[-1]
    heights = {float(point.split(" ")[1]) for point in trace.split("L")}
    assert heights == {top + height / 2.0}
    lines = [
        float(w)
        for y, w in re.findall(
            r'y1="([0-9.]+)" y2="[0-9.]+" stroke="black" stroke-width="([0-9.]+)"', drawn
        )
        if float(y) == top + height / 2.0
    ]
    assert lines
    assert max(lines) < float(broad)


def test_a_curve_has_its_row_and_straight_track_has_none(make: Make, tmp_path: Path) -> None:
    assert "curve" not in sheet(placed(make, tmp_path))
    bent = load_runs([placed(make, tmp_path, "2000,6000,curve,600 m", name="bend")])[0]
    assert "curve 1/R, 1/km" in sheets(bent)[0]
    assert "degree of curve, °" in sheets(bent, CUSTOMARY)[0]


@pytest.mark.parametrize("units", [METRIC, CUSTOMARY])
def test_a_pens_scale_is_true_on_the_paper(make: Make, units: ShownUnits) -> None:
    """Two numbers of the pull's scale lie as far apart as the words beside its name say."""
    drawn = sheets(load_runs([make()])[0], units)[0]
    said = re.search(
        r"drawbar pull, \S+  ·  1 (mm|in) = ([\d\u202f\u2009 .]+) (kN|lbf)<", drawn
    )
    assert said is not None
    per_mm = float(re.sub(r"[^\d.]", "", said[2])) / {"mm": 1.0, "in": 25.4}[said[1]]
    scale = re.findall(
        r'y="([0-9.]+)" font-size="2.6" text-anchor="end">([\d\u202f\u2009]+)<', drawn
    )
    (y0, low), (y1, high) = ((float(y), float(re.sub(r"\D", "", n))) for y, n in scale[:2])
    assert (high - low) / (y0 - y1) == pytest.approx(per_mm, rel=1e-3)


def test_a_pen_without_data_has_no_scale_and_is_named_once(make: Make) -> None:
    run = load_runs([make(drop=("pull",))])[0]
    drawn = sheets(run, scale=RollScale())
    assert len(drawn) > 1
    assert all(s.count('class="pen"') == 2 for s in drawn), "speed and grade"
    told = " ".join(w for s in drawn for w in words_of(s))
    assert told.count("drawbar pull") == 1
    assert "Not drawn drawbar pull (no data); drawbar power (no data)" in re.sub(
        r"\s+", " ", told
    )


def test_a_gap_is_hatched_over_its_extent_with_its_cause(make: Make) -> None:
    """Ten minutes of paper are a hundred millimetres; the pull is missing in the middle five."""
    pull = np.full(600, 100.0)
    pull[150:450] = np.nan
    run = load_runs([make(pull=pull, speed=np.full(600, 10.0), seconds=600)])[0]
    (device,) = {d.name for d in run.provenance.header.devices}
    lost = Gap(device=device, t_start_s=149.5, t_end_s=450.5, cause=Cause.LINK_LOST)
    drawn = sheets(replace(run, gaps=(lost,)))[0]
    found = re.findall(r'class="gap" x="([0-9.]+)" y="[0-9.]+" width="([0-9.]+)"', drawn)
    boxes = [(float(x), float(w)) for x, w in found]
    assert len(boxes) == 2, "pull and power"
    for x, wide in boxes:
        assert x == pytest.approx(LEFT_MM + 25.0, abs=0.3)
        assert wide == pytest.approx(50.0, abs=0.5)
    assert f"no data ({device}: link lost)" in words_of(drawn)


def test_a_short_gap_has_its_cause_upright(make: Make) -> None:
    """A minute is ten millimetres of paper, and no room for the words along it."""
    pull = np.full(600, 100.0)
    pull[300:360] = np.nan
    run = load_runs([make(pull=pull, speed=np.full(600, 10.0), seconds=600)])[0]
    (device,) = {d.name for d in run.provenance.header.devices}
    lost = Gap(device=device, t_start_s=299.5, t_end_s=360.5, cause=Cause.LINK_LOST)
    drawn = sheets(replace(run, gaps=(lost,)))[0]
    upright_words = re.findall(
        r'<g transform="rotate\(-90 [^>]*><rect[^>]*><text[^>]*>([^<]*)<', drawn
    )
    assert f"no data ({device}: link lost)" in upright_words


def test_stretches_are_drawn_as_judged_or_refused_with_the_reason(make: Make) -> None:
    """The brake is on through the second half: nothing of it is judged, and it says why."""
    marks = (
        key("throttle", 0.5, "full"),
        key("throttle", 590.0, "full"),
        key("brake", 900.0, "on"),
    )
    run = answer_files([make(marks=marks)], AnswerSettings()).runs[0]
    drawn = roll_sheets(run.loaded, TEN, results=run.results).sheets[0].decode()
    for kind, judged in (("judged", True), ("refused", False)):
        found = re.findall(
            rf'class="{kind}" x="([0-9.]+)" y="[0-9.]+" width="([0-9.]+)"', drawn
        )
        expected = [r.stretch for r in run.results if r.judged is judged]
        assert len(found) == len(expected) > 0
        for (x, wide), stretch in zip(found, expected, strict=True):
            assert float(x) == pytest.approx(LEFT_MM + stretch.t_start_s / 6.0, abs=0.2)
            assert float(wide) == pytest.approx(stretch.seconds / 6.0, abs=0.3)
    reasons = {reason for r in run.results for reason in r.admission.reasons}
    legend = re.sub(r"\s+", " ", " ".join(words_of(drawn)))
    assert "the brake was on" in " ".join(reasons)
    assert {reason for reason in reasons if f": {reason}" not in legend} == set()


CELL = ForceCertificate(
    certificate_id="F-17",
    issued=date(2026, 1, 1),
    expires=date(2027, 1, 31),
    cell="a cell",
    capacity_kN=800.0,
    range_kN=(-500.0, 800.0),
    nominal_zero_counts=0.0,
    tension=SenseCurve((0.0, 1e-4)),
    uncertainty=UncertaintyTable((0.0, 800.0), (0.1, 0.5), (2.0, 2.0)),
)
WHEEL = WheelCertificate(
    certificate_id="W-4",
    issued=date(2026, 1, 1),
    expires=date(2026, 12, 31),
    wheel="a wheel",
    circumference_m=3.0,
    u_circumference_m=0.003,
    pulses_per_revolution=600,
)
CAR = """
[car]
name = "Plumbline"
number = "7"
[devices.drawbar]
driver = "load-cell-frames"
port = "tcp://127.0.0.1:4001"
"""


def certified(run: LoadedRun) -> LoadedRun:
    """As if ridden in a car with certificates."""
    held: dict[str, Certificate] = {"cell.json": CELL, "wheel.json": WHEEL}
    known = replace(run.provenance, certificates=held, car=parse_car_sheet(CAR))
    return replace(run, provenance=known)


def test_the_head_names_train_day_route_car_certificates_and_scales(
    make: Make, tmp_path: Path
) -> None:
    run = certified(load_runs([placed(make, tmp_path)])[0])
    drawn = sheets(run, scale=RollScale())
    told = [re.sub(r"\s+", " ", " ".join(words_of(s))) for s in drawn]
    for words in (
        "Full regulator trial", "2026-05-04", "No. 12, steam, 150 t", "950 t, 300 m",
        f"{from_and_to(run)} (line.csv)", "Plumbline 7, 50 t",
        "certificate F-17, U 1 kN at 800 kN (95 %), valid to 2027-01-31",
        "certificate W-4, U 0.2 % (95 %), valid to 2026-12-31",
        "20 mm = 1 min", "sheet 1 of 2",
    ):  # fmt: skip
        assert words in told[0], words
    for words in ("Full regulator trial", "No. 12", "2026-05-04", "Plumbline 7", "F-17", "W-4",
                  "2027-01-31", "20 mm = 1 min", "sheet 2 of 2"):  # fmt: skip
        assert words in told[1], words


METRIC_UNIT = re.compile(r"(?<![\w/])(kN|km/h|kW|kPa|mm|km|m/s|°C|t|m|N/t|1/km)(?![\w/])")


@pytest.mark.parametrize("scale", [TEN, RollScale(mm_per_min=None, mm_per_km=20.0)])
def test_the_customary_edition_is_customary_throughout(
    make: Make, tmp_path: Path, scale: RollScale
) -> None:
    """Heads, scales, ticks, reasons, and what the crew keyed in units of the other side."""
    line(tmp_path)
    with (tmp_path / "line.csv").open("a", encoding="utf-8") as stream:
        stream.write("2000,6000,curve,600 m\n")
    keyed = (
        key("throttle", 0.5, "full"), key("weather", 10.0, "dry; wind 5 m/s from 270; 12 C"),
        key("brake", 900.0, "70 kPa"), key("steam", 60.0, "1380 kPa"),
        key("water", 70.0, "used 900 L"), key("remark", 80.0, "limit 40 km/h from 300 m on"),
    )  # fmt: skip
    path = make(trip=PLACED, speed=SPEED, marks=(*keyed, *posts_keyed(SPEED)))
    run = answer_files([path], AnswerSettings()).runs[0]
    roll = roll_sheets(certified(run.loaded), scale, units=CUSTOMARY, results=run.results)
    told = [words for s in roll.sheets for words in words_of(s.decode())]
    assert [words for words in told if METRIC_UNIT.search(words)] == []
    assert any("11 mph" in re.sub(r"\s", " ", words) for words in told)


def test_a_short_run_is_framed_to_its_end(make: Make) -> None:
    """Two minutes at ten millimetres each do not draw a scale over an empty sheet."""
    speed = np.full(240, 10.0)
    drawn = sheet(make(seconds=240, speed=speed, trip=TRIP))
    widths = {float(w) for w in re.findall(r'class="pen" [^>]* width="([0-9.]+)"', drawn)}
    assert list(widths) == [pytest.approx(40.0, abs=0.3)]

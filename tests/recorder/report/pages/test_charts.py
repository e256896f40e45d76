"""Charts hide nothing unsaid: read back from the SVG that is printed."""

from __future__ import annotations

import math
import re
from collections.abc import Iterator
from dataclasses import dataclass
from typing import Final
from xml.etree import ElementTree as ET

import numpy as np
import pytest
from hypothesis import example, given, settings
from hypothesis import strategies as st

from recorder.analysis.campaign.campaign_resistance import ResistanceObservation
from recorder.analysis.dynamics.resistance import ResistanceFit
from recorder.analysis.dynamics.shared_errors import Where
from recorder.analysis.series.train import TrialTrain
from recorder.analysis.stretches.admission_record import Admission, Criterion, CriterionKind
from recorder.analysis.stretches.specification import Specification
from recorder.analysis.stretches.stretch import Stretch
from recorder.analysis.stretches.stretch_results import StretchResult
from recorder.analysis.uncertainty.causes import Extent
from recorder.analysis.uncertainty.measured import Measured
from recorder.report.pages.charts import (
    comparison_chart,
    performance_chart,
    power_chart,
    resistance_chart,
)
from recorder.report.pages.document import Drawing
from recorder.report.pages.run_charts import trace_chart
from recorder.report.pages.shown_units import CUSTOMARY, METRIC
from tests.recorder.analysis.drawn_runs import cause

NS: Final = "{http://www.w3.org/2000/svg}"
HREF: Final = "{http://www.w3.org/1999/xlink}href"
ROOM_PT: Final = 0.6
"""The stroke of the frame."""
REFUSED: Final = Admission(
    criteria=(Criterion(kind=CriterionKind.BRAKE, value="on", limit="off", passed=False),)
)


@dataclass(frozen=True)
class Frame:
    """Where the axes lie, points of the page."""

    left: float
    top: float
    width: float
    height: float

    def holds(self, x: float, y: float) -> bool:
        across = self.left - ROOM_PT <= x <= self.left + self.width + ROOM_PT
        return across and self.top - ROOM_PT <= y <= self.top + self.height + ROOM_PT


def frame_of(root: ET.Element) -> Frame:
    rect = next(root.iter(f"{NS}clipPath")).find(f"{NS}rect")
    assert rect is not None
    return Frame(*(float(rect.get(k, "nan")) for k in ("x", "y", "width", "height")))


def marks(root: ET.Element) -> list[ET.Element]:
    """Marks that are no ticks: those of a line that belongs to the inside of the frame."""
    return [
        use
        for line in root.iter(f"{NS}g")
        if line.get("id", "").startswith("line2d")
        for group in line.iter(f"{NS}g")
        if group.get("clip-path")
        for use in group.iter(f"{NS}use")
    ]


def marks_of(root: ET.Element) -> list[tuple[float, float]]:
    """Where they stand."""
    return [(float(m.get("x", "nan")), float(m.get("y", "nan"))) for m in marks(root)]


def bars_of(root: ET.Element) -> Iterator[tuple[float, float]]:
    """Ends of the intervals."""
    for group in root.iter(f"{NS}g"):
        if group.get("id", "").startswith("LineCollection"):
            for path in group.iter(f"{NS}path"):
                if not path.get("clip-path"):
                    continue  # in the key
                numbers = [float(n) for n in re.findall(r"-?\d+(?:\.\d+)?", path.get("d", ""))]
                yield from zip(numbers[::2], numbers[1::2], strict=True)


def section(
    speed_m_s: float, pull_kN: float, u_kN: float = 1.0, *, admitted: bool
) -> StretchResult:
    speed = Measured(speed_m_s, "m/s", {cause("wheel"): 0.01})
    pull = Measured(pull_kN, "kN", {cause("cell"): u_kN})
    return StretchResult(
        extent=Extent("run", "0"),
        stretch=Stretch(start=0, stop=1, t_start_s=0.0, t_end_s=1.0),
        speed=speed,
        pull=pull,
        power=pull.times(speed, "kW"),
        margin=None,
        admission=Admission() if admitted else REFUSED,
    )


def specified(*points: tuple[float, float]) -> Specification:
    speeds, pulls = zip(*points, strict=True)
    return Specification(name="promise", speed_m_s=speeds, pull_kN=pulls)


SECTIONS: Final = st.lists(
    st.builds(
        section, st.floats(0.1, 40.0), st.floats(-80.0, 500.0), st.floats(0.1, 30.0),
        admitted=st.booleans(),
    ),
    min_size=1, max_size=25,
)  # fmt: skip
LIMITS: Final = st.one_of(
    st.none(), st.just(specified((2.0, 400.0), (10.0, 150.0), (40.0, 40.0)))
)


@pytest.mark.slow
@settings(max_examples=25, deadline=None)
@example(
    sections=[section(1.0, 4.7e-160, 1.0, admitted=False)],
    limit=None,
    units=METRIC,
    power=False,
)
@example(
    sections=[section(1.0, -4.7e-160, 1.0, admitted=False)],
    limit=None,
    units=CUSTOMARY,
    power=False,
)
@given(SECTIONS, LIMITS, st.sampled_from([METRIC, CUSTOMARY]), st.booleans())
def test_every_test_section_stands_within_the_frame(
    sections: list[StretchResult],
    limit: Specification | None,
    units: object,
    power: bool,
) -> None:
    chart = power_chart if power else performance_chart
    assert units in (METRIC, CUSTOMARY)
    drawing = chart([], sections, limit, METRIC if units == METRIC else CUSTOMARY)
    root = ET.fromstring(drawing.svg)
    frame, drawn = frame_of(root), marks_of(root)
    assert len(drawn) == len(sections)
    assert all(frame.holds(*mark) for mark in drawn)


def test_a_refused_test_section_is_hollow_and_an_admitted_one_is_full() -> None:
    held = [section(10.0, 100.0, admitted=True)]
    refused = [section(12.0, 90.0, admitted=False)]
    assert hollow(performance_chart([], held, None)) == [False]
    assert hollow(performance_chart([], refused, None)) == [True]
    assert sorted(hollow(performance_chart([], held + refused, None))) == [False, True]


def hollow(drawing: Drawing) -> list[bool]:
    """Of the marks inside the frame, which have no fill."""
    return ["fill-opacity: 0" in m.get("style", "") for m in marks(ET.fromstring(drawing.svg))]


def test_what_is_not_drawn_or_covered_is_said() -> None:
    twice = [section(10.0, 100.0, admitted=True)] * 2
    unknown = section(10.0, math.nan, admitted=True)
    limit = specified((5.0, 200.0), (60.0, 20.0))
    told = " ".join(performance_chart([], [*twice, unknown], limit).notes)
    assert "1 mark of 2 can hardly be told from another" in told
    assert "not known: 1 test section" in told
    assert "goes on beyond the frame" in told
    apart = [section(10.0, 100.0, admitted=True), section(20.0, 50.0, admitted=True)]
    assert not any("told" in note for note in performance_chart([], apart, None).notes)


def test_the_figures_behind_a_chart_are_in_the_units_of_its_axes() -> None:
    """1 m/s is 2.2369 mph, 1 kN 224.809 lbf."""
    held = [section(10.0, 100.0, 1.0, admitted=False)]
    data = performance_chart([], held, None, CUSTOMARY).data
    assert data is not None
    assert data.columns[0] == "speed, mph"
    assert data.columns[2] == "equivalent drawbar pull, lbf"
    (speed,), _, (pull,), (spread,), (admitted,), _ = data.values
    assert speed == pytest.approx(22.369, rel=1e-4)
    assert pull == pytest.approx(22480.9, rel=1e-4)
    assert spread == pytest.approx(1.96 * 224.809, rel=1e-3)
    assert admitted == 0.0


def observation(speed_km_h: float, resistance: float) -> ResistanceObservation:
    where = Where(
        run="run", line="run", metres=(0.0, 100.0), seconds=(0.0, 10.0), u_grade_N_per_t=1.0,
        grade_length_m=500.0, pull_N_per_t=20.0, u_inertia_N_per_t=1.0,
    )  # fmt: skip
    return ResistanceObservation(
        run="run", speed_km_h=speed_km_h, speed_variance=0.1,
        resistance=Measured(resistance, "N/t", {cause("cell"): 1.0}), where=where,
        wheel=cause("wheel"), wheel_rel_u=0.001, span=slice(0, 1), asked_N_per_t=1.0,
    )  # fmt: skip


def test_pieces_beyond_the_frame_of_the_resistance_chart_are_counted() -> None:
    ordinary = [observation(20.0 + i, 20.0 + 0.1 * i) for i in range(40)]
    braked = [observation(30.0, 400.0), observation(35.0, 900.0)]
    fit = ResistanceFit(
        terms=("A",), beta=np.array([20.0]), random={cause("r"): np.eye(1)}, common={}, dofs={},
        residual_sd_N_per_t=1.0, observations=42, weights=np.array([1.0] * 40 + [0.1] * 2),
        speed_km_h=(20.0, 59.0),
    )  # fmt: skip
    drawing = resistance_chart(fit, [*ordinary, *braked], TrialTrain())
    assert any("2 pieces above the frame, as far as 900" in note for note in drawing.notes)
    root = ET.fromstring(drawing.svg)
    frame = frame_of(root)
    inside = marks_of(root)
    assert len(inside) == len(ordinary)
    assert all(frame.holds(*mark) for mark in inside)
    assert not resistance_chart(fit, ordinary, TrialTrain()).notes


@pytest.mark.slow
@settings(max_examples=10, deadline=None)
@given(
    st.lists(st.tuples(st.floats(1.0, 100.0), st.floats(-50.0, 400.0), st.floats(0.0, 60.0)),
             min_size=1, max_size=8),
)  # fmt: skip
def test_intervals_of_compared_runs_are_whole(points: list[tuple[float, float, float]]) -> None:
    root = ET.fromstring(comparison_chart({"first": points, "x" * 300: points}).svg)
    frame = frame_of(root)
    ends = list(bars_of(root))
    assert len(ends) >= 2 * len(points)
    assert all(frame.holds(*end) for end in ends)


@pytest.mark.slow
@settings(max_examples=20, deadline=None)
@given(st.integers(5, 900), st.sampled_from([0.5, 1.0, 9.0]))
def test_a_chart_along_a_run_tells_where_an_instant_lies(spike: int, step_s: float) -> None:
    """The spike is drawn at the place that the axis gives for its instant."""
    t_s = 100.0 + step_s * np.arange(1000.0)
    pull = np.zeros(1000)
    pull[spike] = 200.0
    drawing = trace_chart(t_s, [("pull, kN", pull, pull)], "id")
    axis = drawing.axis
    assert axis is not None
    assert axis.run_id == "id"
    share = (t_s[spike] - axis.t_s[0]) / (axis.t_s[1] - axis.t_s[0])
    x = axis.x[0] + share * (axis.x[1] - axis.x[0])
    tops = []
    for path in ET.fromstring(drawing.svg).iter(f"{NS}path"):
        style = path.get("style", "")
        if path.get("clip-path") and "fill: none" in style and "stroke: #000000" in style:
            numbers = [float(n) for n in re.findall(r"-?\d+(?:\.\d+)?", path.get("d", ""))]
            tops += list(zip(numbers[1::2], numbers[::2], strict=True))
    assert min(tops)[1] == pytest.approx(x, abs=0.3)


def test_an_envelope_says_that_it_is_one() -> None:
    t_s = np.arange(50.0)
    data = trace_chart(t_s, [("pull, kN", t_s, t_s + 1.0), ("speed, km/h", t_s, t_s)]).data
    assert data is not None
    assert data.columns == (
        "run time, s", "least pull, kN", "greatest pull, kN", "speed, km/h",
    )  # fmt: skip

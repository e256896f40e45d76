from __future__ import annotations

import xml.etree.ElementTree as ET

from recorder.report.certificate.force_charts import loop_chart, residual_chart, shares_chart
from recorder.report.certificate.force_paper import opened
from recorder.report.certificate.force_results import Sense
from tests.calibration.bench_tables import iso_csv, pontius_csv
from tests.calibration.made_certificates import made


def sense_of(text: str) -> Sense:
    held = opened(made(text))
    return Sense(held, 1)


def test_charts_are_sound_svg_in_black_and_white_and_always_the_same() -> None:
    sense = sense_of(iso_csv(noise=40.0, loop=1e-3))
    for chart in (residual_chart, loop_chart, shares_chart):
        data = chart(sense)
        assert data is not None
        root = ET.fromstring(data)  # our own output
        assert root.tag.endswith("svg")
        colours = {
            word.strip().lower()
            for element in root.iter()
            for item in element.get("style", "").split(";")
            if item.strip().startswith(("stroke:", "fill:"))
            for word in [item.split(":")[1]]
        }
        coloured = [
            c for c in colours if c.startswith("#") and len({c[1:3], c[3:5], c[5:7]}) > 1
        ]
        assert not coloured
        assert chart(sense) == data


def test_no_falling_readings_make_no_loop() -> None:
    assert loop_chart(sense_of(pontius_csv())) is None
    assert residual_chart(sense_of(pontius_csv()))

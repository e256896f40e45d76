"""What is stated beside the readings: read back as written, refused by name where it is wrong."""

from __future__ import annotations

import json
from datetime import date

import pytest

from calibration.certificates.certificate import CertificateError
from calibration.readings.bench_settings import BenchSettings
from calibration.readings.data_sheet import DataSheet
from calibration.readings.laboratory import Laboratory
from calibration.readings.reference_standard import ReferenceStandard


def test_everything_stated_reads_back() -> None:
    settings = BenchSettings(
        cell="cell 7",
        issued=date(2026, 5, 4),
        service_temperature_C=(-20.0, 40.0),
        standard=ReferenceStandard(serial="R 1", valid_until=date(2027, 1, 1), drift_pct=0.01),
        data_sheet=DataSheet(source="sheet B", creep_pct=0.05),
        laboratory=Laboratory(customer="the railway", humidity_pct=(40.0, 55.0)),
    )
    document = json.loads(json.dumps(settings.to_document()))
    assert BenchSettings.from_document(document) == settings


def test_nothing_stated_leaves_the_groups_out() -> None:
    document = BenchSettings().to_document()
    assert {"standard", "data_sheet", "laboratory"}.isdisjoint(document)
    assert BenchSettings.from_document(document) == BenchSettings()


@pytest.mark.parametrize(
    ("document", "named"),
    [
        ({"standard": {"drift_pct": "much"}}, "standard.drift_pct"),
        ({"standard": 3}, "standard"),
        ({"standard": {"valid_until": "soon"}}, "valid_until"),
        ({"data_sheet": {"creep": 1.0}}, "data_sheet.creep"),
        ({"data_sheet": {"creep_pct": -1.0}}, "data_sheet.creep_pct"),
        ({"laboratory": {"humidity_pct": [60.0, 40.0]}}, "laboratory.humidity_pct"),
        ({"laboratory": {"customer": True}}, "laboratory.customer"),
        ({"capacity_kN": True}, "capacity_kN"),
    ],
)
def test_a_wrong_fact_is_named(document: dict[str, object], named: str) -> None:
    with pytest.raises(CertificateError, match=named):
        BenchSettings.from_document(document)

"""What is stated beside the readings: read back as written, refused by name where it is wrong."""

from __future__ import annotations

import json
from datetime import date

import pytest

from calibration.certificates.certificate import CertificateError
from calibration.quantities.printable import printable
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


@pytest.mark.parametrize(
    ("document", "words"),
    [
        ({"reference_U_pct": 0.0}, "reference_U_pct is 0.0; allowed: 1e-5 to 100 %"),
        ({"reference_U_pct": 1e-300}, "reference_U_pct is 1e-300; allowed: 1e-5 to 100 %"),
        ({"reference_k": 0.5}, "reference_k is 0.5; allowed: 1 to 4"),
        ({"reference_k": 50.0}, "reference_k is 50.0; allowed: 1 to 4"),
        (
            {"capacity_kN": 1e308},
            "capacity_kN is 1e+308; allowed: a number above 0, at most 1e5",
        ),
        ({"capacity_kN": int("9" * 400)}, "capacity_kN is 999"),
        ({"capacity_kN": 0.0}, "capacity_kN is 0.0; allowed: a number above 0"),
        ({"issued": "9999-12-31"}, "issued is '9999-12-31'; allowed: a day of the years 1950"),
        ({"issued": date(1, 1, 1)}, "issued is '0001-01-01'; allowed: a day of the years 1950"),
        (
            {"standard": {"valid_until": "9999-12-31"}},
            "standard.valid_until is '9999-12-31'; allowed: a day of the years 1950 to 2100",
        ),
    ],
)
def test_what_no_certificate_states_is_refused_in_one_short_line(
    document: dict[str, object], words: str
) -> None:
    with pytest.raises(CertificateError) as caught:
        BenchSettings.from_document(document)
    assert words in str(caught.value)
    assert "\n" not in str(caught.value)
    assert len(str(caught.value)) < 400


def test_what_would_steer_a_terminal_is_shown_as_a_mark() -> None:
    assert printable("a\x1b[2Jb\nc\u202e\ud800\u2028") == "a\ufffd[2Jb\ufffdc\ufffd\ufffd\ufffd"
    assert printable("±0.1 %, 20\u00a0kN, Größe \ufffd") == "±0.1 %, 20\u00a0kN, Größe \ufffd"

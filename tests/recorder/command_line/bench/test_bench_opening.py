"""A session's reference cell: its own U where it is used, its certificate in full."""

from __future__ import annotations

import re
from dataclasses import replace
from datetime import date
from pathlib import Path

import numpy as np
import pytest

from calibration.bench.pending_reading import force_certificate
from calibration.bench.plan import make_plan
from calibration.bench.session import BenchSession
from calibration.certificates.certificate import dump_certificate
from calibration.certificates.force import ForceCertificate
from calibration.certificates.force_curve import UncertaintyTable
from calibration.readings.bench_settings import BenchSettings
from calibration.readings.laboratory import Laboratory
from calibration.readings.reference_standard import ReferenceStandard
from recorder.command_line.bench.bench_opening import with_reference
from recorder.command_line.bench.bench_session import line_options
from recorder.command_line.main import main
from recorder.command_line.support.errors import UsageError


def reference(**words: object) -> ForceCertificate:
    made = ForceCertificate.from_coefficients(
        (0.0, 1e-4), capacity_kN=600.0, certificate_id="ref 7", u_zero_kN=0.01,
        u_relative=1e-4, issued=date(2026, 1, 5), expires=date(2027, 1, 4),
    )  # fmt: skip
    return replace(made, **words)  # type: ignore[arg-type]  # any field by its name


def test_the_largest_relative_uncertainty_over_the_forces_of_the_plan_is_taken() -> None:
    """At 50 kN, the smallest force: k u / F = 2 √(0.01² + (1e-4·50)²) / 50."""
    settings = with_reference(
        BenchSettings(capacity_kN=500.0), reference(), make_plan(capacity_kN=500.0)
    )
    expected = 100.0 * 2.0 * np.hypot(0.01, 1e-4 * 50.0) / 50.0
    # The table of a certificate is read between its forces.
    assert settings.reference_U_pct == pytest.approx(expected, rel=0.05)
    assert settings.reference_k == 2.0


def test_what_a_person_stated_is_not_overruled() -> None:
    stated = BenchSettings(
        capacity_kN=500.0, reference_U_pct=0.3, reference="frame",
        standard=ReferenceStandard(serial="R 1", drift_pct=0.05, valid_until=date(2026, 9, 1)),
    )  # fmt: skip
    settings = with_reference(stated, reference(), make_plan(capacity_kN=500.0))
    assert (settings.reference_U_pct, settings.reference) == (0.3, "frame")
    assert (settings.standard.serial, settings.standard.drift_pct) == ("R 1", 0.05)
    # Whichever ends first.
    assert settings.standard.valid_until == date(2026, 9, 1)


def test_a_reference_named_in_words_is_no_traceability() -> None:
    """Only what its certificate states of its own standard's chain goes on."""

    def above(**stated: object) -> str:
        own = BenchSettings.from_document({"reference": "the old ring, no paper", **stated})
        held = reference(details={"settings": own.to_document()})
        plan = make_plan(capacity_kN=500.0)
        return with_reference(
            BenchSettings(capacity_kN=500.0), held, plan
        ).standard.traceability

    assert above() == ""
    assert above(standard={"certificate": "F-1"}) == ""
    assert above(standard={"traceability": "dead weights"}) == "dead weights"


def test_a_certificate_that_says_no_uncertainty_states_none() -> None:
    none = replace(
        reference(), uncertainty=UncertaintyTable((0.0, 600.0), (0.0, 0.0), (2.0,) * 2)
    )
    settings = with_reference(
        BenchSettings(capacity_kN=500.0), none, make_plan(capacity_kN=500.0)
    )
    assert settings.reference_U_pct is None


def test_the_certificate_travels_in_full_with_its_own_laboratory(tmp_path: Path) -> None:
    own = BenchSettings(
        laboratory=Laboratory(name="the laboratory", cell_serial="K 3"), stability_pct=0.04,
        standard=ReferenceStandard(traceability="the national realisation", certificate="N 1"),
    )  # fmt: skip
    made = reference(details={"settings": own.to_document()})
    plan = make_plan(capacity_kN=500.0)
    settings = with_reference(BenchSettings(capacity_kN=500.0), made, plan)
    standard = settings.standard
    assert (standard.certificate, standard.digest) == ("ref 7", made.digest)
    assert (standard.serial, standard.issued_by) == ("K 3", "the laboratory")
    assert (standard.calibrated, standard.valid_until) == (date(2026, 1, 5), date(2027, 1, 4))
    assert (standard.traceability, standard.drift_pct) == ("the national realisation", 0.04)
    with BenchSession.create(tmp_path / "s.bench", settings=settings, plan=plan):
        pass
    with BenchSession.open(tmp_path / "s.bench") as again:
        assert again.settings == settings
        document = dict(again.settings.standard.document)
    assert force_certificate(document) == made


@pytest.mark.parametrize("senses", [("compression",), ("tension", "compression")])
def test_a_plan_beyond_the_reference_is_refused(senses: tuple[str, ...]) -> None:
    made = reference(range_kN=(0.0, 600.0))
    with pytest.raises(UsageError, match=r"covers 0 to 600 kN, the plan asks for -500 kN"):
        with_reference(
            BenchSettings(capacity_kN=500.0), made, make_plan(capacity_kN=500.0, senses=senses)
        )


def test_line_settings_are_those_of_a_car_sheet() -> None:
    given = ["baud_bd=9600", "read_timeout_s=0.1", "odd=true", "name=x"]
    assert line_options(given) == {
        "baud_bd": 9600, "read_timeout_s": 0.1, "odd": True, "name": "x",
    }  # fmt: skip
    for wrong in ("baud_bd", "=3", "baud_bd="):
        with pytest.raises(UsageError, match="KEY=VALUE is needed"):
            line_options([wrong])


@pytest.mark.parametrize(
    ("option", "words"),
    [
        ("baud=9600", "unknown option 'baud'.*did you mean 'baud_bd'"),
        ("baud_bd=fast", "baud_bd must be a whole number"),
    ],
)
def test_a_line_setting_the_driver_does_not_know_is_refused_by_name(
    tmp_path: Path, option: str, words: str, capsys: pytest.CaptureFixture[str]
) -> None:
    code = main(["bench", "run", str(tmp_path / "c.bench"), "--capacity-kN", "5", "--port",
                 "tcp://127.0.0.1:9", "--option", option])  # fmt: skip
    assert code == 2
    err = capsys.readouterr().err
    assert err.count("\n") == 1
    assert re.search(words, err)


@pytest.mark.parametrize("limit", ["0", "-3", "nan", "inf"])
def test_a_limit_of_silence_is_a_time(
    tmp_path: Path, limit: str, capsys: pytest.CaptureFixture[str]
) -> None:
    code = main(["bench", "run", str(tmp_path / "c.bench"), "--capacity-kN", "5", "--port",
                 "tcp://127.0.0.1:9", "--silence-limit-s", limit])  # fmt: skip
    assert code == 2
    assert "--silence-limit-s" in capsys.readouterr().err


def test_a_reference_cell_over_millivolts_per_volt_is_refused_on_counts(
    tmp_path: Path, capsys: pytest.CaptureFixture[str]
) -> None:
    path = tmp_path / "ref.json"
    path.write_text(dump_certificate(reference(reading_unit="mV_V")), "utf-8")
    words = ["bench", "run", str(tmp_path / "s.bench"), "--capacity-kN", "500"]
    words += ["--reference-cell", str(path), "--reference-channel", "ch1"]
    assert main(words) == 2
    error = capsys.readouterr().err
    assert error.count("\n") == 1
    assert (
        "ref.json: made over readings in mV_V, and the channels of a port are counts" in error
    )
    assert not (tmp_path / "s.bench").exists()

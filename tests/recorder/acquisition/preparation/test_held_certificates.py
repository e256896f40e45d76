"""Whose certificate it is, whether its figures follow, who signed it: before a recording."""

from __future__ import annotations

import json
from collections.abc import Callable
from datetime import date
from pathlib import Path
from typing import Any

import numpy as np
import pytest
from cryptography.hazmat.primitives.asymmetric.ed25519 import Ed25519PrivateKey

from calibration.certificates.certificate import (
    document_digest,
    dump_certificate,
    parse_document,
)
from calibration.certificates.clock import ClockCertificate
from calibration.certificates.signature import key_of, public_text, sign_document
from calibration.clock.tick_rate import tick_rate
from recorder.acquisition.preparation.opening import make_header
from recorder.acquisition.preparation.plan import make_plan
from recorder.acquisition.preparation.planned import Plan
from recorder.acquisition.process.pace import RealPace
from recorder.run.values.certificate_standing import Standing, standings_of
from recorder.sheets import SheetError, load_car_sheet
from tests.calibration.bench_tables import iso_csv
from tests.calibration.made_certificates import made

KEY = Ed25519PrivateKey.from_private_bytes(bytes(range(32)))
OTHER = Ed25519PrivateKey.from_private_bytes(bytes(range(1, 33)))
Planned = Callable[..., Plan]
SHEET = """
[car]
name = "Car 1"
{laboratories}
[devices.cell]
driver = "load-cell-frames"
port = "tcp://127.0.0.1:1"
[devices.cell.channels.ch0]
quantity = "pull"
certificate = "cell.json"
{serial}
"""


def certificate(serial: str = "") -> dict[str, Any]:
    laboratory = {"cell_serial": serial} if serial else {}
    made_of = made(reference_U_pct=0.02, certificate_id="F-1", laboratory=laboratory)
    return parse_document(dump_certificate(made_of))


def fresh(document: dict[str, Any]) -> dict[str, Any]:
    """The same with the digest that it has now."""
    return {**document, "digest": document_digest(document)}


@pytest.fixture
def planned(tmp_path: Path) -> Planned:
    def plan(
        document: dict[str, Any],
        *,
        serial: str = "",
        signed_by: Ed25519PrivateKey | None = None,
        signature: str = "",
        trusted: dict[str, str] | None = None,
    ) -> Plan:
        (tmp_path / "cell.json").write_text(json.dumps(document), "utf-8")
        if signed_by is not None:
            signature = sign_document(document, signed_by)
        if signature:
            (tmp_path / "cell.json.sig").write_text(signature, "utf-8")
        names = []
        for i, (name, text) in enumerate((trusted or {}).items()):
            (tmp_path / f"{i}.pub").write_text(text, "utf-8")
            names.append(f'"{name}" = "{i}.pub"')
        laboratories = "\n".join(["[laboratories]", *names]) if names else ""
        named = f'serial = "{serial}"' if serial else ""
        car = tmp_path / "car.toml"
        car.write_text(SHEET.format(laboratories=laboratories, serial=named), "utf-8")
        return make_plan(load_car_sheet(car), on=date(2026, 5, 5))

    return plan


def refused(planned: Planned, document: dict[str, Any], **how: Any) -> str:
    with pytest.raises(SheetError) as error:
        planned(document, **how)
    (problem,) = error.value.problems
    assert problem.startswith("car.toml [devices.cell.channels.pull]: certificate F-1: ")
    assert "\n" not in problem
    return problem


# ------------------------------------------------------------------ serial


def test_the_certificate_of_another_cell_is_refused(planned: Planned) -> None:
    problem = refused(planned, certificate("4711"), serial="4712")
    assert "it is of serial '4711', the car sheet names '4712'" in problem


@pytest.mark.parametrize("named", ["A 4711", "a4711", " A4711 "])
def test_the_certificate_of_that_cell_is_taken(planned: Planned, named: str) -> None:
    plan = planned(certificate("A4711"), serial=named)
    assert plan.warnings == ()
    (line,) = plan.standings
    assert "of serial 'A4711', as the car sheet names" in line
    assert line in plan.describe()


@pytest.mark.parametrize(
    ("held", "named", "told"),
    [
        ("", "4711", "it states no serial number, the car sheet names '4711'"),
        ("4711", "", "it is of serial '4711', the car sheet names none"),
    ],
)
def test_a_serial_on_one_side_alone_is_a_said_doubt(
    planned: Planned, held: str, named: str, told: str
) -> None:
    plan = planned(certificate(held), serial=named)
    (warning,) = plan.warnings
    assert told in warning
    header = make_header(plan, RealPace(), start_ns=0)
    doubts = [f.words for f in standings_of(header)["F-1"] if f.standing is Standing.DOUBT]
    assert len(doubts) == 1
    assert told in doubts[0]


def test_a_serial_with_nothing_to_hold_it_against_is_refused(tmp_path: Path) -> None:
    car = tmp_path / "car.toml"
    text = SHEET.format(laboratories="", serial='serial = "4711"')
    car.write_text(text.replace('certificate = "cell.json"\n', ""), "utf-8")
    with pytest.raises(SheetError, match="serial '4711' is of no use without a certificate"):
        make_plan(load_car_sheet(car))


WHEEL = """
[car]
name = "Car 1"
[devices.wheel]
driver = "wheel-pulses"
port = "tcp://127.0.0.1:2"
{keys}
"""


@pytest.mark.parametrize("channels", ["", "[devices.wheel.channels.distance]\n"])
def test_a_wheel_of_another_serial_is_refused(
    tmp_path: Path, wheel_text: str, channels: str
) -> None:
    held = fresh({**parse_document(wheel_text), "serial": "W 1"})
    (tmp_path / "wheel.json").write_text(json.dumps(held), "utf-8")
    car = tmp_path / "car.toml"
    for serial, good in (("w1", True), ("W 2", False)):
        keys = f'certificate = "wheel.json"\nserial = "{serial}"\n{channels}'
        car.write_text(WHEEL.format(keys=keys), "utf-8")
        if good:
            plan = make_plan(load_car_sheet(car), on=date(2026, 5, 5))
            assert {c.serial for d in plan.devices for c in d.channels} == {"w1"}
            continue
        with pytest.raises(SheetError, match="is of serial 'W 1', the car sheet names 'W 2'"):
            make_plan(load_car_sheet(car), on=date(2026, 5, 5))


@pytest.mark.parametrize("driver", ["wheel-pulses", "load-cell-frames", "nmea-0183"])
def test_a_serial_beside_a_port_that_nothing_uses_is_refused(
    tmp_path: Path, driver: str
) -> None:
    car = tmp_path / "car.toml"
    text = WHEEL.format(keys='serial = "W 1"').replace("wheel-pulses", driver)
    car.write_text(text, "utf-8")
    with pytest.raises(SheetError, match="serial 'W 1' is of no use without a certificate"):
        make_plan(load_car_sheet(car))


# ------------------------------------------------------------------ readings


def test_a_coefficient_raised_by_a_twentieth_is_refused(planned: Planned) -> None:
    document = certificate()
    assert planned(document).warnings == ()
    document["curve"]["tension"][1] *= 1.05
    problem = refused(planned, fresh(document))
    assert "its own readings do not give it: curve.tension[1]" in problem


def test_an_uncertainty_halved_is_refused(planned: Planned) -> None:
    document = certificate()
    table = document["uncertainty"]
    table["standard_kN"] = [0.5 * u for u in table["standard_kN"]]
    assert "uncertainty.standard_kN" in refused(planned, fresh(document))


def test_one_of_another_edition_is_told(planned: Planned) -> None:
    document = certificate()
    document["details"]["evaluation"] = 99
    (warning,) = planned(fresh(document)).warnings
    assert "was made by a newer edition (99)" in warning


@pytest.mark.parametrize("emptied", [True, False])
def test_one_without_readings_is_told_as_not_provable(planned: Planned, emptied: bool) -> None:
    document = certificate()
    document["details"]["readings"] = None
    if not emptied:
        del document["details"]["readings"]
    (warning,) = planned(fresh(document)).warnings
    assert "not provable: it holds no readings" in warning


# ------------------------------------------------------------------ signature

LAB = {"Works laboratory": public_text(key_of(KEY.public_key()))}


def test_a_good_signature_is_told_with_its_key_and_kept_with_the_run(planned: Planned) -> None:
    plan = planned(certificate(), signed_by=KEY, trusted=LAB)
    assert plan.warnings == ()
    fingerprint = key_of(KEY.public_key()).fingerprint
    assert f"signed by Works laboratory, key {fingerprint}" in plan.standings[0]
    header = make_header(plan, RealPace(), start_ns=0)
    assert header.laboratory_keys == LAB
    assert set(header.signatures) == {"F-1"}
    assert standings_of(header) == plan.findings


def test_a_missing_signature_is_a_said_doubt(planned: Planned) -> None:
    (warning,) = planned(certificate(), trusted=LAB).warnings
    assert "it has no signature, though the car sheet trusts Works laboratory" in warning


def test_a_signature_by_a_key_that_is_not_trusted_is_refused(planned: Planned) -> None:
    assert "not trusted" in refused(planned, certificate(), signed_by=OTHER, trusted=LAB)


def test_a_certificate_changed_after_it_was_signed_is_refused(planned: Planned) -> None:
    document = certificate()
    signature = sign_document(document, KEY)
    document["details"]["settings"]["operator"] = "somebody else"
    problem = refused(planned, fresh(document), signature=signature, trusted=LAB)
    assert "the certificate was changed" in problem


def test_without_keys_to_trust_nothing_is_asked_of_signatures(planned: Planned) -> None:
    plan = planned(certificate(), signed_by=OTHER)
    assert plan.warnings == ()
    assert plan.signatures == {}
    assert "no laboratory's key is named" in plan.standings[0]


@pytest.mark.parametrize("text", ["", "nonsense", "-----BEGIN PUBLIC KEY-----\nAAAA\n"])
def test_a_key_that_does_not_read_is_refused(planned: Planned, text: str) -> None:
    with pytest.raises(SheetError) as error:
        planned(certificate(), trusted={"Lab": text})
    (problem,) = error.value.problems
    assert problem.startswith("car.toml [laboratories]: Lab: 0.pub: ")
    assert "\n" not in problem


@pytest.mark.parametrize("text", ["nonsense", "{}", "x" * 20_000, "\x00"])
def test_a_signature_that_does_not_read_is_refused(planned: Planned, text: str) -> None:
    with pytest.raises(SheetError) as error:
        planned(certificate(), signature=text, trusted=LAB)
    (problem,) = error.value.problems
    assert "\n" not in problem


def test_a_key_file_that_is_not_there_is_named(tmp_path: Path) -> None:
    car = tmp_path / "car.toml"
    text = SHEET.format(laboratories='[laboratories]\nLab = "none.pub"', serial="")
    car.write_text(text, "utf-8")
    with pytest.raises(SheetError, match=r"Lab: key .*none\.pub cannot be read: No such file"):
        make_plan(load_car_sheet(car))


# ------------------------------------------------------------------- clock


def test_a_clock_certificate_is_kept_and_used_by_no_channel(tmp_path: Path) -> None:
    seconds = np.arange(100)
    found = tick_rate(seconds, seconds * 1_000_020, 1e6)
    clock = ClockCertificate(
        certificate_id="CL-1", issued=date(2026, 5, 1), expires=None, device="wheel",
        serial="118", run="run.h5", run_digest="", began_utc="", tick_hz=1e6,
        seconds=tuple(seconds.tolist()), ticks=tuple((seconds * 1_000_020).tolist()),
        rate_ppm=found.rate_ppm, u_rate_ppm=found.u_ppm, coverage_factor=found.k,
        low_ppm=found.low_ppm, high_ppm=found.high_ppm, scatter_us=found.scatter_us,
    )  # fmt: skip
    (tmp_path / "clock.json").write_text(dump_certificate(clock), "utf-8")
    (tmp_path / "cell.json").write_text(json.dumps(certificate()), "utf-8")
    car = tmp_path / "car.toml"
    port = 'port = "tcp://127.0.0.1:1"\n'
    text = SHEET.format(laboratories="", serial="")
    car.write_text(text.replace(port, port + 'clock_certificate = "clock.json"\n'), "utf-8")
    plan = make_plan(load_car_sheet(car), on=date(2026, 5, 5))
    assert plan.certificates["CL-1"] == clock
    assert all(c.certificate != "CL-1" for d in plan.devices for c in d.channels)
    car.write_text(text.replace(port, port + 'clock_certificate = "cell.json"\n'), "utf-8")
    with pytest.raises(SheetError, match="must be of kind clock"):
        make_plan(load_car_sheet(car), on=date(2026, 5, 5))


def test_a_certificate_that_names_itself_over_lines_is_told_in_one(planned: Planned) -> None:
    document = certificate("4711")
    document["certificate_id"] = document["details"]["settings"]["certificate_id"] = "F\n 1"
    (line,) = planned(fresh(document), serial="4711").standings
    assert "\n" not in line
    with pytest.raises(SheetError) as error:
        planned(fresh(document), serial="4712")
    assert all("\n" not in problem for problem in error.value.problems)


@pytest.mark.parametrize("name", [" ", "a\\nb", "x" * 101])
def test_a_laboratory_has_a_name_in_one_line(tmp_path: Path, name: str) -> None:
    car = tmp_path / "car.toml"
    table = f'[laboratories]\n"{name}" = "lab.pub"'
    car.write_text(SHEET.format(laboratories=table, serial=""), "utf-8")
    with pytest.raises(SheetError, match="a laboratory's name is a line of words"):
        load_car_sheet(car)


def test_no_more_laboratories_than_anybody_knows(tmp_path: Path) -> None:
    car = tmp_path / "car.toml"
    table = "[laboratories]\n" + "\n".join(f'l{i} = "lab.pub"' for i in range(21))
    car.write_text(SHEET.format(laboratories=table, serial=""), "utf-8")
    with pytest.raises(SheetError, match="21 laboratories; at most 20"):
        load_car_sheet(car)


# ------------------------------------------------------------------ unit of the readings


def ratio_document() -> dict[str, Any]:
    """Of a cell that was read in mV/V, two at 500 kN."""
    lines = [line.split(",") for line in iso_csv(noise=40.0).splitlines()]
    lines[0][4] = "reading_mV_V"
    for cells in lines[1:]:
        cells[4] = f"{float(cells[4]) / 2e6:.6f}"
    text = "\n".join(",".join(cells) for cells in lines) + "\n"
    return parse_document(dump_certificate(made(text, certificate_id="F-1")))


def refused_unit(planned: Planned, document: dict[str, Any]) -> str:
    with pytest.raises(SheetError) as error:
        planned(document)
    (problem,) = error.value.problems
    return problem


def test_a_certificate_over_millivolts_per_volt_is_refused_on_counts(planned: Planned) -> None:
    document = ratio_document()
    assert document["reading_unit"] == "mV_V"
    problem = refused_unit(planned, document)
    assert "F-1 was made over readings in mV_V, and field ch0 is in counts" in problem
    assert "give one made over counts" in problem


def test_one_of_before_the_unit_was_kept_is_asked_for_its_readings(planned: Planned) -> None:
    document = ratio_document()
    del document["reading_unit"]
    document["details"]["evaluation"] = 1
    assert "made over readings in mV_V" in refused_unit(planned, fresh(document))


def test_a_certificate_over_counts_says_nothing_more_than_before(planned: Planned) -> None:
    document = certificate()
    assert "reading_unit" not in document
    assert planned(document).warnings == ()

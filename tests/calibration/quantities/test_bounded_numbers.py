"""Whole numbers that no processor holds, and keys that stand twice, are refused where JSON and TOML
are read."""

from __future__ import annotations

import json
from dataclasses import replace
from pathlib import Path

import pytest

from calibration.certificates.certificate import document_digest, dump_certificate
from calibration.quantities.bounded_text import bounded_json, bounded_toml
from recorder.command_line.main import main
from recorder.exchange.signature_told import names_key
from recorder.keeping.journal_rows import Rows, row_crc
from tests.calibration.made_certificates import made
from tests.recorder.made_runs import header


@pytest.mark.parametrize("value", ["9" * 400, "-" + "9" * 41, "[" * 100_000])
def test_neither_gives_a_number_that_is_none(value: str) -> None:
    with pytest.raises(ValueError, match=r"whole number|deeply|Invalid"):
        bounded_json(f'{{"a": [{value}]}}')
    with pytest.raises(ValueError, match=r"whole number|deeply|Invalid"):
        bounded_toml(f"a = [{value}]")


def test_a_number_of_64_bits_is_one() -> None:
    assert bounded_json(str(2**64)) == 2**64
    assert bounded_toml(f"\ufeffa = {-(2**63)}") == {"a": -(2**63)}


def test_a_certificate_of_400_digits_is_refused_in_a_line(
    tmp_path: Path, capsys: pytest.CaptureFixture[str]
) -> None:
    document = json.loads(dump_certificate(made()))
    document["range_kN"][1] = 10**400
    document["digest"] = document_digest(document)
    (tmp_path / "c.json").write_text(json.dumps(document), "utf-8")
    assert main(["bench", "verify", str(tmp_path / "c.json")]) == 2
    told = capsys.readouterr().err
    assert "a whole number has 401 digits; allowed: up to 40" in told
    assert told.count("\n") == 1


def test_a_key_stands_once() -> None:
    with pytest.raises(ValueError, match="the key 'b' stands twice"):
        bounded_json('{"a": {"b": 1, "c": 2, "b": 3}}')
    with pytest.raises(ValueError, match="Cannot overwrite"):
        bounded_toml("b = 1\nc = 2\nb = 3")


def test_a_certificate_that_says_two_things_is_refused_in_a_line(
    tmp_path: Path, capsys: pytest.CaptureFixture[str]
) -> None:
    """Whoever reads it by eye sees the first, a program the last."""
    text = dump_certificate(made())
    (tmp_path / "c.json").write_text(
        text.replace("{", '{"range_kN": [-900.0, 900.0],', 1), "utf-8"
    )
    assert main(["bench", "verify", str(tmp_path / "c.json")]) == 2
    told = capsys.readouterr().err
    assert "the key 'range_kN' stands twice" in told
    assert told.count("\n") == 1


def test_a_mark_nested_without_end_is_a_loss() -> None:
    rows = Rows()
    text = "[" * 100_000
    rows.take_mark((1, b"m", 0, text.encode(), row_crc(1, "m", 0, text)))
    rows.take_event((1, b"k", 1.0, text.encode(), row_crc(1, "k", 1.0, text)))
    assert [damage.why for damage in rows.damage] == ["too deeply nested"] * 2


@pytest.mark.parametrize("sheet", ["a = " + "9" * 5000, "a = " + "[" * 50_000, "= ="])
def test_a_sheet_that_does_not_read_names_no_key(sheet: str) -> None:
    assert not names_key(replace(header(), car_sheet=sheet))


def test_a_sheet_with_a_byte_order_mark_names_its_key() -> None:
    sheet = '\ufeff[recording]\nsigning_key = "car.key"\n'
    assert names_key(replace(header(), car_sheet=sheet))

"""Who may read what will be recorded, known before a port is opened."""

from __future__ import annotations

import os
from collections.abc import Callable
from datetime import date
from pathlib import Path

import pytest

from calibration.certificates.private_key import make_private_key
from calibration.certificates.signature import key_of
from recorder.acquisition.preparation.plan import make_plan
from recorder.sheets import SheetError, load_car_sheet

ON = date(2026, 5, 4)
Sheets = Callable[..., tuple[Path, Path]]


def car_with(tmp_path: Path, make_sheets: Sheets, line: str) -> Path:
    """A car sheet with a line more in its table ``[recording]``."""
    car, _ = make_sheets(tmp_path, "tcp://127.0.0.1:1")
    text = car.read_text("utf-8")
    assert "[recording]" in text
    car.write_text(text.replace("[recording]", f"[recording]\n{line}", 1), "utf-8")
    return car


def test_a_group_that_is_not_there_is_refused(tmp_path: Path, make_sheets: Sheets) -> None:
    car = car_with(tmp_path, make_sheets, 'group = "no-such-crew"')
    with pytest.raises(SheetError) as caught:
        make_plan(load_car_sheet(car), on=ON)
    assert list(caught.value.problems) == [
        "car.toml [recording]: there is no group 'no-such-crew' on this computer; make it, or"
        " leave group out"
    ]


def test_without_a_group_nobody_else_reads(tmp_path: Path, make_sheets: Sheets) -> None:
    car = car_with(tmp_path, make_sheets, "")
    assert make_plan(load_car_sheet(car), on=ON).group is None


def test_the_groups_number_is_planned_with(tmp_path: Path, make_sheets: Sheets) -> None:
    grp = pytest.importorskip("grp")
    name = grp.getgrgid(os.getegid()).gr_name
    car = car_with(tmp_path, make_sheets, f'group = "{name}"')
    assert make_plan(load_car_sheet(car), on=ON).group == os.getegid()


class TestSigningKey:
    """The car's key is opened before anything else: the crew learns of it before leaving."""

    def test_it_is_told_by_its_fingerprint(self, tmp_path: Path, make_sheets: Sheets) -> None:
        key, pem = make_private_key(None)
        (tmp_path / "car.key").write_bytes(pem)
        (tmp_path / "car.key").chmod(0o600)
        car = car_with(tmp_path, make_sheets, 'signing_key = "car.key"')
        plan = make_plan(load_car_sheet(car), on=ON)
        fingerprint = key_of(key.public_key()).fingerprint
        assert plan.signing_key == tmp_path / "car.key"
        assert f"signed at the stop by car.key, key {fingerprint}" in plan.describe()
        assert plan.to_dict()["signed_by"] == fingerprint

    @pytest.mark.parametrize(
        ("spoil", "words"),
        [
            (lambda path: path.unlink(), "No such file"),
            (lambda path: path.chmod(0o644), "others can read this private key"),
            (lambda path: path.write_text("no key"), "not the key that is wanted"),
        ],
        ids=["none", "open", "spoilt"],
    )
    def test_one_that_cannot_sign_is_refused(
        self,
        spoil: Callable[[Path], None],
        words: str,
        tmp_path: Path,
        make_sheets: Sheets,
    ) -> None:
        path = tmp_path / "car.key"
        path.write_bytes(make_private_key(None)[1])
        path.chmod(0o600)
        spoil(path)
        car = car_with(tmp_path, make_sheets, 'signing_key = "car.key"')
        with pytest.raises(SheetError) as caught:
            make_plan(load_car_sheet(car), on=ON)
        (problem,) = caught.value.problems
        assert problem.startswith("car.toml [recording]: signing_key: ")
        assert words in problem

"""The trip-sheet keys that the README shows are the keys there are."""

from __future__ import annotations

import re
from dataclasses import fields
from pathlib import Path

from recorder.sheets import parse_trip_sheet
from recorder.sheets.admission_limits import AdmissionLimits

README = (Path(__file__).parents[2] / "README.md").read_text(encoding="utf-8")


def shown() -> str:
    return next(
        str(b) for b in re.findall(r"```toml\n(.*?)```", README, re.S) if "trend_pct" in b
    )


def test_the_example_parses_and_states_what_it_says() -> None:
    sheet = parse_trip_sheet('[trip]\nname = "as the README has it"\n' + shown())
    assert sheet.specification is not None
    assert sheet.specification.admission.rail == "dry"
    assert sheet.specification.admission.throttle == ("8", "notch 8")
    assert sheet.locomotive.u_mass_t == 0.6


def test_every_limit_of_admission_stands_in_the_example() -> None:
    keys = re.findall(r"^(\w+) =", shown(), re.M)
    for field in fields(AdmissionLimits):
        stem = re.sub(r"_(s|m_s|m_s2|pct)$", "", field.name)
        assert any(k == field.name or k.startswith(f"{stem}_") or k == stem for k in keys), (
            field
        )

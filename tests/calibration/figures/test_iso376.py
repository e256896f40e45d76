from __future__ import annotations

import pytest

from calibration.evaluation.evaluation import SenseEvaluation, evaluate
from calibration.figures.iso376 import FORCE_UNCERTAINTY, LIMITS, MIN_STEPS, iso_errors
from calibration.readings.readings_csv import parse_readings
from tests.calibration.bench_tables import class_csv, rows, stated, three_runs_csv


def first(text: str, **facts: object) -> SenseEvaluation:
    return evaluate(parse_readings(text), stated(**facts)).senses[0]


def test_class_table() -> None:
    """ISO 376:2011 class table, from memory (high)."""
    columns = {
        "b": "b_reproducibility_pct",
        "b'": "bprime_repeatability_pct",
        "fc": "fc_interpolation_pct_pm",
        "f0": "f0_zero_pct_pm",
        "v": "v_reversibility_pct",
        "c": "c_creep_pct",
    }
    for row in rows("iso376_class_limits.csv"):
        name = row["class"]
        for key, column in columns.items():
            assert LIMITS[name][key] == float(row[column])
        assert FORCE_UNCERTAINTY[name] == float(row["expanded_unc_of_force_pct_pm"])
        assert MIN_STEPS[name] == int(row["min_force_in_resolutions"])


def test_constructed_example() -> None:
    """Constructed numbers, not published: X1 … X6' of one force."""
    e = iso_errors([2.0001], [2.0003], [[2.0007], [1.9995]],
                   ([[2.0013], [2.0003]], [[2.0007], [1.9995]]))  # fmt: skip
    assert e.mean_rotated == pytest.approx([2.0001])
    assert e.b == pytest.approx([0.05999700014999699])
    assert e.b_prime == pytest.approx([0.009999000099988898])
    assert e.v == pytest.approx([0.034999753087171376])


def test_a_good_cell_is_class_00() -> None:
    part = first(class_csv(), reference_U_pct=0.005)
    figure = part.figure("iso376_class")
    assert figure.value == "00"
    assert figure.reason == "class 00, tension, 50 to 500 kN, incremental and decremental"
    assert {c["state"] for c in figure.detail["conditions"]} == {"held"}
    assert all("from memory" in c["clause"] for c in figure.detail["conditions"])
    assert "from memory" in figure.source
    assert figure.detail["low_kN"] == 50.0
    assert figure.detail["high_kN"] == 500.0


@pytest.mark.parametrize(
    ("made", "expected", "decided"),
    [
        # Reproducibility over three positions 0, +x, -x is 2x: 0.06 % needs class 0.5.
        ({"rotation": (0.0, 0.0003, -0.0003)}, "0.5", "reproducibility b"),
        ({"rotation": (0.0, 0.0007, -0.0007)}, "1", "reproducibility b"),
        ({"rotation": (0.0, 0.0015, -0.0015)}, "2", "reproducibility b"),
        ({"rotation": (0.0, 0.0030, -0.0030)}, "none", "reproducibility b"),
        ({"loop": 0.0012}, "0.5", "reversibility v"),
        ({"loop": 0.0040}, "2", "reversibility v"),
        # 4 000 000 counts at capacity: 3000 counts are 0.075 %.
        ({"zero_shift": 800.0}, "0.5", "zero f_0"),
        ({"zero_shift": 3000.0}, "2", "zero f_0"),
    ],
)  # fmt: skip
def test_the_class_and_what_decided_it(
    made: dict[str, object], expected: str, decided: str
) -> None:
    figure = first(class_csv(**made)).figure("iso376_class")
    assert figure.value == expected
    assert decided in figure.reason
    assert decided in figure.detail["decided_by"]


def test_the_reference_limits_the_class() -> None:
    figure = first(class_csv(), reference_U_pct=0.04).figure("iso376_class")
    assert figure.value == "1"
    assert "uncertainty of the applied force" in figure.reason


def test_resolution_limits_the_class() -> None:
    # 400 000 counts at the lowest force; 400 000 / 300 steps falls short of 2000.
    figure = first(class_csv(), resolution=300.0).figure("iso376_class")
    assert figure.value == "1"
    assert "resolution r" in figure.reason


def test_a_better_class_over_part_of_the_range_is_in_the_detail() -> None:
    text = class_csv(noise=60.0, seed=5)
    figure = first(text).figure("iso376_class")
    classes = figure.detail["classes"]
    assert classes["2"]["low_kN"] <= classes["1"]["low_kN"]


@pytest.mark.parametrize(
    ("text", "words"),
    [
        (three_runs_csv(), "positions of the runs are not stated"),
        ("\n".join(line for line in class_csv().splitlines() if not line.startswith("X2")),
         "no two rising series at the same position"),
        ("\n".join(line for line in class_csv().splitlines() if not line.startswith("X5")),
         "1 rotated position(s)"),
        ("\n".join(line for line in class_csv().splitlines() if "down" not in line
                   or line.split(",")[3] == "0"), "neither falling series"),
        ("\n".join(line for line in class_csv().splitlines() if ",0,up,0," not in line
                   and line.split(",")[3] != "0"), "zeros: 8 of 8 not read"),
    ],
)  # fmt: skip
def test_not_assessed_and_why(text: str, words: str) -> None:
    figure = first(text).figure("iso376_class")
    assert figure.value is None
    assert figure.reason.startswith("not assessed: ")
    assert words in figure.reason


def test_repeatability_alone_is_given_without_rotation() -> None:
    kept = [line for line in class_csv(noise=30.0).splitlines() if line[:2] not in ("X3", "X5")]
    part = first("\n".join(kept))
    assert isinstance(part.figure("repeatability").value, float)
    assert part.figure("reproducibility").value is None


def test_compression_is_figured_alike() -> None:
    up, down = first(class_csv(noise=40.0)), first(class_csv(noise=40.0, sign=-1.0))
    assert down.name == "compression"
    for name in ("repeatability", "reproducibility", "reversibility"):
        one, other = up.figure(name).value, down.figure(name).value
        assert isinstance(one, float)
        assert isinstance(other, float)
        assert other == pytest.approx(one, rel=0.5)

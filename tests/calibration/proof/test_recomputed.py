"""Whether figures follow from the readings beside them: told by edition, in words."""

from __future__ import annotations

import copy
from collections.abc import Callable
from typing import Any

import pytest

from calibration.certificates.certificate import (
    CertificateError,
    dump_certificate,
    parse_document,
)
from calibration.certificates.wheel import WheelCertificate, combined_u_m, from_tape
from calibration.evaluation.issue import EDITION
from calibration.proof.recomputed import Outcome, edition_of, recompute
from tests.calibration.bench_tables import iso_csv
from tests.calibration.made_certificates import made, simple

STATED = {"reference_U_pct": 0.02, "capacity_kN": 500.0, "certificate_id": "F-1"}
OURS = "testcar 1"


def document(**stated: object) -> dict[str, Any]:
    text = iso_csv(noise=40.0, loop=2e-4, bend=0.5)
    found = parse_document(dump_certificate(made(text, **{**STATED, **stated})))
    found["software"] = OURS
    return found


def other_edition(edition: int, held: dict[str, Any] | None = None) -> dict[str, Any]:
    found = copy.deepcopy(document() if held is None else held)
    found["details"]["evaluation"] = edition
    return found


def test_a_sound_certificate_follows_from_its_readings() -> None:
    found = recompute(document(), software=OURS)
    assert found.outcome is Outcome.FOLLOWS
    assert found.words == "its readings give curve and uncertainty again"


def test_a_coefficient_raised_by_a_twentieth_is_contradicted() -> None:
    held = document()
    held["curve"]["tension"][1] *= 1.05
    for software in (OURS, "testcar 2"):
        found = recompute(held, software=software)
        assert found.outcome is Outcome.CONTRADICTED
        assert "curve.tension[1]" in found.found[0]
        assert "\n" not in found.words


def test_an_uncertainty_made_smaller_is_contradicted() -> None:
    held = document()
    held["uncertainty"]["standard_kN"][7] *= 1.0 - 3e-9
    assert recompute(held, software=OURS).outcome is Outcome.CONTRADICTED


def test_rounding_behind_the_figures_and_words_of_another_version_are_let_be() -> None:
    held = document()
    held["details"]["results"]["residual_sd"] *= 1.0 + 1e-8
    assert recompute(held, software=OURS).outcome is Outcome.FOLLOWS
    held["details"]["results"]["residual_sd"] *= 1.01
    assert recompute(held, software=OURS).outcome is Outcome.CONTRADICTED
    held = document()
    held["details"]["cautions"][0] = "worded otherwise"
    assert recompute(held, software=OURS).outcome is Outcome.CONTRADICTED
    assert recompute(held, software="testcar 2").outcome is Outcome.FOLLOWS


@pytest.mark.parametrize(("edition", "age"), [(1, "an older"), (EDITION + 7, "a newer")])
def test_another_edition_is_told_and_held_to_the_smaller_uncertainty(
    edition: int, age: str
) -> None:
    held = other_edition(edition)
    # The figures behind are by other rules: they are not compared.
    held["details"]["results"] = {}
    found = recompute(held, software=OURS)
    assert found.outcome is Outcome.OTHER_EDITION
    assert f"{age} edition ({edition})" in found.words
    # What it states of itself makes no room for another curve.
    u_rel = held["uncertainty"]["standard_kN"][-1] * 2.0 / 500.0
    table = held["uncertainty"]
    table["standard_kN"] = [40.0 * u for u in table["standard_kN"]]
    held["curve"]["tension"][1] *= 1.0 + 0.5 * u_rel
    assert recompute(held, software=OURS).outcome is Outcome.OTHER_EDITION
    held["curve"]["tension"][1] *= 1.0 + 2.0 * u_rel
    found = recompute(held, software=OURS)
    assert found.outcome is Outcome.CONTRADICTED
    assert "beyond this edition's uncertainty" in found.words


def test_a_newer_edition_is_not_judged_like_an_older_one() -> None:
    found = recompute(other_edition(EDITION + 1), software=OURS)
    assert "which this program (of edition 2) cannot check" in found.words
    assert "issued again" not in found.words
    assert "have it issued again" in recompute(other_edition(1), software=OURS).words


@pytest.mark.parametrize("share", [0.0, 1e-3])
def test_no_edition_is_more_certain_than_its_reference_standard(share: float) -> None:
    held = other_edition(1)
    table = held["uncertainty"]
    table["standard_kN"] = [share * u for u in table["standard_kN"]]
    found = recompute(held, software=OURS)
    assert found.outcome is Outcome.CONTRADICTED
    assert "its reference standard alone adds" in found.words


def test_what_this_edition_would_issue_none_over_is_held_to_it_all_the_same() -> None:
    held = other_edition(1)
    held["details"]["settings"]["reference_U_pct"] = None
    found = recompute(held, software=OURS)
    assert found.outcome is Outcome.OTHER_EDITION
    assert "would issue none" in found.words
    held["curve"]["tension"][1] *= 1.05
    table = held["uncertainty"]
    table["standard_kN"] = [40.0 * u for u in table["standard_kN"]]
    assert recompute(held, software=OURS).outcome is Outcome.CONTRADICTED


@pytest.mark.parametrize("edition", [1, EDITION])
@pytest.mark.parametrize(("column", "value"), [("superseded", True), ("kind", "preload")])
def test_readings_of_which_none_is_used_are_refused_not_raised(
    edition: int, column: str, value: object
) -> None:
    held = other_edition(edition)
    readings = held["details"]["readings"]
    readings[column] = [value] * len(readings["applied"])
    found = recompute(held, software=OURS)
    assert found.outcome is Outcome.CONTRADICTED
    assert "readings" in found.words


@pytest.mark.parametrize(
    ("key", "value"),
    [
        ("certificate_id", "F-2"),
        ("expires", "2030-05-04"),
        ("expires", None),
        ("capacity_kN", 600.0),
        ("range_kN", [0.0, 900.0]),
        ("issued", "2026-05-03"),
        ("rails", [-(10**12), 10**12]),
        ("zero_limit_counts", 1e9),
        ("nominal_zero_counts", 500000.0),
    ],
)
def test_of_another_edition_too_identity_and_range_are_held_to_the_settings(
    key: str, value: object
) -> None:
    held = other_edition(EDITION + 1)
    assert recompute(held, software=OURS).outcome is Outcome.OTHER_EDITION
    held[key] = value
    found = recompute(held, software=OURS)
    assert found.outcome is Outcome.CONTRADICTED
    assert key in found.words


@pytest.mark.parametrize("edition", [1, EDITION, EDITION + 1])
def test_readings_of_which_nothing_comes_are_refused(edition: int) -> None:
    for damaged in ({"applied": [1.0]}, {}, [1.0], 5):
        held = other_edition(edition)
        held["details"]["readings"] = damaged
        assert recompute(held, software=OURS).outcome is Outcome.CONTRADICTED
    held = other_edition(edition)
    held["details"]["settings"]["unheard_of"] = 1
    assert recompute(held, software=OURS).outcome is Outcome.CONTRADICTED


def test_what_holds_no_readings_is_not_provable() -> None:
    found = recompute(parse_document(dump_certificate(simple())), software=OURS)
    assert found.outcome is Outcome.NOT_PROVABLE
    assert "holds no readings" in found.words


def wheel(readings_m: list[float]) -> dict[str, Any]:
    girth_m, parts = from_tape(readings_m, u_tape_m=5e-4)
    made_of = WheelCertificate(
        certificate_id="W-1", issued=made().issued, expires=None, wheel="left",
        circumference_m=girth_m, u_circumference_m=combined_u_m(parts),
        pulses_per_revolution=60, method="tape", parts=parts,
        details={f"reading_{i}_m": x for i, x in enumerate(readings_m, 1)}, serial="W7",
    )  # fmt: skip
    return parse_document(dump_certificate(made_of))


def test_a_wheel_follows_from_what_was_measured() -> None:
    held = wheel([2.87, 2.871])
    assert recompute(held, software=OURS).outcome is Outcome.FOLLOWS
    held["circumference_m"] *= 1.01
    assert recompute(held, software=OURS).outcome is Outcome.CONTRADICTED


@pytest.mark.parametrize("edition", [0, -1, 1.5, True, "2", None])
def test_an_edition_is_a_whole_number(edition: object) -> None:
    held = document()
    held["details"]["evaluation"] = edition
    with pytest.raises(CertificateError, match="evaluation must be a whole number"):
        edition_of(held)
    assert recompute(held, software=OURS).outcome is Outcome.CONTRADICTED


def test_what_no_press_pushes_is_refused_not_raised() -> None:
    for column in ("applied", "reading", "time_s"):
        held = document()
        held["details"]["readings"][column][3] = 1e300
        found = recompute(held, software=OURS)
        assert found.outcome is Outcome.CONTRADICTED
        assert "no reading" in found.words


def test_a_capacity_far_above_every_force_is_evaluated() -> None:
    """All forces then lie below the lowest of any class; the certificate is no less provable."""
    held = document(capacity_kN=50_000.0)
    assert recompute(held, software=OURS).outcome is Outcome.FOLLOWS


def test_what_another_version_keeps_beside_the_figures_is_let_be() -> None:
    """A setting or a column that came later does not undo certificates of before."""
    held = document()
    del held["details"]["settings"]["remarks"]
    held["details"]["readings"]["later"] = [1.0]
    assert recompute(held, software="testcar 2").outcome is Outcome.FOLLOWS
    assert recompute(held, software=OURS).outcome is Outcome.CONTRADICTED


@pytest.mark.parametrize(("power", "value"), [(2, 9e-13), (3, 9e-20)])
def test_a_small_coefficient_that_moves_kilonewtons_is_contradicted(
    power: int, value: float
) -> None:
    """Per count to a power it is tiny; at four million counts it is a twentieth of the force."""
    held = document()
    curve = held["curve"]["tension"]
    curve += [0.0] * (power + 1 - len(curve))
    curve[power] += value
    found = recompute(held, software=OURS)
    assert found.outcome is Outcome.CONTRADICTED
    assert "curve.tension" in found.words
    # What is rounded otherwise on another machine moves nothing.
    held = document()
    held["curve"]["tension"][-1] *= 1.0 + 1e-12
    assert recompute(held, software=OURS).outcome is Outcome.FOLLOWS


def classed() -> dict[str, Any]:
    """Issued by another version of the same edition, without a class, and why."""
    found = document()
    found["software"] = "testcar 0"
    assert found["details"]["results"]["figures"]["iso376_class"]["value"] is None
    assert found["details"]["results"]["cautions"]
    return found


def raised_class(held: dict[str, Any]) -> None:
    for results in (
        held["details"]["results"],
        *held["details"]["results"]["by_sense"].values(),
    ):
        results["figures"]["iso376_class"]["value"] = "00"


def wider_class(held: dict[str, Any]) -> None:
    figure = held["details"]["results"]["figures"]["iso376_class"]
    figure["reason"] = "class 00 from 5 to 500 kN"


def forgotten_conditions(held: dict[str, Any]) -> None:
    del held["details"]["results"]["figures"]["iso376_class"]["detail"]["conditions"]


def nothing_cautioned(held: dict[str, Any]) -> None:
    held["details"]["results"]["cautions"] = []


def cautioned_otherwise(held: dict[str, Any]) -> None:
    held["details"]["results"]["cautions"][0] = "all is well"


def no_cautions(held: dict[str, Any]) -> None:
    del held["details"]["results"]["cautions"]


def no_safety(held: dict[str, Any]) -> None:
    held["details"]["cautions"] = []


def invented(held: dict[str, Any]) -> None:
    held["details"]["statement"] = "accredited"


def invented_figure(held: dict[str, Any]) -> None:
    figures = held["details"]["results"]["figures"]
    figures["iso376_class_compression"] = {"value": "00"}


@pytest.mark.parametrize(
    ("change", "where"),
    [
        (raised_class, "figures.iso376_class.value"),
        (wider_class, "iso376_class.reason"),
        (forgotten_conditions, "detail.conditions"),
        (nothing_cautioned, "results.cautions"),
        (cautioned_otherwise, "results.cautions[0]"),
        (no_cautions, "results.cautions"),
        (no_safety, "details.cautions"),
        (invented, "details.statement"),
        (invented_figure, "iso376_class_compression"),
    ],
)
def test_a_class_and_what_is_cautioned_of_are_held_whatever_software_is_named(
    change: Callable[[dict[str, Any]], None], where: str
) -> None:
    held = classed()
    change(held)
    found = recompute(held, software=OURS)
    assert found.outcome is Outcome.CONTRADICTED
    assert any(where in line for line in found.found)


def test_where_another_version_finds_its_figures_it_may_say_in_its_own_words() -> None:
    held = classed()
    for results in (
        held["details"]["results"],
        *held["details"]["results"]["by_sense"].values(),
    ):
        results["figures"]["iso376_class"]["source"] = "worded otherwise"
        # Worked out by no version before.
        del results["figures"]["replication_sd"]
    assert recompute(held, software=OURS).outcome is Outcome.FOLLOWS

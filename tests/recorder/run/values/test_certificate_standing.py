"""How a certificate of a run stands, from what the run alone holds."""

from __future__ import annotations

from dataclasses import replace
from typing import Any

import pytest

from calibration.certificates.certificate import dump_certificate
from recorder.run.parts.header import RunHeader
from recorder.run.values.certificate_standing import Asked, Standing, standings_of, told
from tests.calibration.made_certificates import simple
from tests.recorder.signed_runs import LAB, NAME, OTHER, raised, signed_header

GOOD = dict.fromkeys(Asked, Standing.GOOD)


def answers(of: RunHeader) -> dict[Asked, Standing]:
    return {finding.asked: finding.standing for finding in standings_of(of)[NAME]}


def test_a_run_alone_shows_whose_its_certificate_is_and_who_signed_it() -> None:
    of = signed_header()
    assert answers(of) == GOOD
    words = "; ".join(finding.words for finding in standings_of(of)[NAME])
    assert "of serial '4711', as the car sheet names" in words
    assert "its readings give curve and uncertainty again" in words
    assert f"signed by {LAB}, key sha256:" in words
    # What comes from the file again is the same.
    assert answers(RunHeader.from_json(of.to_json())) == GOOD


def test_the_answers_come_in_one_order_and_readings_can_be_left_out() -> None:
    found = standings_of(signed_header(), readings=False)[NAME]
    assert [finding.asked for finding in found] == [Asked.SERIAL, Asked.SIGNATURE]
    assert [f.asked for f in standings_of(signed_header())[NAME]] == list(Asked)


@pytest.mark.parametrize(
    ("made_so", "asked", "standing"),
    [
        ({"named": "4712"}, Asked.SERIAL, Standing.REFUSED),
        ({"named": ""}, Asked.SERIAL, Standing.DOUBT),
        ({"serial": ""}, Asked.SERIAL, Standing.DOUBT),
        ({"before": raised}, Asked.READINGS, Standing.REFUSED),
        ({"signed_by": None}, Asked.SIGNATURE, Standing.DOUBT),
        ({"signed_by": OTHER}, Asked.SIGNATURE, Standing.REFUSED),
        ({"trusted": False}, Asked.SIGNATURE, Standing.NOT_ASKED),
    ],
)
def test_each_is_asked_by_itself(
    made_so: dict[str, Any], asked: Asked, standing: Standing
) -> None:
    of = signed_header(**made_so)
    assert answers(of) == {**GOOD, asked: standing}
    expected = [words for words in told(standings_of(of), standing) if NAME in words]
    assert len(expected) == 1
    assert "\n" not in expected[0]


def test_changed_after_signing_both_find_it() -> None:
    found = answers(signed_header(after=raised))
    assert found[Asked.READINGS] is found[Asked.SIGNATURE] is Standing.REFUSED


def test_a_stated_fact_changed_after_signing_is_found_by_the_signature_alone() -> None:
    def by_another(document: dict[str, Any]) -> None:
        document["details"]["settings"]["operator"] = "somebody else"

    assert answers(signed_header(after=by_another)) == {
        **GOOD,
        Asked.SIGNATURE: Standing.REFUSED,
    }


def test_a_certificate_that_does_not_read_is_refused_as_a_whole() -> None:
    of = replace(signed_header(), certificates={NAME: "nonsense"})
    (finding,) = standings_of(of)[NAME]
    assert finding.standing is Standing.REFUSED


def test_runs_of_before_have_nothing_to_ask_by_and_say_so() -> None:
    bare = signed_header(named="", trusted=False)
    found = standings_of(replace(bare, certificates={NAME: dump_certificate(simple())}))[NAME]
    assert [finding.standing for finding in found] == [
        Standing.NOT_ASKED,
        Standing.DOUBT,
        Standing.NOT_ASKED,
    ]
    assert [finding.words for finding in found] == [
        "no serial number stands in it or in the car sheet",
        "not provable: it holds no readings, so nothing shows that its figures follow",
        "not signed, and no laboratory's key is named in the car sheet",
    ]

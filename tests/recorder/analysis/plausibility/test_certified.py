"""A certificate that contradicts itself, its signature or the car sheet stops the verdict."""

from __future__ import annotations

from dataclasses import replace
from pathlib import Path
from typing import Any

import pytest

from recorder.analysis.campaign.loading import load_runs
from recorder.analysis.plausibility.doubt import Checked, CheckState, DoubtKind
from tests.recorder.made_runs import header, load_cell
from tests.recorder.signed_runs import OTHER, raised, signed_header, signed_run


def check_of(path: Path) -> Checked:
    (run,) = load_runs([path])
    (found,) = [c for c in run.checks if c.name == "certificates"]
    return found


@pytest.mark.slow
@pytest.mark.parametrize("made_so", [{}, {"signed_by": None}, {"serial": ""}])
def test_sound_and_doubtful_ones_stop_nothing(tmp_path: Path, made_so: dict[str, Any]) -> None:
    found = check_of(signed_run(tmp_path / "run.h5", signed_header(**made_so)))
    assert found.state is CheckState.PASSED
    assert found.outcome == "1 certificate, none contradicted"


@pytest.mark.slow
@pytest.mark.parametrize(
    ("made_so", "words"),
    [
        ({"named": "4712"}, "it is of serial '4711', the car sheet names '4712'"),
        ({"before": raised}, "its own readings do not give it"),
        ({"signed_by": OTHER}, "not trusted"),
    ],
)
def test_one_that_is_refused_stops_the_verdict(
    tmp_path: Path, made_so: dict[str, Any], words: str
) -> None:
    found = check_of(signed_run(tmp_path / "run.h5", signed_header(**made_so)))
    assert found.doubt is not None
    assert found.doubt.kind is DoubtKind.CERTIFICATE
    assert found.doubt.stands
    assert words in found.doubt.text
    assert "\n" not in found.doubt.text


@pytest.mark.slow
def test_without_a_certificate_nothing_is_checked(tmp_path: Path) -> None:
    bare = header(load_cell())
    cell = bare.devices[0]
    channels = tuple(replace(c, certificate="", unit="counts") for c in cell.channels)
    of = replace(bare, certificates={}, devices=(replace(cell, channels=channels),))
    assert check_of(signed_run(tmp_path / "run.h5", of)).state is CheckState.NOT_CHECKED

"""A zero asked of a train that pulls: refused, forced, withdrawn, on real ports."""

from __future__ import annotations

import json
from dataclasses import dataclass
from pathlib import Path

import numpy as np
import pytest

from calibration.certificates.force import ForceCertificate
from calibration.field.zero_guards import GuardAnswer, GuardKind
from recorder.acquisition.process.launch import start_recording
from recorder.run.checks.shunt_check import ShuntCheck, ShuntStep
from recorder.run.checks.zero_line import Zero, ZeroTime
from recorder.run_file.hdf5.reader import open_run
from recorder.run_file.seal.verify import verify_run
from simulated_feeds.serving.serving import start_feed
from tests.end_to_end.conftest import command
from tests.recorder.listener import Listener

pytestmark = pytest.mark.slow

PULLING_S = 16.0
"""The train of the feed starts eight seconds after the ports were opened."""


@dataclass(frozen=True)
class Ridden:
    """What the crew asked for, and was answered."""

    path: Path
    before: Zero
    refused: Zero
    forced: Zero
    shunt: ShuntCheck


@pytest.fixture(scope="module")
def ridden(tmp_path_factory: pytest.TempPathFactory) -> Ridden:
    """Under way: a zero, one forced and withdrawn again, and a shunt reading."""
    folder, listener = tmp_path_factory.mktemp("ridden"), Listener()
    out = folder / "run.h5"
    with start_feed(folder / "feed", seed=5, seconds=120.0) as feed:
        sheets = feed.sheets["car"], feed.sheets["trip"]
        with start_recording(*sheets, out, report=listener) as recording:
            session = recording.session
            listener.status(lambda status: status.t_s > PULLING_S)
            (before,) = session.status().zeros
            (refused,) = session.take_zero(1.0)
            assert session.status().zeros[0].t_s == before.t_s
            (forced,) = session.take_zero(1.0, force="it is a test", by="observer 1")
            assert session.status().zeros[0].t_s == forced.t_s
            told = command(
                "check", "zero", "--session", out, "--withdraw", "the train pulled", "--json"
            )
            assert told.returncode == 0, told.stderr
            assert session.status().zeros[0].t_s == before.t_s
            shunt = session.shunt_check(ShuntStep.OPEN, 0.5, channel=before.channel)
            assert recording.stop() == 0
    return Ridden(out, before, refused, forced, shunt)


def test_wheel_and_receiver_refuse_it_and_the_zero_at_rest_they_pass(ridden: Ridden) -> None:
    assert ridden.before.stood is GuardAnswer.PASSED
    assert not ridden.refused.accepted
    said = {guard.kind: guard.answer for guard in ridden.refused.guards}
    assert said[GuardKind.WHEEL] is said[GuardKind.RECEIVER] is GuardAnswer.REFUSED
    assert "SHOWS NOTHING, THE TRAIN MOVED" in ridden.shunt.text


def test_no_force_moves_by_a_zero_taken_under_way(ridden: Ridden) -> None:
    with open_run(ridden.path) as run:
        zeros = run.zeros()
        assert [zero.when for zero in zeros] == [
            ZeroTime.BEFORE,
            ZeroTime.DURING,
            ZeroTime.DURING,
        ]
        assert [zero.holds for zero in zeros] == [True, False, False]
        assert (zeros[2].forced, zeros[2].withdrawn) == ("it is a test", "the train pulled")
        channel = run.channels[ridden.before.channel]
        certificate = run.certificates[channel.certificate]
        assert isinstance(certificate, ForceCertificate)
        pull = channel.values()
        zero_counts = ridden.before.counts
        assert pull == pytest.approx(
            certificate.to_force(channel.counts(), zero_counts=zero_counts), abs=1e-3
        )
        assert np.max(pull) > 50.0
        # What it would have moved, and what is said of how sure it was.
        slope = certificate.tension.coefficients[1]
        off_kN = (ridden.forced.counts - zero_counts) * slope
        assert off_kN > 50.0
        assert ridden.forced.u_counts * abs(slope) > off_kN / 3.0**0.5


def test_the_run_is_sound_and_tells_every_zero(ridden: Ridden) -> None:
    assert verify_run(ridden.path) == []
    listed = json.loads(command("zeros", ridden.path, "--json").stdout)["zeros"]
    assert [zero["state"] for zero in listed] == ["accepted", "REFUSED", "WITHDRAWN"]

"""The readings of the computer's clocks against where the header begins run time."""

from __future__ import annotations

from dataclasses import replace
from pathlib import Path
from typing import Any

import pytest

from recorder.run.parts.event import Event, EventKind
from recorder.run_file.proof.kept.header import prove_header
from recorder.run_file.proof.parts.held import open_held
from recorder.run_file.proof.parts.proof import Proof, State
from tests.recorder.run_file.proof.honest_run import honest_run, sealed_as


def proof_with(path: Path, *readings: tuple[float, Any]) -> Proof:
    """Of a run with readings of the monotonic clock at some run times."""
    run = honest_run()
    anchors = [
        Event(kind=EventKind.CLOCK_ANCHOR, t_s=t_s, data={"monotonic_ns": ns})
        for t_s, ns in readings
    ]
    with open_held(sealed_as(replace(run, events=[*anchors, *run.events]), path)) as held:
        (proof,) = prove_header(held, lambda _: None)
    return proof


def test_only_readings_that_read_are_counted(tmp_path: Path) -> None:
    start_ns = honest_run().header.clock.start_ns
    second = (1.0, start_ns + 10**9)
    proof = proof_with(tmp_path / "some.h5", second, (2.0, None), (3.0, "later"))
    assert proof.state is State.PROVED
    assert proof.words.endswith("and with 1 reading of the computer's clocks")
    proof = proof_with(tmp_path / "none.h5", (2.0, None))
    assert "reading" not in proof.words


@pytest.mark.parametrize("away_s", [-6.0, 6.0])
def test_clocks_read_at_another_time_contradict_it(tmp_path: Path, away_s: float) -> None:
    start_ns = honest_run().header.clock.start_ns
    read_ns = start_ns + round((2.0 + away_s) * 1e9)
    proof = proof_with(tmp_path / "run.h5", (1.0, start_ns + 10**9), (2.0, read_ns))
    assert proof.state is State.CONTRADICTED
    assert f"the clocks read at 2.0 s lie {2.0 + away_s:.1f} s after" in proof.words

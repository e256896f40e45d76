"""Numbers of records against blocks, the status kept live, and the stop."""

from __future__ import annotations

from dataclasses import replace
from pathlib import Path

import pytest

from recorder.run.parts.event import Event
from recorder.run.parts.gap import Cause, Gap
from recorder.run_file.proof.parts.held import open_held
from recorder.run_file.proof.parts.proof import Proof, State
from recorder.run_file.proof.records.counts import prove_records
from tests.recorder.made_runs import MadeRun, header, wheel, wheel_blocks
from tests.recorder.run_file.proof.honest_run import sealed_as


def proof_of(path: Path, *events: Event | Gap, blocks: int = 120, first: int = 0) -> Proof:
    """A wheel of 100 records a second, from block ``first`` on."""
    held = [
        replace(block, sequence=i + first) for i, block in enumerate(wheel_blocks(6.0)[:blocks])
    ]
    run = MadeRun(header=header(wheel()), blocks=held, events=list(events))
    with open_held(sealed_as(run, path / "run.h5")) as opened:
        (proof,) = prove_records(opened, lambda _part: None)
    return proof


def stop(t_s: float, records: int) -> Event:
    return Event(kind="stop", t_s=t_s, data={"records": {"wheel": records}})


def status(t_s: float, records: int, gaps: int = 0) -> Event:
    device = {"records": records, "gaps": gaps}
    return Event(kind="health", t_s=t_s, data={"devices": {"wheel": device}})


def gap(cause: Cause, lost: int, before: int) -> Gap:
    return Gap(
        device="wheel", t_start_s=1.0, t_end_s=1.0, cause=cause, lost_records=lost,
        before_record=before,
    )  # fmt: skip


def test_what_the_recording_counted_is_there(tmp_path: Path) -> None:
    proof = proof_of(tmp_path, status(3.0, 300), stop(6.2, 600))
    assert proof.state is State.PROVED, proof.words


def test_without_any_count_nothing_is_proved(tmp_path: Path) -> None:
    assert proof_of(tmp_path).state is State.NOT_PROVED


@pytest.mark.parametrize(
    ("events", "said"),
    [
        ((stop(6.2, 601),), "at the stop 601 records had come; the file holds 600"),
        ((status(3.0, 590), stop(6.2, 600)), "the status at 3.0 s counted 590 records"),
        ((status(3.0, 300, gaps=2), stop(6.2, 600)), "counted 2 gaps, the file tells of 0"),
        ((stop(60.0, 600),), "s before the stop, and no gap tells why"),
    ],
)
def test_what_was_counted_otherwise_is_told(
    tmp_path: Path, events: tuple[Event, ...], said: str
) -> None:
    proof = proof_of(tmp_path, *events)
    assert proof.state is State.CONTRADICTED
    assert said in proof.words


def test_what_was_lost_on_the_computers_side_had_been_counted(tmp_path: Path) -> None:
    lost = gap(Cause.RING_OVERRUN, 25, 0)
    assert proof_of(tmp_path, lost, stop(6.2, 625), status(6.0, 625)).state is State.PROVED


def test_a_silence_to_the_stop_has_its_gap(tmp_path: Path) -> None:
    dead = gap(Cause.LINK_LOST, 0, 600)
    assert proof_of(tmp_path, dead, stop(60.0, 600)).state is State.PROVED


def test_a_block_that_is_missing_is_told(tmp_path: Path) -> None:
    blocks = wheel_blocks(6.0)
    held = [replace(b, sequence=i + (i >= 50)) for i, b in enumerate(blocks)]
    cases: tuple[tuple[list[Event | Gap], State], ...] = (
        ([stop(6.2, 600)], State.CONTRADICTED),
        ([stop(6.2, 605), gap(Cause.RING_OVERRUN, 5, 250)], State.PROVED),
    )
    for events, state in cases:
        run = MadeRun(header=header(wheel()), blocks=held, events=events)
        with open_held(sealed_as(run, tmp_path / f"{state}.h5")) as opened:
            (proof,) = prove_records(opened, lambda _part: None)
        assert proof.state is state, proof.words

"""Holes and the gaps that tell of them: losses of every size, at every place."""

from __future__ import annotations

from dataclasses import replace
from pathlib import Path

import numpy as np
import pytest
from hypothesis import given, settings
from hypothesis import strategies as st

from recorder.run.parts.block import Block
from recorder.run.parts.gap import Cause, Gap
from recorder.run_file.proof.parts.held import open_held
from recorder.run_file.proof.parts.proof import Proof, State
from recorder.run_file.proof.records.gaps import prove_gaps
from tests.recorder.made_runs import MadeRun, gnss, gnss_blocks, header, wheel, wheel_blocks
from tests.recorder.run_file.proof.honest_run import sealed_as

BLOCK = 5
"""Records of the wheel in a block."""


def proof_of(path: Path, run: MadeRun) -> Proof:
    with open_held(sealed_as(run, path)) as held:
        (proof,) = prove_gaps(held, lambda _part: None)
    return proof


def wheel_run(blocks: list[Block], *gaps: Gap) -> MadeRun:
    numbered = [replace(block, sequence=i) for i, block in enumerate(blocks)]
    return MadeRun(header=header(wheel()), blocks=numbered, events=list(gaps))


def gap(lost: int, before: int, cause: Cause = Cause.LOST_FRAMES) -> Gap:
    return Gap(
        device="wheel", t_start_s=1.0, t_end_s=1.0, cause=cause, lost_records=lost,
        before_record=before,
    )  # fmt: skip


@pytest.mark.slow
@settings(max_examples=12, deadline=None)
@given(data=st.data())
def test_any_losses_prove_with_their_gaps_and_not_without_one_of_them(
    tmp_path_factory: pytest.TempPathFactory, data: st.DataObject
) -> None:
    """Also losses of a whole turn of the sequence, which only the ticks show."""
    blocks = wheel_blocks(20.0)
    sizes = data.draw(st.lists(st.sampled_from([1, 2, 7, 51, 52]), min_size=1, max_size=3))
    kept, gaps, at = list(blocks[:5]), [], 5
    for size in sizes:
        at += size
        gaps.append(gap(size * BLOCK, len(kept) * BLOCK))
        kept += blocks[at : at + 9]
        at += 9
    kept += blocks[at:]
    folder = tmp_path_factory.mktemp("gaps")
    proof = proof_of(folder / "whole.h5", wheel_run(kept, *gaps))
    assert proof.state is State.PROVED, proof.words
    gone = data.draw(st.integers(0, len(gaps) - 1))
    rest = [g for i, g in enumerate(gaps) if i != gone]
    proof = proof_of(folder / "less.h5", wheel_run(kept, *rest))
    assert proof.state is State.CONTRADICTED
    assert f"before record {gaps[gone].before_record:,}: " in proof.words
    assert "no gap tells of it" in proof.words
    wrong = [replace(g, lost_records=g.lost_records + BLOCK) for g in gaps]
    proof = proof_of(folder / "more.h5", wheel_run(kept, *wrong))
    assert proof.state is State.CONTRADICTED
    assert "told lost (lost frames)" in proof.words


def test_a_gap_without_a_hole_is_told(tmp_path: Path) -> None:
    proof = proof_of(tmp_path / "run.h5", wheel_run(wheel_blocks(3.0), gap(10, 100)))
    assert proof.state is State.CONTRADICTED
    assert "they go on without a hole" in proof.words


def test_a_loss_of_unknown_number_covers_any_hole(tmp_path: Path) -> None:
    blocks = wheel_blocks(6.0)
    run = wheel_run([*blocks[:20], *blocks[37:]], gap(0, 100, Cause.LINK_LOST))
    assert proof_of(tmp_path / "run.h5", run).state is State.PROVED


def test_refused_frames_are_counted_twice_and_missing_once(tmp_path: Path) -> None:
    """As they come, and when the next good frame shows by its number what is missing."""
    blocks = wheel_blocks(6.0)
    both = (gap(10, 100, Cause.REFUSED), gap(10, 100))
    run = wheel_run([*blocks[:20], *blocks[22:]], *both)
    assert proof_of(tmp_path / "run.h5", run).state is State.PROVED


def test_nothing_is_reckoned_across_a_restart(tmp_path: Path) -> None:
    blocks = wheel_blocks(6.0)
    again = []
    for block in wheel_blocks(3.0):
        records = block.records.copy()
        records["sequence"] += np.uint8(99)
        line = replace(block.line, t0_s=block.line.t0_s + 6.0)
        late_s = block.received_s + 6.0
        again.append(replace(block, records=records, line=line, received_s=late_s))
    run = wheel_run([*blocks, *again], gap(0, len(blocks) * BLOCK, Cause.COUNTER_RESTARTED))
    assert proof_of(tmp_path / "told.h5", run).state is State.PROVED
    proof = proof_of(tmp_path / "untold.h5", wheel_run([*blocks, *again]))
    assert proof.state is State.CONTRADICTED
    assert "its ticks do not go on" in proof.words


def test_an_uneven_clock_is_held_to_its_sequence_alone(tmp_path: Path) -> None:
    rng = np.random.default_rng(1)
    blocks = []
    for block in wheel_blocks(6.0):
        records = block.records.copy()
        records["tick"] += rng.integers(0, 9_000, len(records)).astype(np.uint64)
        records["tick"] = np.sort(records["tick"] * np.uint64(3))
        blocks.append(replace(block, records=records))
    proof = proof_of(tmp_path / "run.h5", wheel_run(blocks))
    assert proof.state is State.PROVED
    assert "every hole in sequence has its gap" in proof.words


def test_sentences_of_one_read_have_one_tick(tmp_path: Path) -> None:
    blocks = []
    for block in gnss_blocks(8.0):
        both = np.concatenate([block.records, block.records])
        blocks.append(replace(block, records=both))
    run = MadeRun(header=header(gnss()), blocks=blocks)
    assert proof_of(tmp_path / "run.h5", run).state is State.NOT_PROVED
    blocks[4], blocks[5] = (
        replace(blocks[4], records=blocks[5].records),
        replace(blocks[5], records=blocks[4].records),
    )
    proof = proof_of(tmp_path / "back.h5", replace(run, blocks=blocks))
    assert proof.state is State.CONTRADICTED


def test_one_record_shows_no_step(tmp_path: Path) -> None:
    (first, *_) = wheel_blocks(1.0)
    run = wheel_run([first.part(0, 1)])
    assert proof_of(tmp_path / "run.h5", run).state is State.NOT_PROVED

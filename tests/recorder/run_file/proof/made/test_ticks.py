"""Times of a run too short for a fit are held to the lines of the recording."""

from __future__ import annotations

from dataclasses import replace
from pathlib import Path

import h5py

from recorder.run_file.proof.made.ticks import prove_ticks
from recorder.run_file.proof.parts.held import open_held
from recorder.run_file.proof.parts.proof import Proof, State
from tests.recorder.made_runs import MadeRun, cell_blocks, header, load_cell
from tests.recorder.run_file.proof.honest_run import harmed, sealed_as


def proof_of(path: Path) -> Proof:
    with open_held(path) as held:
        (proof,) = prove_ticks(held, lambda _part: None)
    return proof


def short_run(folder: Path) -> Path:
    """Three seconds of the cell, its lines stepping back a little from block to block."""
    blocks = [
        replace(block, line=replace(block.line, t0_s=block.line.t0_s - 2e-5 * block.sequence))
        for block in cell_blocks(3.0)
    ]
    run = MadeRun(header=header(load_cell(), software="testcar"), blocks=blocks)
    return sealed_as(run, folder / "run.h5")


def test_the_lines_of_the_recording_give_the_times_again(tmp_path: Path) -> None:
    proof = proof_of(short_run(tmp_path))
    assert proof.state is State.PROVED, proof.words
    assert "1 of 1 stretches keep the lines of the recording" in proof.words


def test_a_shifted_time_is_found_without_any_fit(tmp_path: Path) -> None:
    def shift(file: h5py.File) -> None:
        file["devices/cell/time_s"][3000:] += 0.001

    proof = proof_of(harmed(short_run(tmp_path), shift))
    assert proof.state is State.CONTRADICTED
    assert "0.001 s away" in proof.words

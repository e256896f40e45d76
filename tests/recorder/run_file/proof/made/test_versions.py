"""Values that another version may have made otherwise, and values that none has."""

from __future__ import annotations

from collections.abc import Callable
from dataclasses import replace
from pathlib import Path

import h5py
import numpy as np
import pytest

from recorder.run.checks.zero_line import Zero
from recorder.run_file.proof.parts.proof import Check, Proof, State
from recorder.run_file.proof.whole.prove_file import prove_file
from tests.recorder.run_file.proof.honest_run import harmed, honest_run, sealed_as

pytestmark = pytest.mark.slow


def sealed_by(version: str, path: Path) -> Path:
    """A run whose zero has moved by 200 counts from its beginning to its end."""
    run = honest_run()
    later = Zero(channel="pull", t_s=12.0, counts=1200.0, u_counts=0.05, sd_counts=2.0, n=2000)
    return sealed_as(
        replace(
            run,
            header=replace(run.header, software=version),
            events=[*run.events, later.to_event()],
        ),
        path,
    )


def pull(path: Path, harm: Callable[[h5py.File], None]) -> Proof:
    proofs = prove_file(harmed(path, harm))
    return next(p for p in proofs if p.check is Check.VALUES and p.of == "pull")


def _another_line(file: h5py.File) -> None:
    """The first zero held to the end, as a version without a line might have it."""
    n = len(file["devices/cell/pull"])
    slope = 1 / 8000.0
    file["devices/cell/pull"][:] += (np.linspace(0.0, 200.0, n) * slope).astype("f4")


def _one_value(file: h5py.File) -> None:
    file["devices/cell/pull"][7000] += 0.01


def _all_too_far(file: h5py.File) -> None:
    file["devices/cell/pull"][:] += 1.0


def _a_value_less(file: h5py.File) -> None:
    _another_line(file)
    file["devices/cell/pull"][7000] = np.nan


def test_another_zero_line_of_another_version_is_not_proved(tmp_path: Path) -> None:
    proof = pull(sealed_by("testcar 0.0.1+gold", tmp_path / "run.h5"), _another_line)
    assert proof.state is State.NOT_PROVED
    assert "sealed by testcar 0.0.1+gold, which may have made them otherwise" in proof.words


@pytest.mark.parametrize("harm", [_one_value, _all_too_far, _a_value_less])
def test_what_no_version_has_made_is_a_contradiction(
    tmp_path: Path, harm: Callable[[h5py.File], None]
) -> None:
    proof = pull(sealed_by("testcar 0.0.1+gold", tmp_path / "run.h5"), harm)
    assert proof.state is State.CONTRADICTED


def test_this_version_has_no_such_excuse(tmp_path: Path) -> None:
    path = sealed_by(honest_run().header.software, tmp_path / "run.h5")
    assert pull(path, _another_line).state is State.CONTRADICTED

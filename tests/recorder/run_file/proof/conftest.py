"""One honest run for all tests that only read, and a copy for those that do harm."""

from __future__ import annotations

import shutil
from pathlib import Path

import pytest

from tests.recorder.run_file.proof.honest_run import honest_run, sealed_as


@pytest.fixture(scope="session")
def honest(tmp_path_factory: pytest.TempPathFactory) -> Path:
    """A sealed run file; not to be written to."""
    return sealed_as(honest_run(), tmp_path_factory.mktemp("honest") / "run.h5")


@pytest.fixture
def mine(honest: Path, tmp_path: Path) -> Path:
    """A copy of it to do harm to."""
    return Path(shutil.copy(honest, tmp_path / "run.h5"))

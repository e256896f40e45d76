"""One sealed run for all tests that only read, and a copy for those that do harm."""

from __future__ import annotations

import shutil
from pathlib import Path

import pytest

from recorder.keeping.seal import seal
from tests.recorder.made_runs import MadeRun, made_run


@pytest.fixture(scope="session")
def made() -> MadeRun:
    """What went into the run."""
    return made_run(12.0)


@pytest.fixture(scope="session")
def sealed(made: MadeRun, tmp_path_factory: pytest.TempPathFactory) -> Path:
    """A sealed run file; not to be written to."""
    run = tmp_path_factory.mktemp("sealed") / "run.h5"
    seal(made.filed(run), run)
    return run


@pytest.fixture
def copied(sealed: Path, tmp_path: Path) -> Path:
    """A copy of it to do harm to."""
    return Path(shutil.copy(sealed, tmp_path / "run.h5"))

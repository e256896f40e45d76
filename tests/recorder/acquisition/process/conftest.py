"""What tests of whole recordings share: sheets of one load cell, and what a run must hold."""

from __future__ import annotations

import os
from collections.abc import Callable, Iterator
from pathlib import Path
from typing import TYPE_CHECKING

import numpy as np
import pytest

from recorder.machine.shared_memory import SHM_FOLDER
from recorder.run_file.hdf5.reader import open_run

if TYPE_CHECKING:
    from tests.recorder.acquisition.conftest import FakeCell

Sheets = tuple[Path, Path]


@pytest.fixture
def sheets(tmp_path: Path, cell: FakeCell, make_sheets: Callable[..., Sheets]) -> Sheets:
    return make_sheets(tmp_path, cell.port)


@pytest.fixture(autouse=True)
def _no_segment_left() -> Iterator[None]:
    before = set(SHM_FOLDER.glob("tcar_*")) if SHM_FOLDER.is_dir() else set()
    yield
    after = set(SHM_FOLDER.glob("tcar_*")) if SHM_FOLDER.is_dir() else set()
    assert not {p for p in after - before if f"_{os.getpid()}_" in p.name}


def counts(run: Path) -> np.ndarray:
    with open_run(run) as opened:
        return np.asarray(opened.channels["pull"].counts())


def assert_unbroken(run: Path, *, at_least: int) -> None:
    taken = counts(run)
    assert len(taken) >= at_least
    assert np.array_equal(taken, np.arange(len(taken)) % 100_000)

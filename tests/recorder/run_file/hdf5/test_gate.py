"""What HDF5 would read and no recorder wrote is refused by name before a row of it is read."""

from __future__ import annotations

from pathlib import Path

import pytest

from recorder.run.parts.errors import UnreadableError
from recorder.run_file.hdf5.open import open_for_writing
from recorder.run_file.hdf5.reader import open_run
from recorder.run_file.seal.digest_check import refuse_damaged
from recorder.run_file.seal.verify import verify_run
from tests.recorder.run_file.hdf5.hostile_files import HOSTILE, made_hostile


@pytest.mark.parametrize("name", HOSTILE)
def test_a_hostile_file_is_refused_by_name(copied: Path, name: str) -> None:
    made_hostile(copied, name)
    said = HOSTILE[name][1]
    for call in (open_run, refuse_damaged):
        with pytest.raises(UnreadableError) as refused:
            call(copied)
        assert said in str(refused.value)
        assert "\n" not in str(refused.value)
    assert any(said in finding for finding in verify_run(copied))


@pytest.mark.parametrize("name", ["rows in another file", "packed", "link into another file"])
def test_nor_is_it_opened_for_the_seal(copied: Path, name: str) -> None:
    with pytest.raises(UnreadableError):
        open_for_writing(made_hostile(copied, name))

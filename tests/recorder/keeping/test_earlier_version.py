"""A journal that an earlier version left behind still makes its run, whole."""

from __future__ import annotations

from pathlib import Path

from recorder.keeping.seal import recover
from recorder.run_file.hdf5.reader import open_run
from recorder.run_file.seal.verify import verify_run
from tests.recorder.earlier_version import check_contents, left_journal


def test_a_journal_of_the_first_version_is_recovered_whole(tmp_path: Path) -> None:
    journal = left_journal(tmp_path)
    run = tmp_path / "run.h5"
    assert recover(journal, run) == []
    assert verify_run(run) == []
    with open_run(run) as opened:
        assert opened.complete
        check_contents(opened)

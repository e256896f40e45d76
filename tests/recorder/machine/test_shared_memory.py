"""Segments whose maker was killed: taken away, and not a word of it on the crew's terminal."""

from __future__ import annotations

import os
import subprocess
import sys

import pytest

from recorder.machine.child_process import child_environment
from recorder.machine.shared_memory import SHM_FOLDER

pytestmark = pytest.mark.skipif(
    not SHM_FOLDER.is_dir() or os.name == "nt", reason="needs a folder of shared memory"
)
MAKES = "segment = create_segment('{name}', 8192); "
TAKES_AWAY = "unlink_segment('{name}_before'); "
KILLED = """
import os, signal
from recorder.machine.shared_memory import create_segment, unlink_segment
{what}
os.kill(os.getpid(), signal.SIGKILL)
"""


@pytest.mark.parametrize("what", [MAKES, TAKES_AWAY + MAKES], ids=["made", "swept and made"])
def test_who_is_killed_leaves_no_segment_and_no_word_of_the_library(what: str) -> None:
    name = f"tcar_test_{os.getpid()}"
    before = SHM_FOLDER / f"{name}_before"
    before.write_bytes(bytes(4096))
    try:
        code = KILLED.format(what=what.format(name=name))
        # Its output ends when the last process that holds it does: the one that takes away, too.
        done = subprocess.run(
            [sys.executable, "-c", code],
            env=child_environment(),
            capture_output=True,
            timeout=60.0,
            check=False,
        )
    finally:
        before.unlink(missing_ok=True)
    assert done.returncode == -9
    assert (done.stdout, done.stderr) == (b"", b"")
    assert not (SHM_FOLDER / name).exists()

"""The child's end of a feed: what it cannot do is a line for a person, a bug is told as one."""

from __future__ import annotations

import subprocess
import sys
from pathlib import Path

import pytest

from simulated_feeds.serving.feed_reports import FEED_REPORTS, FeedFailed

ROOT = Path(__file__).parents[3]

CHILD = """
import sys
from recorder.run.parts.errors import RunFileError
from recorder.sheets import SheetError
from simulated_feeds.serving.feed_process import run_child
from simulated_feeds.settings.errors import FeedError

def run(settings, report, stop):
    raise {error}

sys.exit(run_child(run))
"""


def failed(error: str) -> tuple[FeedFailed, int, str]:
    """The report, the exit code and the noise of a child that ends in an error."""
    done = subprocess.run(
        [sys.executable, "-c", CHILD.format(error=error), "{}"],
        capture_output=True,
        input="",
        text=True,
        cwd=ROOT,
        check=False,
        timeout=60,
    )
    (line,) = done.stdout.splitlines()
    report = FEED_REPORTS.from_json(line)
    assert isinstance(report, FeedFailed)
    return report, done.returncode, done.stderr


@pytest.mark.parametrize(
    "error",
    [
        "FeedError('ports are not to be had')",
        "RunFileError('ports are not to be had')",
        "SheetError(['ports are not to be had'])",
        "OSError('ports are not to be had')",
    ],
)
def test_what_a_person_can_mend_is_one_line(error: str) -> None:
    report, code, noise = failed(error)
    assert report.error == "ports are not to be had"
    assert (code, noise) == (2, "")


@pytest.mark.parametrize("kind", ["ValueError", "TypeError", "KeyError"])
def test_a_bug_is_told_as_one(kind: str) -> None:
    """The traceback goes to the noise that whoever started it keeps."""
    report, code, noise = failed(f"{kind}('unheard of')")
    assert report.error.startswith(f"internal error: {kind}: ")
    assert code not in (0, 2)
    assert "Traceback" in noise

"""One simulated outing for the tests of the analysis."""

from __future__ import annotations

import pytest

from tests.recorder.analysis.drawn_runs import Outing, make_outing


@pytest.fixture
def outing() -> Outing:
    """One outing."""
    return make_outing(1)

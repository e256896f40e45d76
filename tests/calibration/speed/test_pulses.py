"""Odd counts among the edges of a wheel."""

import numpy as np

from calibration.speed.pulses import odd_steps


def test_a_missed_pulse_among_single_edges() -> None:
    """Edges one by one, the eleventh left out: one missed, where the next one comes."""
    edge_s = np.arange(20.0) * 0.1
    line = np.arange(20) + 7
    assert not odd_steps(edge_s, line).any()
    seen = np.delete(np.arange(20), 10)
    line[11:] -= 1
    assert odd_steps(edge_s[seen], line[seen]).tolist() == [0] * 10 + [-1] + [0] * 8

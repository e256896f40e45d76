"""A channel's seconds are those that a plain reading of its samples, one second alone, gives."""

from __future__ import annotations

import numpy as np
import pytest

from recorder.run.checks.channel_seconds import ChannelSeconds, means

RNG = np.random.default_rng(5)
SHAPES = {
    "two a second, with holes": (2.0, np.where(RNG.random(90) < 0.2, np.nan, RNG.random(90))),
    "a few counts": (7.0, RNG.integers(0, 3, 400)),
    "noise": (90.0, RNG.normal(0.0, 50.0, 3000)),
    "fast counts that rest": (1100.0, np.where(np.arange(6000) < 3000, 7, np.arange(6000) % 9)),
}


@pytest.mark.parametrize("shape", SHAPES)
@pytest.mark.parametrize("piece", [1, 13, 100_000])
def test_each_second_is_as_read_alone(shape: str, piece: int) -> None:
    hz, values = SHAPES[shape]
    # Clocks are not even, and one stretch is lost: seconds of many lengths, and one that is none.
    time_s = np.cumsum(np.random.default_rng(6).choice([0.7, 1.0, 1.3], len(values))) / hz
    time_s[len(values) // 2 :] += 2.5
    seconds = ChannelSeconds(rails=(0.0, 2.0), spikes=False)
    found = []
    for at in range(0, len(values), piece):
        found += seconds.feed(time_s[at : at + piece], values[at : at + piece])
    found += seconds.finish()
    known = np.flatnonzero(np.isfinite(values))
    whole = np.floor(time_s[known]).astype(int)
    assert [row.second for row in found] == np.unique(whole).tolist()
    smallest = 0.0
    for row in found:
        own = known[whole == row.second]
        x = values[own].astype(float)
        before = values[known[known < own[0]][-1:]].astype(float)
        steps = np.abs(np.diff(np.concatenate((before, x))))
        moved = own[len(own) - len(steps) :][steps > 0.0]
        smallest = min([s for s in (smallest, *steps.tolist()) if s], default=0.0)
        assert (row.n, row.first_record, row.stop_record) == (len(x), own[0], own[-1] + 1)
        assert (row.first, row.last, row.mean) == (x[0], x[-1], x.mean())
        assert (row.t_first_s, row.t_last_s) == (time_s[own[0]], time_s[own[-1]])
        assert row.changes == len(moved)
        assert row.change_record == (moved[0] if len(moved) else own[-1] + 1)
        assert row.change_s == time_s[moved[0] if len(moved) else own[-1]]
        still = moved[-1] if len(moved) else own[0]
        assert (row.still_record, row.still_s) == (still, time_s[still])
        assert row.railed == np.count_nonzero((x <= 0.0) | (x >= 2.0))
        # Of many steps a share is looked at, and the smallest may be of the rest.
        if len(steps) <= 256:
            assert row.step == (np.sort(steps)[len(steps) // 2] if len(steps) else 0.0)
            assert row.quantum == smallest or hz > 256.0


def test_means_are_to_the_last_bit_those_of_each_alone() -> None:
    x = RNG.normal(0.0, 1e6, 5000)
    edges = np.sort(RNG.integers(0, 5000, 60))
    starts, stops = edges[:-1], edges[1:]
    alone = [x[a:b].mean() if b > a else np.nan for a, b in zip(starts, stops, strict=True)]
    np.testing.assert_array_equal(means(x, starts, stops), alone)

"""A recording held against what the feed really sent: losses that nobody told, times, marks."""

from __future__ import annotations

from collections.abc import Iterator, Sequence
from dataclasses import dataclass
from pathlib import Path
from typing import Final

import numpy as np

from recorder.run.parts.gap import Gap
from recorder.run_file.hdf5.reader import RunFile, open_run
from recorder.run_file.seal.verify import verify_run
from simulated_feeds.devices.emission import DeviceName

__all__ = ["Held", "hold"]

CELL_TICK_HZ: Final = 1_000_000
LATE_S: Final = 1e-3
"""A sample dated more than this after its receipt is dated after it: a millisecond is promised."""
NEAR_S: Final = 0.2
"""How far from its place a gap may be told."""
PULL_kN: Final = 2.0
"""Mean difference of pull and truth above which it is another pull (certificate and zero err)."""


@dataclass(frozen=True, slots=True, kw_only=True)
class Held:
    """What was found."""

    records: int
    lost: int
    """Samples of the cell missing between its first and its last."""
    untold: int
    """Those of them that lie in no gap."""
    gaps: tuple[Gap, ...]
    latest_s: float
    """Largest lead of a sample's time over its receipt; at most 0 when time is honest."""
    last_s: float
    """Run time of the cell's last sample."""
    findings: tuple[str, ...]


def hold(
    run_path: Path, acknowledged: Sequence[str], *, rate_hz: int, truth: Path | None
) -> Held:
    """Open a sealed run and look; without a truth the pull is not compared."""
    findings = [f"verify: {line}" for line in verify_run(run_path)]
    with open_run(run_path) as run:
        device = run.devices[DeviceName.DRAWBAR]
        ticks = device.read("tick", 0, None).astype(np.int64)
        time_s = device.time_s()
        step = CELL_TICK_HZ // rate_hz
        holes = np.diff(ticks) // step - 1
        gaps = tuple(run.gaps(DeviceName.DRAWBAR))
        untold = int(sum(holes[i] for i in np.flatnonzero(holes) if not _told(gaps, time_s[i])))
        latest_s = _latest(run)
        findings += _said(acknowledged, {mark.mark_id for mark in run.marks()})
        findings += [] if truth is None else _pull(run, truth)
    if untold:
        findings.append(f"{untold} samples are missing and lie in no gap")
    if latest_s > LATE_S:
        findings.append(f"samples are dated up to {latest_s:.6f} s after their receipt")
    return Held(
        records=len(ticks), lost=int(holes.sum()), untold=untold, gaps=gaps,
        latest_s=latest_s, last_s=float(time_s[-1]), findings=tuple(findings),
    )  # fmt: skip


def _told(gaps: Sequence[Gap], t_s: float) -> bool:
    return any(gap.t_start_s - NEAR_S <= t_s <= gap.t_end_s + NEAR_S for gap in gaps)


def _latest(run: RunFile) -> float:
    """How far the last sample of a block lies after the block's receipt, at the worst."""
    worst = -np.inf
    for device in run.devices.values():
        blocks = device.blocks(0, None)
        last = (blocks["first_record"] + blocks["n"] - 1).astype(np.int64)
        times = device.time_s()[last]
        worst = max(worst, float(np.max(times - blocks["received_s"])))
    return worst


def _said(acknowledged: Sequence[str], kept: set[str]) -> Iterator[str]:
    gone = [mark for mark in acknowledged if mark not in kept]
    if gone:
        yield f"{len(gone)} acknowledged marks of {len(acknowledged)}"


def _pull(run: RunFile, truth: Path) -> Iterator[str]:
    """The pull is the train's: a slip of time or a sample in a wrong place shows."""
    table = np.genfromtxt(truth, delimiter=",", names=True, dtype=None, usecols=(0, 2))
    channel = run.channels["pull"]
    t_s, pull = channel.time_s()[::100], channel.values()[::100]
    inside = (t_s >= table["time_s"][0]) & (t_s <= table["time_s"][-1])
    off = np.abs(pull - np.interp(t_s, table["time_s"], table["pull_kN"]))[inside]
    if not off.size or not float(np.nanmean(off)) < PULL_kN:
        yield f"the pull differs from the train's by {np.nanmean(off):.2f} kN in the mean"

"""A scenario with faults: each is put where it lives, in a device's law or in the world.

Sheets and certificates are written from the scenario without them: nobody knows.
"""

from __future__ import annotations

from dataclasses import replace
from typing import TYPE_CHECKING

from simulated_feeds.devices.emission import DeviceName
from simulated_feeds.devices.fault_kinds import FaultKind, FeedFault

if TYPE_CHECKING:
    from collections.abc import Sequence

    from simulated_feeds.outing.scenario import Scenario

__all__ = ["with_faults"]


def with_faults(scenario: Scenario, faults: Sequence[FeedFault]) -> Scenario:
    """The scenario whose devices and world have these faults.

    Those of the wire are not among them: they strike what a device has sent, and
    :class:`~simulated_feeds.devices.faults.FaultyDevice` sees to them.
    """
    if not faults:
        return scenario
    cell, wheel, clock = (
        tuple(f for f in faults if f.strikes(name)) for name in (
            DeviceName.DRAWBAR, DeviceName.WHEEL, DeviceName.CLOCK,
        )
    )  # fmt: skip
    journey, law, front = scenario.journey, scenario.wheel, scenario.front
    gnss = scenario.gnss
    slips = tuple((f.at_s, f.lasts_s, f.value) for f in faults if f.kind is FaultKind.SLIP)
    # A wheel that is stuck slides altogether.
    slides = tuple(
        (f.at_s, f.lasts_s, f.value)
        for f in wheel if f.kind in (FaultKind.SLIDE, FaultKind.STUCK)
    )  # fmt: skip
    # A receiver whose clock runs on has no fix either.
    outages = tuple(
        (f.at_s, f.lasts_s)
        for f in clock if f.kind in (FaultKind.OUTAGE, FaultKind.HOLDOVER)
    )  # fmt: skip
    rate_hz = max(1, round(front.sample_rate_hz * _times(cell)))
    return replace(
        scenario,
        journey=replace(journey, slips=(*journey.slips, *slips)),
        cell=replace(scenario.cell, faults=cell),
        front=replace(front, sample_rate_hz=rate_hz),
        cell_clock=replace(scenario.cell_clock, faults=cell),
        wheel=replace(
            law, slides=(*law.slides, *slides), frame_s=law.frame_s / _times(wheel), faults=wheel
        ),
        wheel_clock=replace(scenario.wheel_clock, faults=wheel),
        gnss=replace(
            gnss, rate_hz=max(1, round(gnss.rate_hz * _times(clock))),
            outages=(*gnss.outages, *outages), faults=clock,
        ),
    )  # fmt: skip


def _times(faults: Sequence[FeedFault]) -> float:
    """How many times as often a device sends."""
    out = 1.0
    for fault in faults:
        if fault.kind is FaultKind.FASTER:
            out *= fault.value
    return out

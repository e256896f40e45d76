"""What the crew keyed of it: late by nature, honest or careless by choice."""

from __future__ import annotations

import uuid
from collections.abc import Sequence
from dataclasses import dataclass, field

import numpy as np

from recorder.marks.mark import Mark
from tests.campaigns.trial_train.driver import Event, Why
from tests.campaigns.trial_train.line import FIRST_POST, POST_M
from tests.campaigns.trial_train.ride import Ride

__all__ = ["Crew", "keyed"]

FULL = 0.995


@dataclass(frozen=True)
class Crew:
    """How a crew keys."""

    unsaid: frozenset[Why] = field(default=frozenset({Why.QUIET, Why.SHORT}))
    confirms: bool = True
    """"full" again every five to eight minutes, and when leaving full."""
    late_s: float = 0.0
    """Further lateness of every throttle mark."""
    throttle: bool = True


def keyed(
    rng: np.random.Generator, crew: Crew, events: Sequence[Event], ride: Ride, *, posts: bool
) -> list[Mark]:
    """The marks of a run, in order of time."""
    reaction = rng.uniform(0.3, 1.0)
    found = []
    throttle = [e for e in events if e.kind == "throttle" and e.why not in crew.unsaid]
    if crew.throttle:
        found += _throttle(rng, crew, throttle, ride)
    for event in events:
        if event.kind == "brake":
            found.append(
                (event.t_s + reaction + 0.2 * rng.standard_normal(), "brake", event.value)
            )
    if posts:
        number = np.arange(1, int(ride.metres[-1] / POST_M) + 1)
        number = number[number * POST_M > ride.metres[0]]
        moving = np.flatnonzero(np.diff(ride.metres, prepend=-1.0) > 0.0)
        at = np.interp(number * POST_M, ride.metres[moving], ride.t_s[moving])
        late = reaction + 0.2 * rng.standard_normal(len(number))
        found += [
            (float(t), "milepost", str(FIRST_POST + int(k)))
            for t, k in zip(at + late, number, strict=True)
        ]
    end = float(ride.t_s[-1])
    return [
        Mark(mark_id=uuid.uuid4().hex, kind=kind, t_s=float(t), value=value, by="observer")
        for t, kind, value in sorted(found)
        if 0.0 <= t < end
    ]


def _throttle(
    rng: np.random.Generator,
    crew: Crew,
    said: Sequence[Event],
    ride: Ride,
) -> list[tuple[float, str, str]]:
    found: list[tuple[float, str, str]] = []
    last = 0.0
    for event, after in zip(said, [*said[1:], None], strict=True):
        # Keys are pressed in the order of what was done.
        t = max(event.t_s + rng.uniform(0.0, 3.0) + crew.late_s, last + 0.3)
        found.append((t, "throttle", event.value))
        last = t
        if event.value != "full" or not crew.confirms:
            continue
        until = after.t_s if after is not None else float(ride.t_s[-1])
        again = t + rng.uniform(300.0, 480.0)
        while again < until - 1.0:
            if _is_full(ride, again):
                found.append((again + crew.late_s, "throttle", "full"))
            again += rng.uniform(300.0, 480.0)
        if after is not None and _is_full(ride, until) and until - event.t_s > 10.0:
            found.append((until - 0.5 + crew.late_s, "throttle", "full"))
            last = until - 0.5 + crew.late_s
    return found


def _is_full(ride: Ride, t_s: float) -> bool:
    """Who keys looks at the handle first."""
    return bool(ride.share[min(int(t_s / 0.25), len(ride.share) - 1)] >= FULL)

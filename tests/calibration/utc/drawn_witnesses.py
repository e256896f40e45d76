"""Witnesses of UTC drawn with known truth: honest ones, and ones that lie in every known way.

Written from what receivers, pulses and computers do, not from the judgement. The truth is
UTC = T0 + run time. What a witness gets wrong is drawn; whether the receiver is a liar is told.
"""

from __future__ import annotations

from dataclasses import dataclass, replace
from datetime import UTC, datetime

import numpy as np
from numpy.typing import NDArray

from calibration.utc.utc_witnesses import UtcEvidence

NS = 10**9
DAY_S = 86_400
BUILT_NS = int(datetime(2026, 11, 1, tzinfo=UTC).timestamp()) * NS

HONEST = ("plain", "pulses", "pulses, edge checked", "delay stated", "delay stated, pulses")
LIES = (
    "before the build",
    "another year",
    "week rollover",
    "a day ahead",
    "leap seconds never learnt",
    "leap seconds learnt late",
    "minus fourteen seconds",
    "late sentences",
    "pulses on the wrong edge",
    "pulses numbered by late sentences",
    "kinds disagree by a second",
    "kinds disagree by a day",
    "jump of seconds",
    "jump of an hour",
)
COMPUTERS = ("kept", "hand set", "minutes off", "local time", "dead battery", "days off")


@dataclass(frozen=True)
class Drawn:
    name: str
    computer: str
    evidence: UtcEvidence
    true0_ns: int
    duration_s: float
    liar: bool


def draw(rng: np.random.Generator, name: str, computer: str) -> Drawn:
    """One run of a minute to an hour."""
    true0 = BUILT_NS + int(rng.uniform(1.0, 400.0) * DAY_S) * NS + int(rng.integers(0, NS))
    duration = float(rng.choice([90.0, 600.0, 3600.0]))
    drift = rng.normal(0.0, 20e-6)
    # UTC second s begins at run time (s - T0)·(1 + drift).
    seconds = -(-true0 // NS) + np.arange(int(duration))
    begins = (seconds * NS - true0) / 1e9 * (1.0 + drift)
    delay, stated, u_delay = _delay(rng, name)
    jitter = max(rng.exponential(0.012), 1e-3)
    t = np.repeat(begins + delay, 3) + rng.exponential(jitter, 3 * len(begins))
    t = np.sort(t + np.tile([0.0, 0.005, 0.01], len(begins)))
    kind = np.tile(np.array([b"RMC", b"ZDA", b"GGA"]), len(begins))
    utc = _lie(rng, name, np.repeat(seconds.astype(np.int64) * NS, 3), t, kind, duration)
    inside = (t >= 0.0) & (t <= duration)
    pulses = np.empty(0)
    if "pulses" in name:
        width = float(rng.choice([0.1, 0.2])) if name == "pulses on the wrong edge" else 0.0
        pulses = begins + width + rng.normal(0.0, 20e-6, len(begins))
    evidence = UtcEvidence(
        sentence_t_s=t[inside],
        sentence_utc_ns=utc[inside],
        sentence_kind=kind[inside],
        pulse_t_s=pulses[(pulses >= 0.0) & (pulses <= duration)],
        pulses_checked=name == "pulses, edge checked",
        delay_s=stated,
        u_delay_s=u_delay,
        built_ns=BUILT_NS,
        trip_ns=_trip(rng, true0),
    )
    evidence = _with_computer(rng, computer, true0, duration, drift, evidence)
    return Drawn(name, computer, evidence, true0, duration, name in LIES)


def _delay(rng: np.random.Generator, name: str) -> tuple[float, float | None, float | None]:
    """How late the receiver speaks, and what the sheet states of it, if anything."""
    if name == "late sentences":
        return float(rng.uniform(0.2, 1.2)), None, None
    if name == "pulses numbered by late sentences":
        return float(rng.uniform(1.0, 1.2)), None, None
    delay = float(rng.uniform(0.03, 0.5))
    if name.startswith("delay stated") or (name in LIES and rng.random() < 0.4):
        u = float(rng.uniform(0.01, 0.05))
        return delay, delay + float(np.clip(rng.normal(0.0, u), -1.9 * u, 1.9 * u)), u
    return delay, None, None


def _trip(rng: np.random.Generator, true0: int) -> tuple[int, int] | None:
    """The day of the run in the trip sheet, in two of three runs; now and then the wrong one."""
    if rng.random() < 1.0 / 3.0:
        return None
    day = true0 // (DAY_S * NS) * DAY_S * NS
    if rng.random() < 0.1:
        day -= int(rng.integers(1, 20)) * DAY_S * NS
    return day - 2 * 3600 * NS, day + (DAY_S + 2 * 3600) * NS


def _lie(
    rng: np.random.Generator,
    name: str,
    utc: NDArray[np.int64],
    t: NDArray[np.float64],
    kind: NDArray[np.bytes_],
    duration: float,
) -> NDArray[np.int64]:
    late = t > rng.uniform(0.2, 0.8) * duration
    match name:
        case "before the build":
            return utc - int(rng.uniform(450, 6000) * DAY_S) * NS
        case "another year":
            return utc + int(rng.choice([365, 366, 731])) * DAY_S * NS
        case "week rollover":
            return utc - int(rng.integers(1, 3)) * 1024 * 7 * DAY_S * NS
        case "a day ahead":
            return utc + DAY_S * NS
        case "leap seconds never learnt":
            return utc + 18 * NS
        case "minus fourteen seconds":
            return utc - 14 * NS
        case "leap seconds learnt late":
            return np.asarray(utc + 18 * NS * ~late)
        case "kinds disagree by a second":
            return np.asarray(utc + NS * (kind == rng.choice([b"RMC", b"ZDA", b"GGA"])))
        case "kinds disagree by a day":
            return np.asarray(utc + DAY_S * NS * (kind == rng.choice([b"RMC", b"ZDA"])))
        case "jump of seconds":
            return np.asarray(utc + int(rng.integers(2, 30)) * NS * late)
        case "jump of an hour":
            return np.asarray(utc + 3600 * NS * late)
    return utc


def _with_computer(
    rng: np.random.Generator,
    computer: str,
    true0: int,
    duration: float,
    drift: float,
    evidence: UtcEvidence,
) -> UtcEvidence:
    t = np.arange(0.0, duration, 1.0)
    error_s, bound_s = 0.0, np.nan
    match computer:
        case "kept":
            bound_s = float(10.0 ** rng.uniform(-3.0, -0.7))
            error_s = float(rng.uniform(-bound_s, bound_s))
        case "hand set":
            error_s = float(rng.normal(0.0, 1.0))
        case "minutes off":
            # Not the very seconds that a receiver may be off by: two liars who agree are believed.
            error_s = float(rng.choice([-1.0, 1.0]) * (40.0 + abs(rng.normal(0.0, 100.0))))
        case "local time":
            error_s = float(rng.integers(-12, 14)) * 3600.0 + float(rng.normal(0.0, 0.3))
        case "dead battery":
            error_s = -(true0 / 1e9) + 1_262_304_000.0 + float(rng.uniform(0.0, 1e5))
        case "days off":
            error_s = float(rng.normal(0.0, 30.0)) * DAY_S
    true = true0 + np.rint(t / (1.0 + drift) * 1e9).astype(np.int64)
    return replace(
        evidence,
        computer_t_s=t,
        computer_utc_ns=true + round(error_s * 1e9),
        computer_error_s=bound_s,
    )

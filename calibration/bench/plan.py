"""The plan of a bench calibration: preloads, series, positions, zeros, step by step."""

from __future__ import annotations

import math
from collections.abc import Sequence
from dataclasses import asdict, dataclass
from typing import Any, Final, Self

from calibration.readings.readings import KINDS

__all__ = ["FORCE_WAIT_S", "PRELOAD_HOLD_S", "SERIES_WAIT_S", "PlanStep", "make_plan"]

FORCE_WAIT_S: Final = 30.0
"""From reaching a force, or taking it off, to the reading (ISO 376:2011, from memory)."""
SERIES_WAIT_S: Final = 180.0
"""Unloaded before a series begins (ISO 376:2011, from memory: at least three minutes)."""
PRELOAD_HOLD_S: Final = 60.0
"""A preload is held so long (ISO 376:2011, from memory: 60 to 90 s)."""


@dataclass(frozen=True, slots=True, kw_only=True)
class PlanStep:
    """One thing to apply and read."""

    number: int
    """From 1, in the order of the plan."""
    series: str
    """Name of the series: ``"X1"``, … with a prefix C for compression."""
    position_deg: float
    direction: str
    """``up`` or ``down``."""
    kind: str
    """``preload`` (with no force: the zero before the first), ``zero``, ``step`` or ``creep``."""
    applied_kN: float
    """Nominal, tension +."""
    instruction: str
    """For the person at the press."""
    settle_s: float = 0.0
    """Wait at least so long after the force is reached (creep: 30 s and 300 s)."""

    @property
    def unloaded(self) -> bool:
        """Whether no force is to be applied."""
        return self.applied_kN == 0.0

    def to_document(self) -> dict[str, Any]:
        """Plain JSON."""
        return asdict(self)

    @classmethod
    def from_document(cls, document: dict[str, Any]) -> Self:
        """The inverse of ``to_document``; raises ``ValueError`` for anything else."""
        try:
            step = cls(**document)
        except TypeError as error:
            msg = f"a step of the plan does not read: {error}"
            raise ValueError(msg) from error
        if step.kind not in KINDS or step.direction not in ("up", "down"):
            msg = f"a step of the plan does not read: kind {step.kind!r}, {step.direction!r}"
            raise ValueError(msg)
        for name, kind in (("number", int), ("series", str), ("instruction", str)):
            if type(document[name]) is not kind:
                msg = f"a step of the plan does not read: {name} is {document[name]!r}"
                raise ValueError(msg)
        for name in ("position_deg", "applied_kN", "settle_s"):
            value = document.get(name, 0.0)
            if type(value) not in (int, float) or not math.isfinite(value):
                msg = f"a step of the plan does not read: {name} is {value!r}"
                raise ValueError(msg)
        return step


class _Builder:
    def __init__(self) -> None:
        self.steps: list[PlanStep] = []

    def add(
        self,
        series: str,
        position: float,
        direction: str,
        kind: str,
        applied: float,
        text: str,
        settle_s: float = 0.0,
    ) -> None:
        self.steps.append(
            PlanStep(
                number=len(self.steps) + 1,
                series=series,
                position_deg=position,
                direction=direction,
                kind=kind,
                applied_kN=applied,
                instruction=text,
                settle_s=settle_s,
            )
        )


def make_plan(
    *,
    capacity_kN: float,
    steps: int = 10,
    positions_deg: Sequence[float] = (0.0, 120.0, 240.0),
    senses: Sequence[str] = ("tension",),
    preloads: int = 3,
    falling: bool = True,
    creep: bool = False,
) -> tuple[PlanStep, ...]:
    """Lay out the whole programme.

    Per sense: the unloaded cell, then preloads to capacity; two rising series at the first
    position; at every other position one preload and one rising series, falling as well when
    asked; a zero before and after every series; last, when asked, a hold at capacity read at
    30 s and 300 s. Every reading waits as the standard asks (``settle_s``). The shape follows
    ISO 376:2011, from memory (X₁, X₂, X₃ with X₄′, X₅ with X₆′) and gives ASTM E74 its
    repeats and rotation.

    Raises
    ------
    ValueError
        Anything out of range, in one line.
    """
    if not capacity_kN > 0.0 or capacity_kN > 1e5:
        msg = f"capacity_kN must be above 0 and at most 100000, got {capacity_kN!r}"
        raise ValueError(msg)
    if not 3 <= steps <= 50:
        msg = f"steps must be 3 to 50, got {steps}"
        raise ValueError(msg)
    if not positions_deg or len(set(positions_deg)) != len(positions_deg):
        msg = f"positions_deg must differ from each other, got {list(positions_deg)}"
        raise ValueError(msg)
    if not senses or any(s not in ("tension", "compression") for s in senses):
        msg = f"senses must be tension, compression or both, got {list(senses)}"
        raise ValueError(msg)
    if not 0 <= preloads <= 10:
        msg = f"preloads must be 0 to 10, got {preloads}"
        raise ValueError(msg)
    builder = _Builder()
    for sense in senses:
        _sense(builder, sense, capacity_kN, steps, positions_deg, preloads, falling=falling)
        if creep:
            _creep(builder, sense, capacity_kN, positions_deg[-1])
    return tuple(builder.steps)


def _sense(
    builder: _Builder,
    sense: str,
    capacity_kN: float,
    steps: int,
    positions: Sequence[float],
    preloads: int,
    *,
    falling: bool,
) -> None:
    sign, prefix = (1.0, "") if sense == "tension" else (-1.0, "C")
    forces = [sign * capacity_kN * i / steps for i in range(1, steps + 1)]
    number = 1
    if preloads:
        text = f"position {positions[0]:g}°, before the preloads: unloaded, read zero"
        builder.add(f"{prefix}P1", positions[0], "up", "preload", 0.0, text)
    for place, position in enumerate(positions):
        for _ in range(preloads if place == 0 else min(1, preloads)):
            name = f"{prefix}P{number}"
            text = f"preload in {sense} to {abs(forces[-1]):g} kN, hold about a minute, release"
            if place:
                text = f"rotate the cell to {position:g}°, then " + text
            builder.add(name, position, "up", "preload", forces[-1], text, PRELOAD_HOLD_S)
        for _ in range(2 if place == 0 else 1):
            down = falling and place > 0
            _series(builder, f"{prefix}X{number}", sense, position, forces, falling=down)
            number += 1


def _series(
    builder: _Builder,
    name: str,
    sense: str,
    position: float,
    forces: Sequence[float],
    *,
    falling: bool,
) -> None:
    at = f"position {position:g}°, series {name}"
    text = f"{at}: unloaded for three minutes, read zero"
    builder.add(name, position, "up", "zero", 0.0, text, SERIES_WAIT_S)
    for force in forces:
        text = f"{at}: raise {sense} to {abs(force):g} kN, never past it"
        builder.add(name, position, "up", "step", force, text, FORCE_WAIT_S)
    if falling:
        for force in reversed(forces[:-1]):
            text = f"{at}: lower {sense} to {abs(force):g} kN, never past it"
            builder.add(name, position, "down", "step", force, text, FORCE_WAIT_S)
    text = f"{at}: unload, wait 30 s, read zero"
    builder.add(name, position, "down", "zero", 0.0, text, FORCE_WAIT_S)


def _creep(builder: _Builder, sense: str, capacity_kN: float, position: float) -> None:
    sign, prefix = (1.0, "") if sense == "tension" else (-1.0, "C")
    force, name = sign * capacity_kN, f"{prefix}creep"
    text = f"series {name}: unloaded for three minutes, read zero"
    builder.add(name, position, "up", "zero", 0.0, text, SERIES_WAIT_S)
    for settle in (FORCE_WAIT_S, 300.0):
        text = f"series {name}: {sense} {capacity_kN:g} kN, read {settle:g} s after reaching it"
        builder.add(name, position, "up", "creep", force, text, settle_s=settle)
    text = f"series {name}: unload, wait 30 s, read zero"
    builder.add(name, position, "down", "zero", 0.0, text, FORCE_WAIT_S)

"""Zeros and shunt checks of the runs, with their figures, as they were found."""

from __future__ import annotations

import math
from collections.abc import Sequence
from typing import TYPE_CHECKING, Final

from recorder.report.pages.document import Block, Text, TextTable, plain

if TYPE_CHECKING:
    from recorder.analysis.uncertainty.field_checks import RunFieldChecks
    from recorder.run.checks.shunt_check import ShuntCheck
    from recorder.run.checks.zero_line import Zero

__all__ = ["field_checks_section"]

_ZERO_HEADS: Final = ("run", "channel", "at, s", "when", "zero, counts", "u, counts", "found")
_SHUNT_HEADS: Final = (
    "run", "channel", "at, s", "when", "deflection, counts", "certificate, counts",
    "difference, %", "limit, %", "found",
)  # fmt: skip


def field_checks_section(runs: Sequence[tuple[str, RunFieldChecks]]) -> list[Block]:
    """Tables of zeros and of shunt checks, for runs by name; nothing for runs without any."""
    blocks: list[Block] = []
    zeros = tuple(_zero_row(name, zero) for name, held in runs for zero in held.zeros)
    if zeros:
        caption = "Zeros taken; u is the standard uncertainty."
        blocks.append(TextTable(_ZERO_HEADS, zeros, caption))
    blocks += [
        Text(f"{name}, {channel}: {check.text}.")
        for name, held in runs
        for channel, check in held.drifts
    ]
    shunts = tuple(_shunt_row(name, held, c) for name, held in runs for c in held.shunts)
    if shunts:
        caption = "Shunt checks: counts with the shunt resistor less counts without it."
        blocks.append(TextTable(_SHUNT_HEADS, shunts, caption))
    for name, held in runs:
        blocks += _span_changes(name, held)
    return blocks


def _zero_row(name: str, zero: Zero) -> tuple[str, ...]:
    state = "accepted" if zero.accepted else "REFUSED"
    return (
        name,
        zero.channel,
        f"{zero.t_s:.1f}",
        str(zero.when),
        _fixed(zero.counts, 1),
        plain(zero.u_counts, 2),
        f"{state}: {zero.reason}" if zero.reason else state,
    )


def _shunt_row(name: str, held: RunFieldChecks, check: ShuntCheck) -> tuple[str, ...]:
    verdict = check.check
    expected = math.nan if verdict is None else verdict.expected_counts or math.nan
    limit = math.nan if verdict is None else verdict.limit_counts or math.nan
    found = {True: "in limits", False: "OUT OF LIMITS", None: "no value stated"}[check.passed]
    return (
        name,
        check.channel,
        f"{check.t_s:.1f}",
        held.when(check.t_s),
        _fixed(check.deflection_counts, 1),
        _fixed(expected, 1),
        _fixed(100.0 * (check.deflection_counts / expected - 1.0), 2),
        _fixed(100.0 * limit / abs(expected), 2),
        f"not steady: {check.reason}" if check.reason else found,
    )


def _span_changes(name: str, held: RunFieldChecks) -> list[Block]:
    """How far the span moved from the first steady check of a channel to its last."""
    by_channel: dict[str, list[ShuntCheck]] = {}
    for check in held.shunts:
        if not check.reason and check.deflection_counts:
            by_channel.setdefault(check.channel, []).append(check)
    return [
        Text(
            f"{name}, {channel}: the shunt's deflection changed by"
            f" {_fixed(100.0 * (c[-1].deflection_counts / c[0].deflection_counts - 1.0), 2)} %"
            f" from the check at {c[0].t_s:.0f} s to the one at {c[-1].t_s:.0f} s."
        )
        for channel, c in by_channel.items()
        if len(c) > 1
    ]


def _fixed(value: float, decimals: int) -> str:
    return "—" if math.isnan(value) else f"{value:.{decimals}f}".replace("-", "−")

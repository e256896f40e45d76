"""Zeros of the runs and what each is worth, and shunt checks, as they were found."""

from __future__ import annotations

import math
from collections.abc import Sequence
from typing import TYPE_CHECKING, Final

from calibration.field.zero_guards import GuardAnswer, GuardKind
from calibration.quantities.editions import Edition
from calibration.quantities.sentence import Sentence, amount, say
from recorder.report.pages.document import Block, Text, TextTable, plain
from recorder.report.pages.shown_units import METRIC, ShownUnits
from recorder.run.checks.zero_line import ZeroTime

if TYPE_CHECKING:
    from calibration.field.zero_guards import ZeroGuard
    from recorder.analysis.uncertainty.field_checks import RunFieldChecks
    from recorder.run.checks.shunt_check import ShuntCheck
    from recorder.run.checks.zero_worth import ZeroWorth

__all__ = ["field_checks_section"]

_GUARD_HEADS: Final = ("run", "no.", "wheel", "receiver", "scatter", "offset")
_SHOWN: Final = (GuardKind.WHEEL, GuardKind.RECEIVER, GuardKind.SCATTER, GuardKind.OFFSET)
_ZERO_CAPTION: Final = (
    "Zeros; u is the standard uncertainty. The effect is the pull at that time with this zero less"
    " the pull without it; of one that was refused or withdrawn, what it would have been."
)
_GUARD_CAPTION: Final = (
    "What spoke for each zero and against it: movement by wheel and receiver, scatter, offset from"
    " the zero that was expected. Not known is not passed."
)
_SHUNT_HEADS: Final = (
    "run", "channel", "at, s", "when", "deflection, counts", "certificate, counts",
    "difference, %", "limit, %", "found",
)  # fmt: skip


def field_checks_section(
    runs: Sequence[tuple[str, RunFieldChecks]], units: ShownUnits = METRIC
) -> list[Block]:
    """Tables of zeros and of shunt checks, for runs by letter; nothing for runs without any."""
    blocks: list[Block] = _zeros(runs, units)
    shunts = tuple(_shunt_row(name, held, c) for name, held in runs for c in held.shunts)
    if shunts:
        caption = "Shunt checks: counts with the shunt resistor less counts without it."
        blocks.append(TextTable(_SHUNT_HEADS, shunts, caption))
    for name, held in runs:
        blocks += _span_changes(name, held)
    return blocks


def _zeros(runs: Sequence[tuple[str, RunFieldChecks]], units: ShownUnits) -> list[Block]:
    """Zeros of runs by letter; nothing where no channel has a zero to take."""
    blocks: list[Block] = []
    rows = tuple(
        _zero_row(name, held, zero, units) for name, held in runs for zero in held.zeros
    )
    if rows:
        kN = units.label("kN")
        heads = ("run", "no.", "channel", "at, s", "when", "zero, counts", "u, counts",
                 f"u, {kN}", f"effect on the pull, {kN}", "found")  # fmt: skip
        blocks.append(TextTable(heads, rows, _ZERO_CAPTION))
    guards = tuple(
        _guard_row(name, zero, units)
        for name, held in runs
        for zero in held.zeros
        if _asked(zero)
    )
    if guards:
        blocks.append(TextTable(_GUARD_HEADS, guards, _GUARD_CAPTION))
    for name, held in runs:
        blocks += [Text(_where(name, held, channel), "small") for channel in held.forces]
        blocks += [
            Text(f"Run {name}, {channel}: {units.words(check.text)}.", "small")
            for channel, check in held.drifts
        ]
    return blocks


def _asked(worth: ZeroWorth) -> bool:
    return worth.zero.when is not ZeroTime.SHEET


def _zero_row(
    name: str, held: RunFieldChecks, worth: ZeroWorth, units: ShownUnits
) -> tuple[str, ...]:
    zero, k = worth.zero, units.factor("kN")
    words = [str(worth.state)]
    words += [f"withdrawn: {zero.withdrawn}"] * bool(zero.withdrawn)
    words += [f"forced: {zero.forced}"] * bool(zero.forced)
    words += [f"restored: {zero.restored}"] * bool(zero.restored)
    words += [zero.reason] * bool(zero.reason)
    words += [f"by {zero.by}"] * bool(zero.by)
    return (
        name,
        str(worth.number),
        zero.channel,
        f"{zero.t_s:.1f}",
        _when(held, worth),
        _fixed(zero.counts, 1),
        plain(zero.u_counts, 2),
        _small(worth.u_kN * k),
        _fixed(worth.effect_kN * k, 3 if k == 1.0 else 1),
        "; ".join(words),
    )


def _when(held: RunFieldChecks, worth: ZeroWorth) -> str:
    """Before the train moved, between, or after it had stopped for good; of the recording, when
    it never moved."""
    when = worth.zero.when
    if when is not ZeroTime.SHEET and not math.isnan(held.moved_s[0]):
        when = held.when(worth.zero.t_s)
    return "between" if when is ZeroTime.DURING else str(when)


def _guard_row(name: str, worth: ZeroWorth, units: ShownUnits) -> tuple[str, ...]:
    cells = []
    for kind in _SHOWN:
        of_kind = [guard for guard in worth.zero.guards if guard.kind is kind]
        nobody = "not asked" if not worth.zero.guards else "none there"
        cells.append("; ".join(_guard(guard, units) for guard in of_kind) or nobody)
    return (name, str(worth.number), *cells)


def _guard(guard: ZeroGuard, units: ShownUnits) -> str:
    state = "REFUSED" if guard.answer is GuardAnswer.REFUSED else str(guard.answer)
    found = guard.text
    if units.edition is Edition.CUSTOMARY and guard.value is not None:
        # Files keep the words as they were told on the day, in SI.
        found = units.words(say(amount(guard.value, guard.unit), _at_most(guard)))
    return f"{state}: {found}" if found else state


def _at_most(guard: ZeroGuard) -> Sentence:
    if guard.limit is None:
        return say("")
    return say(", at most ", amount(guard.limit, guard.unit))


def _where(name: str, held: RunFieldChecks, channel: str) -> str:
    """How many zeros hold before, between and after, and what it means that there is none."""
    holding = [z for z in held.zeros if z.zero.channel == channel and z.zero.holds]
    counted = [_when(held, worth) for worth in holding]
    said = ", ".join(f"{counted.count(when)} {when}" for when in ("before", "between", "after"))
    words = f"Run {name}, {channel}: zeros that hold: {said}"
    words += f", {counted.count('sheet')} by the car sheet" * ("sheet" in counted)
    if not holding:
        none = "HOLDS" if any(z.zero.channel == channel for z in held.zeros) else "was taken"
        return f"{words}. NONE {none}: the certificate's own zero stands."
    if "after" not in counted:
        return f"{words}. NONE AT THE END: what it drifted since the last one was not seen."
    return f"{words}."


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
            f"Run {name}, {channel}: the shunt's deflection changed by"
            f" {_fixed(100.0 * (c[-1].deflection_counts / c[0].deflection_counts - 1.0), 2)} %"
            f" from the check at {c[0].t_s:.0f} s to the one at {c[-1].t_s:.0f} s."
        )
        for channel, c in by_channel.items()
        if len(c) > 1
    ]


def _small(value: float) -> str:
    """Two digits that count, without an exponent where a few noughts do."""
    return _fixed(value, 5) if 1e-5 <= value < 1e-3 else plain(value, 2)


def _fixed(value: float, decimals: int) -> str:
    return "—" if math.isnan(value) else f"{value:.{decimals}f}".replace("-", "−")

"""Every doubt about a table of readings, and what the technician's word does about them."""

from __future__ import annotations

from collections.abc import Sequence
from typing import TYPE_CHECKING, Final

import numpy as np

from calibration.doubts.curve_rows import curve_doubts
from calibration.doubts.hold_rows import hold_doubts, preload_doubts, unsteady_doubts
from calibration.doubts.left_open import left_open
from calibration.doubts.looks_odd import looks_odd
from calibration.doubts.plain_rows import (
    coverage_doubts,
    position_doubts,
    temperature_doubts,
    zero_doubts,
)
from calibration.readings.load_series import load_series, senses
from calibration.readings.readings import Readings, ReadingsError

if TYPE_CHECKING:
    from calibration.doubts.doubt import Doubt
    from calibration.readings.bench_settings import BenchSettings

__all__ = ["doubt_cautions", "doubtful_rows", "refuse_doubtful_rows"]

NAMED: Final = 3
"""So many doubts are told in one line; the rest by their rows."""


def doubtful_rows(readings: Readings) -> tuple[Doubt, ...]:
    """All doubts, the largest residuals first.

    Raises ``ReadingsError`` where no sense of loading can be put in order.
    """
    found = [*temperature_doubts(readings), *position_doubts(readings)]
    for sense in senses(readings):
        loads = load_series(readings, sense)
        found += [*curve_doubts(loads), *zero_doubts(loads), *coverage_doubts(loads)]
        found += [
            *hold_doubts(loads),
            *preload_doubts(loads, readings),
            *unsteady_doubts(loads),
        ]
    # Zeros belong to both senses of loading.
    once = {(doubt.kind, doubt.rows): doubt for doubt in found}
    return tuple(sorted(once.values(), key=_weight))


def _weight(doubt: Doubt) -> float:
    return -abs(doubt.residual_pct) if doubt.residual_pct is not None else 0.0


def refuse_doubtful_rows(
    readings: Readings, settings: BenchSettings, doubts: Sequence[Doubt]
) -> None:
    """Raise ``ReadingsError`` for rows in doubt that nobody has accepted with a reason."""
    unknown = sorted(set(settings.accepted_rows) - set(readings.row.tolist()))
    if unknown:
        msg = f"{readings.source}: accepted row {unknown[0]} is no row of the readings"
        raise ReadingsError(msg)
    standing = [d for d in doubts if not set(d.rows) <= set(settings.accepted_rows)]
    if not standing:
        return
    rows = sorted({row for doubt in standing for row in doubt.rows})
    more = len(standing) - NAMED
    told = "; ".join(doubt.text for doubt in standing[:NAMED])
    rest = f"; and {more} more" if more > 0 else ""
    msg = (
        f"{readings.source}: no certificate while rows are in doubt: {told}{rest}. Take them again,"
        f" or say why they stand: testcar bench with --accept-rows {_numbers(rows)}"
        " --accept-reason WHY"
    )
    raise ReadingsError(msg)


def doubt_cautions(
    readings: Readings, settings: BenchSettings, doubts: Sequence[Doubt]
) -> list[str]:
    """What the certificate says of rows in doubt or accepted, and of what the table leaves open."""
    accepted = set(settings.accepted_rows)
    found = []
    for doubt in doubts:
        if set(doubt.rows) <= accepted:
            found.append(
                f"accepted in spite of doubt ({settings.accepted_reason}): {doubt.text}"
            )
        else:
            found.append(f"in doubt: {doubt.text}")
    missing = left_open(readings)
    if missing:
        found.append(f"the readings do not show: {', '.join(missing)}")
    found += looks_odd(readings, settings.room_temperature_C)
    late = _late_repeats(readings)
    if late:
        found.append(
            f"row(s) {_numbers(late)} were taken again after their series had ended: with"
            " another loading before them, and perhaps another mounting"
        )
    return found


def _late_repeats(readings: Readings) -> list[int]:
    """Rows that stand in their series though others were read between."""
    found = []
    for i in np.flatnonzero(readings.superseded):
        again = int(readings.row[i + 1]) if i + 1 < len(readings) else -1
        between = (readings.row > readings.row[i]) & (readings.row < again)
        if np.any(readings.series[between] != readings.series[i]):
            found.append(again)
    return found


def _numbers(rows: Sequence[int]) -> str:
    return ",".join(str(row) for row in rows)

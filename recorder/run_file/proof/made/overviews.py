"""The overviews of the channels made again from their values: what is drawn is what was kept."""

from __future__ import annotations

from typing import TYPE_CHECKING, Final

import numpy as np

from calibration.quantities.written import many
from recorder.run_file.proof.parts.proof import Check, Proof, State
from recorder.run_file.seal.final_overviews import made_overviews, overview_path

if TYPE_CHECKING:
    from collections.abc import Callable, Iterator

    from recorder.run_file.proof.parts.held import Held
    from recorder.run_file.seal.final_overviews import MadeOverview

__all__ = ["prove_overviews"]

RELATIVE: Final = 1e-5
"""Of a mean, to the largest of its neighbours: sums run in different orders on other machines,
and are kept with 24 bits."""


def prove_overviews(held: Held, progress: Callable[[float], None]) -> Iterator[Proof]:
    """Every level of every channel; the first bin that differs is told."""
    levels = {channel.name: 0 for device in held.header.devices for channel in device.channels}
    wrong: dict[str, str] = {}
    for made in made_overviews(held.store, held.header, lambda part, _what: progress(part)):
        name = made.channel.name
        levels[name] += 1
        if name not in wrong and (why := _unlike(held, made)):
            wrong[name] = why
    for name, n in levels.items():
        if name in wrong:
            by = f" (made by {held.other_version})" if held.other_version else ""
            yield _proof(name, State.CONTRADICTED, wrong[name] + by)
        elif not n:
            yield _proof(name, State.NOT_PROVED, "there is no value of it")
        else:
            yield _proof(name, State.PROVED, f"{many(n, 'level')} as its values and times give")


def _unlike(held: Held, made: MadeOverview) -> str:
    path = overview_path(made.channel, made.level)
    if not held.store.has(path):
        return f"level {made.level} is missing"
    column = held.store.column(path)
    stored = column.read()
    if (stored.dtype, len(stored)) != (made.rows.dtype, len(made.rows)):
        return f"level {made.level} has {len(stored)} bins, its values give {len(made.rows)}"
    laid = (column.number("t0_s"), column.number("width_s"))
    if not np.allclose(laid, (made.t0_s, made.width_s), rtol=1e-9, atol=1e-9):
        return (
            f"level {made.level} begins at {laid[0]:.6f} s in bins of {laid[1]:.6g} s; its times"
            f" give {made.t0_s:.6f} s and {made.width_s:.6g} s"
        )
    for name in stored.dtype.names or ():
        one, other = stored[name], made.rows[name]
        if name == "mean":
            scale = np.nanmax(np.abs(other), initial=1.0)
            same = np.isclose(one, other, rtol=0.0, atol=RELATIVE * scale, equal_nan=True)
        else:
            same = (one == other) | (np.isnan(one) & np.isnan(other))
        if not same.all():
            i = int(np.argmin(same))
            t_s = made.t0_s + (i + 0.5) * made.width_s
            return (
                f"the {name} at {t_s:.1f} s (level {made.level}) is stored as {one[i]:.9g}, its"
                f" values give {other[i]:.9g}"
            )
    return ""


def _proof(channel: str, state: State, words: str) -> Proof:
    return Proof(check=Check.OVERVIEWS, of=channel, state=state, words=words)

"""What was tried, what survived, what was lost: counted, and printed as a table."""

from __future__ import annotations

import sys
from collections import Counter
from dataclasses import dataclass, field

from tests.campaigns.faults.held import TOLD

__all__ = ["Tally", "tell"]

MOST_TOLD = 40
"""Losses told one by one."""


def tell(text: str) -> None:
    """One line for whoever waits, at once."""
    sys.stdout.write(text + "\n")
    sys.stdout.flush()


@dataclass
class Tally:
    """Trials of a campaign by what was cut and how."""

    tried: Counter[tuple[str, str]] = field(default_factory=Counter)
    bad: Counter[tuple[str, str]] = field(default_factory=Counter)
    warned: Counter[tuple[str, str]] = field(default_factory=Counter)
    """Trials after which recovery warned of what was never acknowledged."""
    losses: list[str] = field(default_factory=list)

    def add(self, what: str, how: str, found: list[str], again: str = "") -> None:
        """One trial; ``again`` says how it is done again."""
        self.tried[what, how] += 1
        lost = [line for line in found if not line.startswith(TOLD)]
        self.warned[what, how] += lost != found
        if lost:
            self.bad[what, how] += 1
            self.losses.append(f"{what}, {how}, {again}: {'; '.join(lost)}")
            if len(self.losses) <= MOST_TOLD:
                tell(self.losses[-1])

    @property
    def exit_code(self) -> int:
        """1 when anything was lost."""
        return 1 if self.losses else 0

    def table(self) -> str:
        """A row a kind, and the sum."""
        rows = [
            f"{'what':14} {'how':32} {'tried':>6} {'survived':>8} {'lost':>5} {'warned':>6}"
        ]
        for (what, how), n in sorted(self.tried.items()):
            bad = self.bad[what, how]
            warned = self.warned[what, how]
            rows.append(f"{what:14} {how:32} {n:6} {n - bad:8} {bad:5} {warned:6}")
        total, bad = self.tried.total(), self.bad.total()
        warned = self.warned.total()
        rows.append(f"{'all':14} {'':32} {total:6} {total - bad:8} {bad:5} {warned:6}")
        return "\n".join(rows)

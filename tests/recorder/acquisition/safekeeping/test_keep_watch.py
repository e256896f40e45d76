"""What is told of a while in which nothing could be kept, and of its end."""

from __future__ import annotations

from dataclasses import dataclass, field
from types import SimpleNamespace
from typing import Any

from recorder.acquisition.process.keep_watch import KeepWatch
from recorder.acquisition.ring.ring import RingStats
from recorder.acquisition.safekeeping.keeper import Stall

LOCKED = Stall(lasted_s=6.0, tries=9, why="database is locked")


@dataclass
class Watched:
    """A watch over a keeper, a journal and two rings that are set by hand."""

    now: Stall | None = None
    over: list[Stall] = field(default_factory=list)
    dropped: list[int] = field(default_factory=lambda: [0, 0])
    told: list[str] = field(default_factory=list)

    def __post_init__(self) -> None:
        keeper: Any = SimpleNamespace(stall=lambda: self.now, take_stalls=self._taken)
        journal: Any = SimpleNamespace(untidy="", path="run.journal")
        threads: list[Any] = [
            SimpleNamespace(
                name=name,
                ring=SimpleNamespace(
                    stats=lambda at=at: self._stats(at), bytes_per_record=40.0
                ),
            )
            for at, name in enumerate(("cell", "wheel"))
        ]
        marks: Any = SimpleNamespace(waiting=0)
        self.watch = KeepWatch(
            keeper, journal, marks, threads, lambda _name: 100.0, self.told.append
        )

    def _taken(self) -> list[Stall]:
        over, self.over = self.over, []
        return over

    def _stats(self, at: int) -> RingStats:
        n = self.dropped[at]
        return RingStats(capacity=2**20, used=0, peak_used=0, dropped=n, dropped_records=20 * n)

    def stalled_and_over(self, t_s: float, *, lost: int = 0) -> str:
        """What is told at the end of a stall in which ``lost`` blocks were overwritten."""
        self.now = LOCKED
        self.watch.second(t_s)
        self.dropped[1] += lost
        self.watch.second(t_s + 1.0)
        self.now, self.over = None, [LOCKED]
        self.watch.second(t_s + 2.0)
        return self.told[-1]


def test_of_a_stall_that_cost_nothing_no_loss_is_told() -> None:
    watched = Watched()
    watched.watch.second(1.0)
    assert watched.stalled_and_over(2.0) == (
        "what comes is kept again after 6 s; what came meanwhile waited in memory, none of it was"
        " overwritten"
    )


def test_of_a_stall_that_cost_records_it_is_told_where_the_loss_stands() -> None:
    watched = Watched()
    watched.watch.second(1.0)
    told = watched.stalled_and_over(2.0, lost=3)
    assert told == "what comes is kept again after 6 s; what was lost meanwhile is in the gaps"


def test_what_an_earlier_stall_cost_is_not_told_again() -> None:
    watched = Watched()
    assert "in the gaps" in watched.stalled_and_over(2.0, lost=3)
    watched.watch.second(5.0)
    assert "in the gaps" not in watched.stalled_and_over(6.0)


def test_what_went_before_the_stall_was_told_belongs_to_it() -> None:
    """A stall is told a second after it began: a small ring may have run over by then."""
    watched = Watched()
    watched.watch.second(1.0)
    watched.dropped[0] += 1
    assert "in the gaps" in watched.stalled_and_over(2.0)

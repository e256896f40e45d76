"""Once a second: whether what comes is being kept; told loudly while it is not, and when it is."""

from __future__ import annotations

from typing import TYPE_CHECKING, Final

from calibration.quantities.written import many
from recorder.acquisition.control.status import KeepingStatus

if TYPE_CHECKING:
    from collections.abc import Callable, Iterator, Sequence

    from recorder.acquisition.devices.device_thread import DeviceThread
    from recorder.acquisition.safekeeping.keeper import Keeper, Stall
    from recorder.acquisition.safekeeping.mark_register import MarkRegister
    from recorder.keeping.journal import Journal

__all__ = ["KeepWatch"]

SHORT_S: Final = 10.0
"""Room for less than this is told once more."""
AGAIN_S: Final = 60.0
"""Short troubles are told this often at most, together."""


class KeepWatch:
    """Looks at keeper, journal and marks from the main thread; :meth:`status` from any.

    ``rate_hz`` is how fast a device's records come, by its name.
    """

    def __init__(
        self,
        keeper: Keeper,
        journal: Journal,
        marks: MarkRegister,
        threads: Sequence[DeviceThread],
        rate_hz: Callable[[str], float],
        warn: Callable[[str], None],
    ) -> None:
        self._keeper = keeper
        self._journal = journal
        self._marks = marks
        self._threads = threads
        self._rate_hz = rate_hz
        self._warn = warn
        self._told_stall = self._told_room = False
        self._told_untidy = ""
        self._dropped = 0
        """Blocks overwritten, when it last looked while all was kept."""
        self._short: list[Stall] = []
        self._next_s = 0.0

    def status(self) -> KeepingStatus:
        """How it stands."""
        stall = self._keeper.stall()
        room_s, device = min(self._rooms(), default=(None, ""))
        return KeepingStatus(
            waiting_s=0.0 if stall is None else stall.lasted_s,
            why="" if stall is None else stall.why,
            room_s=room_s,
            device=device,
            marks=self._marks.waiting,
        )

    def _rooms(self) -> Iterator[tuple[float, str]]:
        """For how long each ring can hold what comes, at the rate at which it comes."""
        for thread in self._threads:
            ring = thread.ring.stats()
            bytes_s = self._rate_hz(thread.name) * thread.ring.bytes_per_record
            if bytes_s > 0.0:
                yield (ring.capacity - ring.used) / bytes_s, thread.name

    def second(self, t_s: float) -> None:
        """Tell what there is to tell, at this run time."""
        status = self.status()
        over = self._keeper.take_stalls()
        if status.stalled:
            self._tell_stall(status)
        elif self._told_stall:
            self._told_stall = self._told_room = False
            longest_s = max((stall.lasted_s for stall in over), default=0.0)
            lasted = f" after {longest_s:.0f} s" if longest_s else ""
            self._warn(f"what comes is kept again{lasted}; {self._cost()}")
            over = []
        if not status.stalled:
            self._dropped = self._overwritten()
        self._short.extend(over)
        if self._short and t_s >= self._next_s:
            self._next_s = t_s + AGAIN_S
            self._tell_short()
        self._tell_log()

    def _overwritten(self) -> int:
        """How many blocks were overwritten in the rings before they were kept, so far."""
        return sum(thread.ring.stats().dropped for thread in self._threads)

    def _cost(self) -> str:
        if self._overwritten() > self._dropped:
            return "what was lost meanwhile is in the gaps"
        return "what came meanwhile waited in memory, none of it was overwritten"

    def _tell_stall(self, status: KeepingStatus) -> None:
        if not self._told_stall:
            self._told_stall = True
            self._warn(f"{status.words}; it waits in memory and is tried again")
        room_s = status.room_s
        if room_s is not None and room_s < SHORT_S and not self._told_room:
            self._told_room = True
            self._warn(f"{status.words} at {status.device}; then its oldest records are lost")

    def _tell_short(self) -> None:
        worst = max(self._short, key=lambda stall: stall.lasted_s)
        self._warn(
            f"{many(len(self._short), 'commit')} failed ({worst.why}) and"
            f" {'was' if len(self._short) == 1 else 'were'} kept at another try,"
            f" {worst.lasted_s:.1f} s later at the most"
        )
        self._short.clear()

    def _tell_log(self) -> None:
        untidy = self._journal.untidy
        if untidy and not self._told_untidy:
            self._warn(
                f"{self._journal.path}: its log cannot be moved into it now ({untidy}); nothing is"
                " lost, the log grows until it can"
            )
        self._told_untidy = untidy

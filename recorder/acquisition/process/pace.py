"""How a recording waits and what it asks the time: here, as the computer's clocks go."""

from __future__ import annotations

import time
from typing import TYPE_CHECKING, Final, Protocol

from recorder.acquisition.preparation.opening import Ways
from recorder.machine.clocks import HostTimepiece

if TYPE_CHECKING:
    import threading
    from collections.abc import Sequence

    from recorder.acquisition.devices.device_thread import DeviceThread
    from recorder.acquisition.field.field_checks import FieldChecks
    from recorder.acquisition.safekeeping.keeper import Keeper
    from recorder.acquisition.safekeeping.mark_register import MarkRegister
    from recorder.machine.clocks import Timepiece
    from recorder.run.parts.header import RunHeader

__all__ = ["Pace", "RealPace"]

SET_UP_S: Final = 0.4
"""Journal, filer and channel are made before the zero begins."""
JOIN_S: Final = 5.0
"""A port that does not give a read back for so long hangs."""


class Pace(Ways, Protocol):
    """Lets the time of a recording pass; used by its main thread."""

    @property
    def set_up_s(self) -> float:
        """What passes while a recording is set up."""
        ...

    @property
    def tick_s(self) -> float:
        """How soon a stop, a full disk or the end of the feeds is noticed."""
        ...

    @property
    def over(self) -> str:
        """Why no more can come; empty while more may."""
        ...

    def shown(self, header: RunHeader) -> RunHeader:
        """The header as clients see it: their clock is the computer's."""
        ...

    def begin(
        self,
        threads: Sequence[DeviceThread],
        keeper: Keeper,
        marks: MarkRegister,
        checks: FieldChecks,
    ) -> None:
        """Devices are read and records kept from now on; marks and zeros may be taken."""
        ...

    def pass_time(self, seconds: float) -> None:
        """So many seconds of run time pass."""
        ...

    def end(self, threads: Sequence[DeviceThread]) -> dict[str, str]:
        """Devices are read no more; which of them hang, and how that shows."""
        ...


class RealPace:
    """Real devices on real ports: threads read, and waiting is sleeping."""

    simulated = False
    opener = None
    set_up_s = SET_UP_S
    tick_s = 0.1
    over = ""

    def __init__(self) -> None:
        self.timepiece: Timepiece = HostTimepiece()

    def shown(self, header: RunHeader) -> RunHeader:
        """As it is filed: the run's clock is the computer's."""
        return header

    def wait_for(self, done: threading.Event, seconds: float) -> object:
        """Until it is set, so many seconds at most."""
        return done.wait(seconds)

    def begin(
        self,
        threads: Sequence[DeviceThread],
        keeper: Keeper,
        marks: MarkRegister,
        checks: FieldChecks,
    ) -> None:
        """Start every thread; marks and zeros are asked for by clients."""
        del marks, checks
        for thread in threads:
            thread.start()
        keeper.start()

    def pass_time(self, seconds: float) -> None:
        """Sleep."""
        time.sleep(seconds)

    def end(self, threads: Sequence[DeviceThread]) -> dict[str, str]:
        """Stop the threads; one that does not stop hangs in its port."""
        for thread in threads:
            thread.stop()
        patience_ends_s = time.monotonic() + JOIN_S
        hangs = {}
        for thread in threads:
            if not thread.join(max(patience_ends_s - time.monotonic(), 0.0)):
                thread.give_up()
                hangs[thread.name] = f"no read came back within {JOIN_S:g} s of the stop"
        return hangs

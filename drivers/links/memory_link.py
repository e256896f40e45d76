"""A link in memory: bytes are handed to it instead of coming over a wire, for simulated time."""

from __future__ import annotations

from collections import deque
from typing import TYPE_CHECKING, Final

from drivers.interface.errors import LinkLostError

if TYPE_CHECKING:
    from drivers.links.serial_line import LineCounters

__all__ = ["MemoryLink", "MemoryPort"]

_FULL_BYTES: Final = 1 << 30
"""Memory does not fill as a port's buffer does: nothing is too fast here."""


class MemoryPort:
    """Where the bytes of one device arrive; opened as often as a port can be."""

    def __init__(self, address: str) -> None:
        self.address = address
        self.plugged = True
        """False: nothing answers here, and what is open is lost."""
        self._held: deque[bytes] = deque()

    def put(self, data: bytes) -> None:
        """Bytes come in; those of an unplugged port are gone, as on a wire."""
        if self.plugged:
            self._held.append(data)

    def unplug(self) -> None:
        """The plug is drawn: what waited is gone."""
        self.plugged = False
        self.clear()

    def clear(self) -> None:
        """What waits is gone, as with a port that nobody has open."""
        self._held.clear()

    def replug(self) -> None:
        """And put back."""
        self.plugged = True

    @property
    def waiting(self) -> int:
        """Bytes not taken yet."""
        return sum(len(data) for data in self._held)

    def take(self, max_bytes: int) -> bytes:
        """The oldest bytes, at most so many."""
        taken = b"".join(self._held)
        self._held.clear()
        if len(taken) > max_bytes:
            self._held.append(taken[max_bytes:])
        return taken[:max_bytes]

    def open(self, device_id: str) -> MemoryLink:
        """Open it.

        Raises
        ------
        LinkLostError
            The plug is drawn.
        """
        if not self.plugged:
            raise LinkLostError(device_id, f"nothing answers at {self.address}")
        return MemoryLink(self, device_id)


class MemoryLink:
    """An opened :class:`MemoryPort`: a :class:`~drivers.links.transport.Link` that never waits."""

    full_bytes = _FULL_BYTES

    def __init__(self, port: MemoryPort, device_id: str) -> None:
        self.port = port.address
        self._from = port
        self._device_id = device_id
        self._open = True

    def waiting(self) -> int:
        """Bytes that have come and are not read yet; 0 of a closed link.

        Raises
        ------
        LinkLostError
            The plug is drawn.
        """
        if not self._open:
            return 0
        self._must_be_plugged()
        return self._from.waiting

    def read(self, max_bytes: int) -> bytes:
        """What waits, possibly nothing: time does not pass here.

        Raises
        ------
        LinkLostError
            The plug is drawn, or the link is closed.
        """
        if not self._open:
            raise LinkLostError(self._device_id, f"{self.port} is closed")
        self._must_be_plugged()
        return self._from.take(max_bytes)

    def counters(self) -> LineCounters | None:
        """No line, so none."""
        return None

    def close(self) -> None:
        """Close; may be called twice."""
        self._open = False

    def _must_be_plugged(self) -> None:
        if not self._from.plugged:
            raise LinkLostError(self._device_id, f"{self.port} was unplugged")

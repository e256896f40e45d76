"""What can go wrong with a device, grouped by what the caller does next."""

from __future__ import annotations

__all__ = ["DriverError", "LinkLostError", "SetupError"]


class DriverError(Exception):
    """Root of everything a driver raises; the text begins with the device's name."""

    def __init__(self, device_id: str, message: str) -> None:
        super().__init__(f"{device_id}: {message}")
        self.device_id = device_id
        self.message = message

    def __reduce__(self) -> tuple[type[DriverError], tuple[str, str]]:
        """Let the error cross from one process to another."""
        return type(self), (self.device_id, self.message)


class SetupError(DriverError, ValueError):
    """The settings cannot work: do not start."""


class LinkLostError(DriverError, OSError):
    """The port is silent, gone or refused: close it, wait, open it again."""

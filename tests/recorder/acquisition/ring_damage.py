"""Harm to a ring, done from outside as another program's stray pointer would."""

from __future__ import annotations

from typing import cast

from recorder.machine.shared_memory import PAGE, attach_segment


def flip_byte(name: str, at: int) -> None:
    """Flip all bits of the byte at ``at`` of a ring's data."""
    segment = attach_segment(name)
    memory = cast("memoryview", segment.buf)
    memory[PAGE + at] ^= 0xFF
    segment.close()

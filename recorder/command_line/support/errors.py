"""Which exceptions are a person's to mend, told in one line, and which are bugs."""

from __future__ import annotations

from typing import Final

__all__ = ["USER_ERRORS", "AnswerIsNoError", "UsageError"]


class AnswerIsNoError(Exception):
    """The work was done and the answer is no: exit code 1."""


class UsageError(Exception):
    """Wrong use or bad input: exit code 2."""


USER_ERRORS: Final[tuple[type[Exception], ...]] = (UsageError, OSError, ValueError)
"""Every error meant for a person derives from one of these (room errors from ``ValueError``
or ``OSError``)."""

"""What can go wrong with the journal, in one line for a person."""

__all__ = ["JournalError", "JournalFullError", "SealError"]


class JournalError(ValueError):
    """A journal that cannot be made, read or used; the text names the file first."""


class JournalFullError(OSError):
    """The disk is full: this commit was not kept; everything before it is."""


class SealError(ValueError):
    """The run file does not agree with its journal; the journal has been kept."""

"""What can go wrong with the journal, in one line for a person."""

__all__ = ["JournalError", "JournalFullError", "NotKeptError", "SealBugError", "SealError"]


class JournalError(ValueError):
    """A journal that cannot be made, read or used; the text names the file first."""


class NotKeptError(OSError):
    """A commit that a lock, the disk or the database would not take now; it may be tried again.

    Nothing of it was kept, everything before it is. Tried again as it was, it is kept once.
    """


class JournalFullError(NotKeptError):
    """The disk is full: this commit was not kept; everything before it is."""


class SealError(ValueError):
    """The run file does not agree with its journal; the journal has been kept."""


class SealBugError(RuntimeError):
    """A mistake in this program while filing or sealing; the journal has been kept.

    No ``ValueError``: nothing the crew did, and nothing they can mend.
    """

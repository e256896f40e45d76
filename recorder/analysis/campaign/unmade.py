"""What of an answer or a report could not be made, and why: said in its place, never fatal."""

from __future__ import annotations

from collections.abc import Callable
from dataclasses import dataclass
from typing import TypeVar

from calibration.quantities.sentence import Sentence, say, words_of

__all__ = ["Unmade", "attempt"]

_T = TypeVar("_T")


@dataclass(frozen=True, slots=True)
class Unmade:
    """A side table, fit or chart that could not be made."""

    what: str
    why: str

    @property
    def in_words(self) -> str:
        """One line for a note."""
        return say(
            f"{self.what} could not be made: ", self.why, "; the rest of the answer stands"
        )


def attempt(what: str, make: Callable[[], _T], instead: _T, unmade: list[Unmade]) -> _T:
    """Make one part; what goes wrong in it is kept in ``unmade`` and never takes the rest down.

    The one boundary of its kind: whatever a part raises, a fault of ours among it, is told by
    its kind and words in the part's place, in the notes and in results.json.

    Raises:
        OSError, MemoryError: the machine's, not the part's: a full disk is no answer.
    """
    try:
        return make()
    except (OSError, MemoryError):
        raise
    except Exception as error:  # noqa: BLE001 - told in its place; the verdict must still be written
        why = words_of(error)
        if not isinstance(why, Sentence):
            why = " ".join(why.split()) or "no words"
        known = isinstance(error, ValueError)
        unmade.append(Unmade(what, why if known else f"{type(error).__name__}: {why}"))
        return instead

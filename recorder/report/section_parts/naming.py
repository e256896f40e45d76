"""What runs are called on paper: a letter each; file names stand once, in small."""

from __future__ import annotations

import string
from dataclasses import dataclass
from typing import TYPE_CHECKING

if TYPE_CHECKING:
    from recorder.analysis.campaign.answer import CampaignAnswer
    from recorder.report.pages.shown_units import ShownUnits

__all__ = ["Naming", "naming_of"]


@dataclass(frozen=True, slots=True)
class Naming:
    """Names inside (of files) and the letters that the report calls the runs by."""

    letters: dict[str, str]
    units: ShownUnits

    def letter(self, name: str) -> str:
        """``A``."""
        return self.letters.get(name, name)

    def run(self, name: str) -> str:
        """``run A``."""
        return f"run {self.letter(name)}"

    def told(self, sentence: str) -> str:
        """A sentence of the analysis in the units shown, its run by letter."""
        words = self.units.words(sentence)
        for name in self.letters:
            if words.startswith(f"{name}: "):
                return f"Run {self.letter(name)}: {words[len(name) + 2 :]}"
        return words

    def owned(self, words: str) -> str:
        """Whose an error is: a run, or something of a run, by its letter."""
        shown = self.units.words(words)
        for name in self.letters:
            if shown == name:
                return self.run(name)
            if shown.endswith(f" of {name}"):
                return shown[: -len(name)] + self.run(name)
        return shown


def naming_of(answer: CampaignAnswer, units: ShownUnits) -> Naming:
    """Letters in the order of the runs; after Z, AA, AB …"""
    return Naming({r.loaded.name: _letters(i) for i, r in enumerate(answer.runs)}, units)


def _letters(number: int) -> str:
    over, at = divmod(number, 26)
    return ("" if over == 0 else _letters(over - 1)) + string.ascii_uppercase[at]

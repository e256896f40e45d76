"""Sentences that keep their quantities, so that a paper can say them in the edition asked for.

Read as text a sentence is the metric one, as results for programs and logs hold it; ``in_edition``
says it again with every quantity converted. Sentences are joined by :func:`say` alone: an f-string
would keep the words and lose the quantities.
"""

from __future__ import annotations

import math
from collections.abc import Sequence
from dataclasses import dataclass

from calibration.quantities.editions import Edition, shown_unit
from calibration.quantities.written import typeset

__all__ = ["Amount", "Sentence", "amount", "between", "in_edition", "join", "say", "words_of"]

_C_TO_F = 1.8
_F_AT_0_C = 32.0


@dataclass(frozen=True, slots=True, kw_only=True)
class Amount:
    """One quantity in a sentence, or several that share a unit."""

    values: tuple[float, ...]
    unit: str
    """Of the values, as the metric sentence writes it."""
    decimals: int | None = None
    """As written in the metric edition; None: ``digits`` that count, no zeros at their end."""
    digits: int = 3
    joined: str = "-"
    """Between several values: ``15-25 km/h``."""

    def text(self, edition: Edition) -> str:
        """The quantity with its unit."""
        label, factor, offset = _shown(self.unit, edition)
        numbers = (self._number(v * factor + offset, factor) for v in self.values)
        return f"{self.joined.join(numbers)} {label}"

    def _number(self, shown: float, factor: float) -> str:
        if not math.isfinite(shown):
            return "not known"
        if self.decimals is None:
            short = f"{shown:.{self.digits}g}"
            return typeset(short if "e+" not in short else f"{shown:.0f}")
        places = max(0, self.decimals - math.floor(math.log10(factor)))
        return typeset(f"{shown:.{places}f}")


def _shown(unit: str, edition: Edition) -> tuple[str, float, float]:
    """Label, factor and offset of a unit in one edition; metric sentences keep their own."""
    if edition is Edition.METRIC:
        return unit, 1.0, 0.0
    if unit == "°C":
        return "°F", _C_TO_F, _F_AT_0_C
    if unit == "K":
        return "°F", _C_TO_F, 0.0
    shown = shown_unit(unit, edition)
    return shown.label, shown.factor, 0.0


class Sentence(str):
    """Words and quantities; as a ``str`` the metric sentence."""

    __slots__ = ("parts",)
    parts: tuple[str | Amount, ...]

    def __new__(cls, *parts: str | Amount) -> Sentence:
        """Of words and quantities in order; sentences among them keep their quantities."""
        flat: list[str | Amount] = []
        for part in parts:
            flat += part.parts if isinstance(part, Sentence) else (part,)
        made = super().__new__(cls, "".join(_said(p, Edition.METRIC) for p in flat))
        made.parts = tuple(flat)
        return made


def say(*parts: str | Amount) -> Sentence:
    """One sentence of words, quantities and other sentences."""
    return Sentence(*parts)


def join(between: str, sentences: Sequence[str]) -> Sentence:
    """Several sentences with the same words between them."""
    parts: list[str] = []
    for sentence in sentences:
        parts += [between, sentence]
    return Sentence(*parts[1:])


def amount(value: float, unit: str, decimals: int | None = None, *, digits: int = 3) -> Amount:
    """One quantity."""
    return Amount(values=(float(value),), unit=unit, decimals=decimals, digits=digits)


def between(
    low: float,
    high: float,
    unit: str,
    decimals: int | None = None,
    *,
    digits: int = 3,
    joined: str = "-",
) -> Amount:
    """Two quantities with one unit: a range, or a value and its uncertainty (`` ± ``)."""
    return Amount(
        values=(float(low), float(high)),
        unit=unit,
        decimals=decimals,
        digits=digits,
        joined=joined,
    )


def in_edition(words: str, edition: Edition) -> str:
    """The words in one edition; of a text without quantities, itself."""
    if not isinstance(words, Sentence):
        return words
    return "".join(_said(p, edition) for p in words.parts)


def words_of(error: BaseException) -> str:
    """What an error says, with its quantities where it was told as a sentence."""
    first = error.args[0] if error.args else ""
    return first if isinstance(first, Sentence) else str(error)


def _said(part: str | Amount, edition: Edition) -> str:
    return part.text(edition) if isinstance(part, Amount) else part

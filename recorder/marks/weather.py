"""Weather, as marked: words of the crew, and among them the wind in figures."""

from __future__ import annotations

import re
from dataclasses import dataclass
from typing import ClassVar, Final, Self

from recorder.marks.grammar import (
    LOOSE,
    NUMBER,
    MarkValue,
    MarkValueError,
    Quantity,
    number,
    plain,
    quantity,
    unit_pattern,
)
from recorder.marks.kinds import Kind

__all__ = ["WeatherMark", "Wind"]

FASTEST_M_S: Final = 60.0
"""Above a hurricane's 33 m/s (Beaufort scale) by far: a slip of the finger."""

_SPEEDS: Final = ("m/s", "km/h", "mph", "kn", "knots")
_POINTS: Final = (
    "n", "nne", "ne", "ene", "e", "ese", "se", "sse",
    "s", "ssw", "sw", "wsw", "w", "wnw", "nw", "nnw",
)  # fmt: skip
_FIGURES: Final = (
    rf"\bwind\s+({NUMBER})(?:\s*({unit_pattern(_SPEEDS)}))?"
    rf"(?:\s+from\s+({NUMBER}|[nesw]{{1,3}}))?(?![\w.,/]*\w)"
)
"""``wind 5 m/s from 270``; a wind of 0 needs neither unit nor bearing."""
_CALM: Final = r"\bwind\s+calm\b|(?:^|[;,]\s*)(?:no\s+wind|calm)(?=\s*(?:[;,]|$))"
_WIND: Final = re.compile(rf"{_FIGURES}|(?P<calm>{_CALM})", LOOSE)
_SPEAKS: Final = re.compile(r"\bwind\b", LOOSE)
_BROKEN: Final = re.compile(r"\bwind\s+[0-9.,]", LOOSE)


@dataclass(frozen=True, slots=True)
class Wind:
    """Wind in figures."""

    speed: Quantity
    from_deg: float | None
    """Bearing it blows from, degrees from north; None when there is no wind."""

    @property
    def speed_m_s(self) -> float:
        """Speed in m/s."""
        return self.speed.in_unit("m/s")

    @property
    def text(self) -> str:
        """``wind 5 m/s from 270`` or ``wind calm``."""
        if self.from_deg is None:
            return "wind calm"
        return f"wind {self.speed.text} from {plain(self.from_deg)}"


CALM: Final = Wind(Quantity(0.0, "m/s"), None)


@dataclass(frozen=True, slots=True)
class WeatherMark(MarkValue):
    """Weather in words, with the wind in figures where they give it."""

    kind: ClassVar[Kind] = Kind.WEATHER
    before: str = ""
    """Words before the wind, or all of them."""
    wind: Wind | None = None
    after: str = ""
    """Words after the wind."""

    @property
    def speaks_of_wind(self) -> bool:
        """Whether the wind is spoken of, in figures or not: an earlier mark of it holds no more."""
        return self.wind is not None or _SPEAKS.search(self.before) is not None

    @property
    def text(self) -> str:
        """``dry; wind 5 m/s from 270; 12 C``."""
        wind = "" if self.wind is None else self.wind.text
        return "; ".join(words for words in (self.before, wind, self.after) if words)

    @classmethod
    def read(cls, text: str) -> Self:
        """Any words; the first wind in figures is understood, one that cannot be is refused."""
        found = _WIND.search(text)
        before = text if found is None else text[: found.start()]
        if _BROKEN.search(before):
            raise MarkValueError(_ALLOWED)
        if found is None:
            return cls(before=before)
        wind = CALM if found["calm"] else _wind(found[1], found[2], found[3])
        after = text[found.end() :]
        return cls(before=before.strip(" ;,"), wind=wind, after=after.strip(" ;,"))


_ALLOWED: Final = (
    f"words, and the wind with its unit (m/s, km/h, mph, kn; at most {FASTEST_M_S:g} m/s) and"
    " where it comes from (0 to 360, or a point such as NW), for example"
    " dry; wind 5 m/s from 270, or wind 0"
)


def _wind(speed: str, unit: str | None, bearing: str | None) -> Wind:
    if number(speed) == 0.0:
        return CALM
    if unit is None or bearing is None:
        raise MarkValueError(_ALLOWED)
    blowing = quantity(speed, unit, _SPEEDS)
    if blowing.unit == "knots":
        blowing = Quantity(blowing.amount, "kn")
    word = bearing.lower()
    in_figures = not word.isalpha()
    if not in_figures and word not in _POINTS:
        raise MarkValueError(_ALLOWED)
    from_deg = number(word) if in_figures else 22.5 * _POINTS.index(word)
    wind = Wind(blowing, from_deg)
    if wind.speed_m_s > FASTEST_M_S or from_deg > 360.0:
        raise MarkValueError(_ALLOWED)
    return wind

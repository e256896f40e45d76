"""The crew's weather marks in the units shown."""

from __future__ import annotations

import re
from typing import TYPE_CHECKING, Final

from calibration.quantities.sentence import amount, say
from recorder.marks.weather import WeatherMark

if TYPE_CHECKING:
    from recorder.marks.mark import Mark
    from recorder.report.pages.shown_units import ShownUnits

__all__ = ["weather_words"]

_CELSIUS: Final = re.compile(r"(?<![\w.,])([-−+]?\d+(?:\.\d+)?)\s*(?:°\s*)?C\b")


def weather_words(mark: Mark, units: ShownUnits) -> str:
    """``dry; wind 3 m/s from 240; 11 °C``; what does not read, as keyed."""
    held = mark.meaning
    if not isinstance(held, WeatherMark):
        return mark.value
    parts = [_degrees(held.before)]
    if held.wind is not None and held.wind.from_deg is not None:
        # As keyed where the edition has no unit of its own for it.
        blowing = amount(held.wind.speed.amount, held.wind.speed.unit)
        parts.append(say("wind ", blowing, f" from {held.wind.from_deg:.0f}°"))
    elif held.wind is not None:
        parts.append(held.wind.text)
    parts.append(_degrees(held.after))
    return "; ".join(units.words(words) for words in parts if words)


def _degrees(words: str) -> str:
    """Temperatures in degrees Celsius as quantities; all else as keyed."""
    found = _CELSIUS.search(words)
    if found is None:
        return words
    degrees = float(found[1].replace("−", "-"))
    return say(words[: found.start()], amount(degrees, "°C", 0), _degrees(words[found.end() :]))

"""What stood about the train: wind, rail, fire and boiler pressure, as marked."""

from __future__ import annotations

import math
import re
from collections.abc import Sequence
from typing import TYPE_CHECKING, Final

import numpy as np

from calibration.quantities.sentence import amount, say
from recorder.analysis.stretches.admission_record import Criterion, CriterionKind
from recorder.marks.kinds import Kind
from recorder.marks.stores import SteamMark
from recorder.marks.weather import WeatherMark, Wind

if TYPE_CHECKING:
    from recorder.analysis.series.series import Series
    from recorder.analysis.stretches.stretch import Stretch
    from recorder.marks.mark import Mark
    from recorder.sheets import TripSheet
    from recorder.sheets.admission_limits import AdmissionLimits

__all__ = [
    "derating_criterion",
    "fire_criterion",
    "rail_criterion",
    "steam_criterion",
    "wind_criterion",
]

STEAM_S: Final = 600.0
"""How long a gauge reading holds: a fire gains or loses a few per cent in ten minutes (common
practice)."""
REMARK_S: Final = 120.0
"""To either side of a remark on the fire or on derating."""
_WET: Final = re.compile(
    r"\b(wet|rain\w*|drizzl\w*|snow\w*|sleet|ice|icy|frost\w*|leaves|dew|damp|greasy|storm)\b",
    re.I,
)
_DRY: Final = re.compile(r"\b(dry|sun\w*|clear|fair|fine)\b", re.I)
_FIRE: Final = re.compile(
    r"\b(prim(?:ing|ed|es)|low steam|short of steam|fire (?:low|out|dirty|cleaned)|clinker"
    r"|injector failed)\b",
    re.I,
)
_DERATED: Final = re.compile(
    r"\b(derat\w*|cut out|traction motor out|unit (?:down|dead|out)|load shed\w*|ground relay"
    r"|overheat\w*|limited power)\b",
    re.I,
)
_NEGATED: Final = re.compile(
    r"(\b(no|not|without|never|hardly|nowhere near)|n't)\s+(yet\s+|quite\s+)?$", re.I
)


def wind_criterion(
    stretch: Stretch, marks: Sequence[Mark], limits: AdmissionLimits
) -> Criterion:
    """The strongest wind marked for any of the stretch below what the contract allows."""
    winds = _winds(stretch, marks)
    blown = [wind.speed_m_s for wind in winds if wind is not None]
    most, part = limits.wind_most_m_s, ", and not known for a part" * (None in winds)
    strongest = max(blown, default=math.nan)
    told = strongest > most or (bool(blown) and not part)
    return Criterion(
        kind=CriterionKind.WIND,
        value=say(amount(strongest, "m/s", 1), part) if blown else "not known",
        limit=say("at most ", amount(most, "m/s")),
        passed=strongest <= most if told else None,
        reason=say("the wind blew harder than ", amount(most, "m/s")),
    )


def _winds(stretch: Stretch, marks: Sequence[Mark]) -> list[Wind | None]:
    """Those keyed for any of the stretch, in order; ``None``: spoken of without figures."""
    winds: list[Wind | None] = []
    for mark in marks:
        if mark.kind is not Kind.WEATHER or mark.t_s > stretch.t_end_s:
            continue
        value = mark.meaning
        if isinstance(value, WeatherMark) and not value.speaks_of_wind:
            continue
        wind = value.wind if isinstance(value, WeatherMark) else None
        winds = [wind] if mark.t_s <= stretch.t_start_s else [*winds, wind]
    return winds


def rail_criterion(
    stretch: Stretch, marks: Sequence[Mark], limits: AdmissionLimits
) -> Criterion:
    """Rail, by the weather last marked, as the contract wants it."""
    found = "not known"
    for mark in marks:
        if mark.kind is not Kind.WEATHER or mark.t_s > stretch.t_end_s:
            continue
        if _said(_WET, mark.value) or _denied(_DRY, mark.value):
            found = "wet"
        elif _said(_DRY, mark.value):
            # Wet for part of the stretch is wet.
            found = "wet" if found == "wet" and mark.t_s > stretch.t_start_s else "dry"
    wanted_dry = limits.rail == "dry"
    reasons = {
        "wet": "the rail was wet, and the contract is for dry rail",
        "not known": "the rail is not known, and the contract is for dry rail",
    }
    return Criterion(
        kind=CriterionKind.RAIL,
        value=found,
        limit=limits.rail,
        passed=found == "dry" if wanted_dry else True,
        reason=reasons.get(found, ""),
    )


def steam_criterion(
    stretch: Stretch,
    series: Series,
    marks: Sequence[Mark],
    trip: TripSheet | None,
    limits: AdmissionLimits,
) -> Criterion | None:
    """Boiler pressure of a steam locomotive near its working pressure."""
    engine = None if trip is None else trip.locomotive
    if engine is None or engine.kind != "steam":
        return None
    working = None if engine.steam is None else engine.steam.boiler_pressure_Pa
    held_Pa = _pressure_Pa(stretch, series, marks)
    least = limits.boiler_pressure_least_pct
    known = working is not None and held_Pa is not None
    share = math.nan if working is None or held_Pa is None else 100.0 * held_Pa / working
    return Criterion(
        kind=CriterionKind.STEAM,
        value=f"{share:.0f} % of the working pressure" if known else "not known",
        limit=f"at least {least:g} %",
        passed=share >= least if known else None,
        reason=f"boiler pressure was below {least:g} % of the working pressure",
    )


def _pressure_Pa(stretch: Stretch, series: Series, marks: Sequence[Mark]) -> float | None:
    """The least of a channel in the stretch, else the last gauge reading that still holds."""
    if series.boiler_pressure_Pa is not None:
        values = series.boiler_pressure_Pa[stretch.span]
        if np.isfinite(values).any():
            return float(np.nanmin(values))
    held = None
    for mark in marks:
        if mark.kind is Kind.STEAM and stretch.t_end_s - STEAM_S <= mark.t_s <= stretch.t_end_s:
            value = mark.meaning
            if isinstance(value, SteamMark) and value.pressure is not None:
                held = value.pressure.in_unit("kPa") * 1000.0
    return held


def fire_criterion(
    stretch: Stretch, marks: Sequence[Mark], trip: TripSheet | None
) -> Criterion | None:
    """No priming and no trouble with the fire remarked about the stretch of a steam trial."""
    if trip is None or trip.locomotive.kind != "steam":
        return None
    said = _remarked(_FIRE, stretch, marks)
    return Criterion(
        kind=CriterionKind.FIRE,
        value=said or "nothing remarked",
        limit="neither priming nor trouble with the fire",
        passed=not said,
        reason=f"the crew remarked: {said}",
    )


def derating_criterion(
    stretch: Stretch, marks: Sequence[Mark], trip: TripSheet | None
) -> Criterion | None:
    """No derating remarked about the stretch of a diesel or electric trial."""
    if trip is not None and trip.locomotive.kind == "steam":
        return None
    said = _remarked(_DERATED, stretch, marks)
    return Criterion(
        kind=CriterionKind.DERATING,
        value=said or "nothing remarked",
        limit="none",
        passed=not said,
        reason=f"the crew remarked: {said}",
    )


def _remarked(pattern: re.Pattern[str], stretch: Stretch, marks: Sequence[Mark]) -> str:
    low, high = stretch.t_start_s - REMARK_S, stretch.t_end_s + REMARK_S
    for mark in marks:
        if low <= mark.t_s <= high and mark.kind in (Kind.REMARK, Kind.STEAM, Kind.THROTTLE):
            for words in (mark.value, mark.note):
                if _said(pattern, words):
                    return words
    return ""


def _said(pattern: re.Pattern[str], words: str) -> bool:
    """Whether words speak of it, other than to say that there is none."""
    return any(not _NEGATED.search(words[: m.start()]) for m in pattern.finditer(words))


def _denied(pattern: re.Pattern[str], words: str) -> bool:
    """Whether words say that there is none of it."""
    return any(_NEGATED.search(words[: m.start()]) for m in pattern.finditer(words))

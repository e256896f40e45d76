"""Conditions of any class on the reference standard: known, traceable, valid on the day."""

from __future__ import annotations

from datetime import date
from typing import TYPE_CHECKING, Final

from calibration.figures.condition import Condition

if TYPE_CHECKING:
    from calibration.readings.bench_settings import BenchSettings

__all__ = ["expanded_pct", "standard_conditions"]

_SHEET: Final = "in the table [standard] of the bench sheet"


def expanded_pct(settings: BenchSettings) -> float | None:
    """Expanded relative uncertainty of the applied force at k = 2, %; None where not stated."""
    U = settings.reference_U_pct
    return None if U is None else U * 2.0 / settings.reference_k


def standard_conditions(settings: BenchSettings, *, clause: str) -> list[Condition]:
    """What must be known of the standard before a class rests on it.

    The day is the last day of the calibration where that is stated, else the day of issue.
    """
    standard = settings.standard
    missing = [
        word
        for word, text in (
            ("serial number", standard.serial),
            ("number of its certificate", standard.certificate),
            ("laboratory that issued it", standard.issued_by),
        )
        if not text.strip()
    ]
    name, allowed = "reference standard", "named, with its certificate and who issued it"
    if missing:
        told = Condition.unknown(
            name, f"not stated: {', '.join(missing)}", allowed, clause, f"state it {_SHEET}"
        )
    else:
        got = f"{standard.serial}, certificate {standard.certificate} of {standard.issued_by}"
        told = Condition.judged(name, got, allowed, clause)
    return [told, _valid(settings, clause), _traceable(settings, clause)]


def _traceable(settings: BenchSettings, clause: str) -> Condition:
    name, allowed = "traceability", "to a national realisation of force, stated"
    words = settings.standard.traceability.strip()
    if words:
        return Condition.judged(name, words, allowed, clause)
    return Condition.unknown(name, "not stated", allowed, clause, f"state it {_SHEET}")


def _valid(settings: BenchSettings, clause: str) -> Condition:
    name, standard = "reference standard valid", settings.standard
    allowed = "calibrated before, and valid until after, the day of this calibration"
    first, last = _days(settings)
    if standard.valid_until is None or standard.calibrated is None:
        what = "valid_until" if standard.valid_until is None else "calibrated"
        got = f"{what} of its certificate not stated"
        return Condition.unknown(name, got, allowed, clause, f"state {what} {_SHEET}")
    got = f"{standard.calibrated.isoformat()} to {standard.valid_until.isoformat()}"
    if first is None or last is None:
        to_know = "state the day of calibration or of issue"
        return Condition.unknown(name, f"{got}, the day not", allowed, clause, to_know)
    held = standard.calibrated <= first and last <= standard.valid_until
    day = first.isoformat() if first == last else f"{first.isoformat()} to {last.isoformat()}"
    return Condition.judged(name, f"{got}, used {day}", allowed, clause, held=held)


def _days(settings: BenchSettings) -> tuple[date | None, date | None]:
    """First and last day on which the standard was used, as far as stated."""
    laboratory = settings.laboratory
    last = laboratory.ended or laboratory.began or settings.issued
    return laboratory.began or last, last

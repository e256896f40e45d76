"""Stated facts that do not go together, with each other or with the readings: told, not refused."""

from __future__ import annotations

from collections.abc import Iterator
from datetime import date
from typing import TYPE_CHECKING, Final

if TYPE_CHECKING:
    from calibration.readings.bench_settings import BenchSettings

__all__ = ["stated_cautions"]

FAR_ABOVE: Final = 4.0
"""Capacity over the largest force. A thousand pounds-force are 4.45 kN: forces in klbf under a
column in kN lie beyond, and whoever calibrates below a quarter of a cell says so (common
practice)."""


def stated_cautions(settings: BenchSettings, largest_kN: float) -> list[str]:
    """A line each; ``largest_kN`` is the magnitude of the largest force applied."""
    return [*_of_standard(settings), *_of_days(settings), *_of_capacity(settings, largest_kN)]


def _calibrated_on(settings: BenchSettings) -> tuple[date | None, date | None]:
    """First and last day of the calibration, as far as they are stated."""
    laboratory = settings.laboratory
    first = laboratory.began or laboratory.ended or settings.issued
    return first, laboratory.ended or settings.issued or laboratory.began


def _of_standard(settings: BenchSettings) -> Iterator[str]:
    first, last = _calibrated_on(settings)
    standard = settings.standard
    if last is not None and standard.valid_until is not None and standard.valid_until < last:
        yield (
            f"the reference standard was valid until {standard.valid_until}, the calibration was"
            f" on {last}: its uncertainty is not vouched for; have it calibrated, then calibrate"
            " again"
        )
    if first is not None and standard.calibrated is not None and standard.calibrated > first:
        yield (
            f"the reference standard is stated as calibrated on {standard.calibrated}, after the"
            f" calibration on {first}: state the certificate that held on the day"
        )


def _of_days(settings: BenchSettings) -> Iterator[str]:
    issued, laboratory = settings.issued, settings.laboratory
    for name in ("received", "began", "ended"):
        day = getattr(laboratory, name)
        if issued is not None and day is not None and day > issued:
            yield (
                f"laboratory.{name} is {day}, after the day of issue {issued}: one of the two is"
                " wrong"
            )
    received = laboratory.received
    for name in ("began", "ended"):
        day = getattr(laboratory, name)
        if received is not None and day is not None and day < received:
            yield (
                f"laboratory.{name} is {day}, before the cell was received on {received}: one of"
                " the two is wrong"
            )
            return


def _of_capacity(settings: BenchSettings, largest_kN: float) -> Iterator[str]:
    capacity = settings.capacity_kN
    if capacity is not None and capacity > FAR_ABOVE * largest_kN:
        yield (
            f"the capacity of {capacity:g} kN is {capacity / largest_kN:.3g} times the largest"
            f" force applied, {largest_kN:.4g} kN: check the capacity and the unit of the force"
            " column (1 klbf is 4.45 kN); above that force nothing is certified"
        )

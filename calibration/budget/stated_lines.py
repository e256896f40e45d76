"""Lines of the budget beside the readings: reference, creep, temperature, years."""

from __future__ import annotations

import math
from dataclasses import dataclass, replace
from typing import TYPE_CHECKING, Final

import numpy as np

from calibration.budget import defaults
from calibration.budget.components import BenchFacts, line, unknown_line
from calibration.statistics.half_width import Shape

if TYPE_CHECKING:
    from numpy.typing import NDArray

    from calibration.statistics.gum import Component

__all__ = [
    "MeasuredEffect",
    "creep_line",
    "reference_lines",
    "stability_line",
    "temperature_lines",
]


REACHED: Final = 1.0 / 0.95 / math.sqrt(3.0)
"""Standard uncertainty, over a bound, of the rectangle that is so wide that 95 % of it reach the
bound: alone, such an effect counts in full."""


@dataclass(frozen=True, slots=True)
class MeasuredEffect:
    """A figure of the calibration, in per cent; None where it was not assessed."""

    value: float | None
    standard_error: float = 0.0
    reason: str = ""
    """Why there is none."""

    def bound(self, unmeasured: float) -> float | None:
        """With its own 95 % uncertainty, which is worth no more than not measuring at all."""
        if self.value is None:
            return None
        size = abs(self.value)
        return max(size, min(size + 2.0 * self.standard_error, unmeasured))


def reference_lines(facts: BenchFacts) -> tuple[Component, ...]:
    """The applied force: its certificate, its drift, its temperature."""
    s, grid = facts.settings, facts.grid_kN
    U = s.reference_U_pct
    if U is None:
        first = unknown_line("reference standard", "its expanded uncertainty is not stated")
    else:
        first = line(
            facts, "reference standard", U / s.reference_k / 100.0 * grid, Shape.NORMAL,
            f"U = {U:g} % (k = {s.reference_k:g}) of the applied force",
        )  # fmt: skip
    name, drift = "drift of the reference", s.standard.drift_pct
    basis, caution = f"{drift} % between its calibrations, as stated", ""
    if drift is None:
        drift = 0.0 if U is None else U
        basis = "not stated: as much as its expanded uncertainty, from experience"
        caution = "the drift of the reference is not stated: as much as its U stands for it"
    second = line(
        facts, name, drift / 100.0 / math.sqrt(3.0) * grid, Shape.RECTANGLE, basis,
        caution=caution,
    )  # fmt: skip
    return first, second, _reference_temperature(facts)


def _reference_temperature(facts: BenchFacts) -> Component:
    """What the reference changes by from the temperature at which it was calibrated."""
    s, missing = facts.settings, []
    coefficient = s.reference_temperature_coefficient_pct_per_K
    if coefficient is None:
        coefficient = defaults.REFERENCE_PCT_PER_K
        missing.append(
            f"a coefficient that nobody stated ({coefficient:g} % per K stands for it)"
        )
    if s.room_temperature_C is None or s.reference_temperature_C is None:
        shift = defaults.REFERENCE_AWAY_K
        missing.append(f"a distance from its own that nobody stated ({shift:g} K stand for it)")
    else:
        shift = abs(s.room_temperature_C - s.reference_temperature_C)
    if not coefficient:
        missing = []
    percent = abs(coefficient) * shift
    told = f"the temperature of the reference rests on {' and '.join(missing)}"
    return line(
        facts, "temperature of the reference", percent / 100.0 / math.sqrt(3.0) * facts.grid_kN,
        Shape.RECTANGLE, f"{percent:.3g} % for {shift:g} K",
        caution=told if missing else "",
    )  # fmt: skip


def creep_line(facts: BenchFacts, creep: MeasuredEffect) -> Component:
    """A force held for anything up to minutes: the change from 30 s to 300 s, as a share."""
    name = "creep"
    if creep.value is not None:
        # The difference of two readings holds their scatter twice.
        own = 2.0 * (facts.scatter.sd_kN / facts.largest_kN) ** 2
        share = math.sqrt(max((creep.value / 100.0) ** 2 - own, 0.0))
        return line(
            facts, name, share * REACHED * facts.grid_kN, Shape.RECTANGLE,
            f"{creep.value:.3g} % from 30 s to 300 s, less scatter",
        )  # fmt: skip
    stated = facts.settings.data_sheet.creep_pct
    percent = defaults.CREEP_PCT if stated is None else stated
    whose = "c of ISO 376 class 2" if stated is None else "by the data sheet"
    return line(
        facts, name, percent / 100.0 * REACHED * facts.grid_kN, Shape.RECTANGLE,
        f"not measured: {percent:g} % of force, {whose}",
        caution=f"creep was not measured: {percent:g} % of force, {whose}, stands for it",
    )  # fmt: skip


def temperature_lines(
    facts: BenchFacts, on_zero: MeasuredEffect, on_span: MeasuredEffect
) -> tuple[Component, Component]:
    """At the end of the service temperatures; on the zero, between its taking and the reading.

    A zero is taken again in the field: it may be off by what ``zero_within_K`` does to it, and
    the range of service where that is less.
    """
    away, apart, words, caution = _service(facts)
    s = facts.settings
    usual = defaults.TEMPERATURE_PCT_PER_K[s.element]
    sheet = (s.data_sheet.temperature_zero_pct_per_K, s.data_sheet.temperature_span_pct_per_K)
    of_zero = None if sheet[0] is None else sheet[0] * facts.capacities
    full = np.full(len(facts.grid_kN), facts.largest_kN) / 100.0
    first = _temperature(
        facts, "temperature on zero", on_zero, of_zero, usual[0],
        full * apart, words[0],
    )  # fmt: skip
    second = _temperature(
        facts, "temperature on span", on_span, sheet[1], usual[1],
        facts.grid_kN / 100.0 * away, words[1],
    )  # fmt: skip
    told = "; ".join(text for text in (second.caution, caution) if text)
    return first, replace(second, caution=told)


def _temperature(
    facts: BenchFacts,
    name: str,
    measured: MeasuredEffect,
    sheet: float | None,
    usual: float,
    over: NDArray[np.float64],
    words: str,
) -> Component:
    """A coefficient in % per K; ``over`` (m,) is kelvin times kN/100.

    A use at the end of the range stands at the edge, whoever says how large the effect is:
    measured, promised by the maker, or usual. So what was not measured is never worth more.
    """
    unmeasured = usual if sheet is None else sheet
    percent = measured.bound(unmeasured)
    if percent is not None:
        return line(facts, name, percent * over, Shape.TWO_POINT, f"measured, {words}")
    whose = "from experience" if sheet is None else "by the data sheet"
    return line(
        facts, name, unmeasured * over, Shape.TWO_POINT,
        f"not measured: {unmeasured:.2g} % per K, {whose}, {words}",
        caution=f"{name} was not measured: {unmeasured:.2g} % per K, {whose}, stands for it",
    )  # fmt: skip


def _service(facts: BenchFacts) -> tuple[float, float, tuple[str, str], str]:
    """Kelvin from the bench, from the zero, both in words, and what must be told."""
    s = facts.settings
    known = facts.loads.temperature_C[~np.isnan(facts.loads.temperature_C)]
    # Where the readings say how warm it was, the cell was that warm, whatever the room.
    room = float(np.mean(known)) if len(known) else s.room_temperature_C
    caution = ""
    if s.service_temperature_C is None:
        away = defaults.SERVICE_AWAY_K
        apart = 2.0 * away
        where = "the bench" if room is None else f"the bench's {room:.3g} °C"
        caution = (
            f"service temperatures are not stated: {away:g} K either side of {where} are taken"
        )
    else:
        low, high = s.service_temperature_C
        apart = high - low
        # A bench of unknown temperature may have stood at either end.
        away = high - low if room is None else max(abs(low - room), abs(high - room))
        if room is None:
            caution = "the temperature of the bench is neither stated nor read"
    apart = min(apart, s.zero_within_K)
    words = (f"reading within {apart:.3g} K of its zero", f"{away:.3g} K from the bench")
    return away, apart, words, caution


def stability_line(facts: BenchFacts) -> Component:
    """Change of sensitivity until the certificate expires."""
    name, percent = "long-term stability", facts.settings.stability_pct
    caution = ""
    basis = f"{percent} % between calibrations, as stated"
    if percent is None:
        years = facts.settings.valid_months / 12.0
        percent = defaults.STABILITY_PCT_PER_YEAR * years
        basis = f"not stated: {percent:.2g} % of force in {years:.3g} years, from experience"
        caution = (
            "no change between calibrations is stated:"
            f" {percent:.2g} % of force until it expires, from experience, stands for it"
        )
    standard = percent / 100.0 / math.sqrt(3.0) * facts.grid_kN
    return line(facts, name, standard, Shape.RECTANGLE, basis, caution=caution)

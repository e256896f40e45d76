"""The results of one sense of loading on paper: readings by series, curve, U, class, figures."""

from __future__ import annotations

import math
from collections.abc import Mapping, Sequence
from dataclasses import dataclass
from typing import TYPE_CHECKING, Any, Final

import numpy as np
from scipy.optimize import linprog

from calibration.proof.recomputed import edition_of
from calibration.quantities.written import MINUS
from calibration.readings.load_series import load_series
from recorder.report.certificate.force_words import (
    BY_FORCE,
    class_words,
    conditions_of,
    equations_of,
    figure_name,
    figure_value,
)
from recorder.report.certificate.paper import Part, Section, Table, Words
from recorder.report.certificate.stated_parts import span_words

if TYPE_CHECKING:
    from calibration.certificates.force import ForceCertificate
    from calibration.certificates.force_curve import SenseCurve
    from calibration.readings.bench_settings import BenchSettings
    from calibration.readings.load_series import Branch, LoadSeries
    from calibration.readings.readings import Readings

__all__ = [
    "Held","Sense", "class_part", "curve_part", "figures_part", "series_part",
           "two_digits", "uncertainty_part"]  # fmt: skip

SENSE_NAMES: Final = {1: "tension", -1: "compression"}
SERIES_A_TABLE: Final = 8
_BOUND_POINTS: Final = 401
"""Forces at which the line above U is held to be above it."""
SHOWN_FORCES: Final = 24
"""Rows of a table by force; of more forces, even steps through them."""


@dataclass(frozen=True, slots=True)
class Held:
    """A force certificate opened: what it states, with its settings and readings read."""

    certificate: ForceCertificate
    settings: BenchSettings
    readings: Readings
    results: Mapping[str, Any]
    """As ``calibration.evaluation.results_document`` makes them."""

    @property
    def edition(self) -> int:
        """Of the evaluation that made the results."""
        return edition_of({"details": self.certificate.details})

    @property
    def temperature(self) -> str:
        """During the calibration, in words; empty where not stated."""
        told = []
        if self.settings.room_temperature_C is not None:
            told.append(f"{self.settings.room_temperature_C:g} °C in the room")
        seen = [float(t) for t in self.readings.temperature_C if not math.isnan(float(t))]
        if seen:
            told.append(f"{span_words((min(seen), max(seen)), '°C')} with the readings")
        return ", ".join(told)


class Sense:
    """One sense of a certificate: its name, readings in order with the zero off, and results."""

    def __init__(self, held: Held, sense: int) -> None:
        self.held, self.name = held, SENSE_NAMES[sense]
        self.results: Mapping[str, Any] = held.results["by_sense"][self.name]
        zero = float(self.results["working_curve"]["zero"])
        self.loads: LoadSeries = load_series(held.readings, sense, unread_zero=zero)

    @property
    def figures(self) -> Mapping[str, Mapping[str, Any]]:
        figures: Mapping[str, Mapping[str, Any]] = self.results["figures"]
        return figures

    @property
    def forces_kN(self) -> list[float]:
        """Forces applied, tension positive, kN; smallest magnitude first."""
        loads = self.loads
        return [float(v) * loads.readings.kN_per_unit for v in loads.levels]

    @property
    def digits(self) -> int:
        """Decimals of a deflection: six digits at the largest, no finer than counts."""
        full = self.loads.full_scale
        return max(0, 5 - math.floor(math.log10(full))) if full > 0.0 else 0


def series_part(sense: Sense) -> list[Part]:
    """Zero-reduced readings by force, series and position."""
    loads = sense.loads
    unit = loads.readings.reading_unit
    parts: list[Part] = [Section("Readings, zero taken off", 2)]
    if not loads.branches:
        parts.append(Words("No series is stated: the readings follow in the annex as taken."))
        return parts
    if not loads.has_zero:
        zero = _number(float(sense.results["working_curve"]["zero"]), sense.digits)
        told = f"No zero was read: that of the curve, {zero} as indicated, is taken off."
        parts.append(Words(told))
    for start in range(0, len(loads.branches), SERIES_A_TABLE):
        branches = loads.branches[start : start + SERIES_A_TABLE]
        heads = (f"force, {loads.readings.force_unit}", *(_head(sense, b) for b in branches))
        rows = [
            (f"{loads.levels[i]:.6g}".replace("-", MINUS),
             *(_number(float(b.at[i]), sense.digits) for b in branches))
            for i in range(len(loads.levels))
        ]  # fmt: skip
        first, last = start + 1, start + len(branches)
        of = f", series {first} to {last}" if len(loads.branches) > SERIES_A_TABLE else ""
        caption = f"{sense.name.capitalize()}: reading at each force{_in(unit)}{of}"
        parts.append(Table(heads, rows, caption))
    return parts


def _head(sense: Sense, branch: Branch) -> str:
    names = sense.loads.readings.series_names
    place = "" if math.isnan(branch.position_deg) else f" {branch.position_deg:g}°"
    way = {1: "rising", -1: "falling"}.get(branch.direction, "")
    return f"{names[branch.series]}{place} {way}".strip()


def curve_part(sense: Sense) -> list[Part]:
    """The curve for use, and the interpolation equation that the classes were judged by."""
    loads, c = sense.loads, sense.held.certificate
    unit, kN = loads.readings.reading_unit, "kN"
    curve = _working(c, sense.name)
    working = curve.coefficients
    parts: list[Part] = [
        Section("Curve for use", 2),
        Words(f"Force F in kN from the reading x{_in(unit)}, the zero taken off:", "lead"),
        Words(
            _equation("F", "c", "x", len(working), constant=False)
            + ("" if curve.preload is None else " + P"),
            "formula",
        ),
        *_preload_words(curve, unit),
    ]
    used = sense.results["working_curve"]
    rows = [
        (_term("c", i), _coefficient(value), _coefficient(error), f"{kN}{_per(unit, i)}")
        for i, (value, error) in enumerate(zip(working, used["standard_errors"], strict=True))
        if i
    ]
    heads = ("", "coefficient", "standard error", "unit")
    parts.append(Table(heads, rows, small=True))
    return [*parts, *_equations(sense)]


def _equations(sense: Sense) -> list[Part]:
    """Reading from force: the equations on which the classes were judged, as they were fitted."""
    loads = sense.loads
    unit, force_unit = loads.readings.reading_unit, loads.readings.force_unit
    found = equations_of(sense.figures)
    words = "Reading x{} from force F in {}, as the classes were judged on it. {}"
    if not found:
        back = sense.results["deflection_from_force"]["own_units"]
        found = {"all readings": (back["coefficients"], "")}
        words = "Reading x{} from force F in {}, all readings, by least squares. {}"
    how = " ".join(told for _, told in found.values() if told)
    most = max(len(coefficients) for coefficients, _ in found.values())
    rows = [
        (
            _term("b", i),
            *(_coefficient(c[i], 11) if i < len(c) else "–" for c, _ in found.values()),
            f"{unit}{_per(force_unit, i)}",
        )
        for i in range(most)
    ]
    return [
        Section("Interpolation equation", 2),
        Words(words.format(_in(unit), force_unit, how).strip(), "lead"),
        Words(_equation("x", "b", "F", most, constant=True), "formula"),
        Table(("", *found, "unit"), rows, small=True),
    ]


def uncertainty_part(sense: Sense) -> list[Part]:
    """U by force, a straight line above it, and what U means."""
    held, c = sense.held, sense.held.certificate
    forces = _chosen(sense.forces_kN)
    at = np.array([0.0, *forces])
    expanded = c.expanded_uncertainty_kN(at)
    factor = c.uncertainty.coverage_at(at)
    rows = [
        (f"{f:.6g}".replace("-", MINUS), two_digits(u), two_digits(100 * u / abs(f)) if f else "–",
         f"{k:.2f}")
        for f, u, k in zip(at.tolist(), expanded.tolist(), factor.tolist(), strict=True)
    ]  # fmt: skip
    dense = np.linspace(0.0, sense.forces_kN[-1], _BOUND_POINTS)
    offset, slope = line_above(np.abs(dense), c.expanded_uncertainty_kN(dense))
    return [
        Section("Expanded uncertainty", 2),
        Words(_meaning(held.edition, held.settings.zero_within_K), "lead"),
        Table(("force, kN", "U, kN", "U, % of force", "k"), rows),
        Words("Between these forces U is interpolated. Nowhere in the range is it more than"
              f" U = {_up(offset)} kN{f' + {_up(slope)} · |F|' if slope > 0.0 else ''}."),
    ]  # fmt: skip


def _meaning(edition: int, within_K: float) -> str:
    common = (
        "U is stated for a probability of 95 %; k is U divided by the combined standard"
        " uncertainty."
    )
    if edition >= 2:
        return (
            f"{common} It is the half-width of the interval that holds the force with that"
            " probability, from the sum of the distributions of all components. It is that of"
            f" a force indicated in use: in a new mounting, within {within_K:g} K of a zero read in"
            " the field,"
            " rising, falling or inside the loop, at the temperatures of service and until the"
            " last day of use."
        )
    return (
        f"{common} The components were combined after JCGM 100 (GUM), k is Student's for the"
        " effective degrees of freedom. U covers the components of the budget in the annex"
        " and nothing else."
    )


def line_above(
    force_kN: np.ndarray[Any, Any], U_kN: np.ndarray[Any, Any]
) -> tuple[float, float]:
    """Offset (kN) and slope of the straight line that is nowhere below U, and least in mean.

    Neither is below zero. (n,) forces without sign, (n,) U in kN.
    """
    found = linprog(
        [1.0, float(np.mean(force_kN))],
        A_ub=-np.column_stack([np.ones_like(force_kN), force_kN]),
        b_ub=-U_kN,
        bounds=[(0.0, None), (0.0, None)],
    )
    if found.x is None:
        return float(np.max(U_kN)), 0.0
    return float(found.x[0]), float(found.x[1])


def class_part(sense: Sense) -> list[Part]:
    """The statement of the class, its conditions, and the relative errors by force."""
    parts: list[Part] = [Section("Classes", 2)]
    told = class_words(sense.name, sense.figures, sense.held.edition)
    parts.append(Words("\n".join(told), "statement"))
    heads = ("condition", "found", "asked", "state")
    for standard, rows in conditions_of(sense.figures).items():
        caption = f"Conditions of a class of {standard}, from memory of the standard"
        parts.append(Table(heads, rows, caption, wide=frozenset((1, 2)), small=True))
    known = [
        (head, sense.figures[name]["detail"])
        for name, head in BY_FORCE.items()
        if sense.figures.get(name, {}).get("detail", {}).get("pct")
    ]
    if not known:
        return parts
    applied = known[0][1]["applied"]
    known = [(head, detail) for head, detail in known if detail["applied"] == applied]
    table = [
        (f"{force:.6g}".replace("-", MINUS), *(_pct(detail["pct"][i]) for _, detail in known))
        for i, force in enumerate(applied)
    ]
    worst = [max((p for p in d["pct"] if p is not None), key=abs) for _, d in known]
    table.append(("worst", *(_pct(value) for value in worst)))
    columns = (f"force, {sense.loads.readings.force_unit}", *(head for head, _ in known))
    caption = f"{sense.name.capitalize()}: relative errors, % of reading"
    return [*parts, Table(columns, table, caption)]


def figures_part(sense: Sense) -> list[Part]:
    """Every other figure that the readings carry, and the whole budget."""
    rows = [
        (figure_name(name), figure_value(figure), figure["formula"])
        for name, figure in sense.figures.items()
        if figure["value"] is not None
        and not name.endswith(("_class", "_range", "_equation"))
        and name not in BY_FORCE
    ]
    heads = ("figure", "value", "how")
    caption = f"{sense.name.capitalize()}: figures"
    return [
        Section("Other figures", 2),
        Table(heads, rows, caption, wide=frozenset((2,)), small=True),
    ]


def _working(certificate: ForceCertificate, sense: str) -> SenseCurve:
    if sense == "compression" and certificate.compression is not None:
        return certificate.compression
    return certificate.tension


def _preload_words(curve: SenseCurve, unit: str) -> list[Part]:
    """Of a spring: what comes on top of the terms, and from where on."""
    preload = curve.preload
    if preload is None:
        return []
    return [
        Words(
            f"P = {preload.force_kN:.5g} kN is the preload, with the sign of x, from x ="
            f" {preload.held_counts:.4g}{_of(unit)} on; up to it the force is not measured and is"
            " shown in proportion to x.",
            "lead",
        )
    ]


def _chosen(forces: Sequence[float]) -> list[float]:
    if len(forces) <= SHOWN_FORCES:
        return list(forces)
    places = np.unique(np.linspace(0, len(forces) - 1, SHOWN_FORCES).astype(int))
    return [forces[i] for i in places]


_SUBSCRIPTS: Final = str.maketrans("0123456789", "₀₁₂₃₄₅₆₇₈₉")
_SUPERSCRIPTS: Final = str.maketrans("0123456789-", "⁰¹²³⁴⁵⁶⁷⁸⁹⁻")


def _term(letter: str, i: int) -> str:
    return letter + str(i).translate(_SUBSCRIPTS)


def _equation(left: str, letter: str, of: str, terms: int, *, constant: bool) -> str:
    def power(i: int) -> str:
        return "" if not i else of if i == 1 else of + str(i).translate(_SUPERSCRIPTS)

    right = [
        f"{_term(letter, i)} {power(i)}".strip() for i in range(0 if constant else 1, terms)
    ]
    return f"{left} = " + " + ".join(right)


def _in(unit: str) -> str:
    """A table that does not name the unit of its readings calls them readings."""
    return " as indicated" if unit == "reading" else f" in {unit}"


def _of(unit: str) -> str:
    return " of the reading" if unit == "reading" else f" {unit}"


def _per(unit: str, power: int) -> str:
    if power == 0:
        return ""
    below = f"({unit})" if "/" in unit else unit
    return f"/{below}" + ("" if power == 1 else str(power).translate(_SUPERSCRIPTS))


def _coefficient(value: float, digits: int = 9) -> str:
    return f"{value:.{digits}E}".replace("-", MINUS)


def _number(value: float, digits: int) -> str:
    return "–" if math.isnan(value) else f"{value:.{digits}f}".replace("-", MINUS)


def _pct(value: float | None) -> str:
    return "–" if value is None else f"{round(value, 3) + 0.0:.3f}".replace("-", MINUS)


def two_digits(value: float) -> str:
    """Two digits, as an uncertainty is stated; never an exponent for forces of a press."""
    if value <= 0.0:
        return "0"
    return f"{value:.{min(9, max(0, 1 - math.floor(math.log10(value))))}f}"


def _up(value: float) -> str:
    """Three digits, rounded up: a bound stays one."""
    if value <= 0.0:
        return "0"
    place = 2 - math.floor(math.log10(value))
    return f"{math.ceil(round(value * 10.0**place, 6)) / 10.0**place:.{max(place, 0)}f}"

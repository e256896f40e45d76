"""Figures of a force calibration in the words of a certificate."""

from __future__ import annotations

from collections.abc import Mapping
from typing import Any, Final

from calibration.evaluation.issue import EDITION
from calibration.quantities.written import MINUS

__all__ = [
    "BY_FORCE",
    "class_words",
    "conditions_of",
    "equations_of",
    "figure_name",
    "figure_value",
    "not_assessed",
]

Figures = Mapping[str, Mapping[str, Any]]

BY_FORCE: Final = {
    "repeatability": "repeatability b′",
    "reproducibility": "reproducibility b",
    "iso376_interpolation": "interpolation f_c",
    "reversibility": "reversibility v",
}
"""Figures that are tabled force by force, with their heads."""
_NAMES: Final = {
    "iso376_class": "class of ISO 376",
    "iso376_equation": "equation of ISO 376",
    "iso376_interpolation": "interpolation error f_c",
    "resolution_unloaded": "resolution, unloaded",
    "e74_standard_deviation": "standard deviation of ASTM E74",
    "e74_lower_limit_factor": "lower limit factor of ASTM E74",
    "e74_class_a_lower_limit": "lower limit of class A of ASTM E74",
    "e74_class_aa_lower_limit": "lower limit of class AA of ASTM E74",
    "e74_class_a_range": "range of class A of ASTM E74",
    "e74_class_aa_range": "range of class AA of ASTM E74",
    "nonlinearity_terminal": "non-linearity, terminal line",
    "nonlinearity_best_fit": "non-linearity, best line",
    "temperature_effect_zero": "temperature effect on zero",
    "temperature_effect_span": "temperature effect on span",
    "replication_sd": "standard deviation of replication",
}
_UNITS: Final = {"reading": "", "m2": "m²"}
"""Units that are written otherwise on paper."""


def figure_name(name: str) -> str:
    """The name of a figure on paper."""
    return _NAMES.get(name, name.replace("_", " "))


def figure_value(figure: Mapping[str, Any]) -> str:
    """Value with unit; four digits."""
    value, unit = figure["value"], figure["unit"] or ""
    shown = value if isinstance(value, str) else f"{value:.4g}".replace("-", MINUS)
    return f"{shown} {_UNITS.get(unit, unit)}".strip()


def class_words(sense: str, figures: Figures, edition: int) -> list[str]:
    """A sentence for each standard whose class was asked for and holds or does not hold.

    A class decided by another ``edition`` of the evaluation says so.
    """
    told = []
    iso = figures.get("iso376_class")
    if iso is not None and iso["value"] is not None:
        told.append(_iso_words(sense, iso))
    ranges = [
        f"class {letter} from {figure['detail']['low_kN']:.5g} kN to"
        f" {figure['detail']['high_kN']:.5g} kN"
        for name, letter in (("e74_class_aa_range", "AA"), ("e74_class_a_range", "A"))
        for figure in [figures.get(name)]
        if figure is not None and figure["value"] is not None and "low_kN" in figure["detail"]
    ]
    if ranges:
        told.append(f"ASTM E74 (from memory), in {sense}: {'; '.join(ranges)}.")
    if not told:
        return [f"No class is stated in {sense}; the reasons stand in the list of limits."]
    if edition != EDITION:
        other, do = ("an older", "have it issued again")
        if edition > EDITION:
            other, do = ("a newer", "take a newer program")
        told.append(
            f"Decided by {other} edition ({edition}) of the evaluation, not by the conditions that"
            f" edition {EDITION} asks: {do}."
        )
    return told


def _iso_words(sense: str, figure: Mapping[str, Any]) -> str:
    value, detail = figure["value"], figure["detail"]
    why = f" ({figure['reason']})" if figure.get("reason") else ""
    if value == "none":
        return f"ISO 376 (from memory), in {sense}: no class{why}."
    if detail.get("statement"):
        return f"ISO 376 (from memory): {figure['reason']}."
    both = "v" in detail.get("worst_pct", {})
    case = "incremental and decremental loading" if both else "incremental loading only"
    return (
        f"ISO 376 (from memory): class {value} in {sense} from {detail['low_kN']:.5g} kN to"
        f" {detail['high_kN']:.5g} kN, {case}{why}."
    )


def conditions_of(figures: Figures) -> dict[str, list[tuple[str, str, str, str]]]:
    """By standard: condition, what was found, what is asked, and whether it is held."""
    found = {}
    for standard, name in (("ISO 376", "iso376_class"), ("ASTM E74", "e74_class_a_range")):
        conditions = (figures.get(name, {}).get("detail") or {}).get("conditions") or ()
        if rows := [_condition(c) for c in conditions if isinstance(c, Mapping)]:
            found[standard] = rows
    return found


def equations_of(figures: Figures) -> dict[str, tuple[list[float], str]]:
    """By standard: coefficients of reading from force in the table's own units, and how fitted."""
    found = {}
    iso, e74 = (figures.get(name, {}) for name in ("iso376_equation", "e74_standard_deviation"))
    if coefficients := (iso.get("detail") or {}).get("coefficients"):
        found["ISO 376"] = (coefficients, f"ISO 376: {iso['formula']}.")
    detail = e74.get("detail") or {}
    if coefficients := detail.get("coefficients"):
        told = f"ASTM E74: least squares, {e74.get('reason') or 'all readings'}, s ="
        told += f" {e74['value']:.4g}, {detail['dof']} degrees of freedom."
        found["ASTM E74"] = (coefficients, told)
    return found


def _condition(condition: Mapping[str, Any]) -> tuple[str, str, str, str]:
    name, got, allowed, state = (
        str(condition.get(key) or "–") for key in ("name", "got", "allowed", "state")
    )
    return name, got, allowed, state


def not_assessed(figures: Figures) -> list[str]:
    """Figures without a value, those with one reason together."""
    by_reason: dict[str, list[str]] = {}
    for name, figure in figures.items():
        if figure["value"] is None and figure["reason"]:
            by_reason.setdefault(_reason(figure), []).append(figure_name(name))
    return [f"{', '.join(names)}: {reason}" for reason, names in by_reason.items()]


def _reason(figure: Mapping[str, Any]) -> str:
    """In few words where a table of conditions says the rest."""
    conditions = (figure.get("detail") or {}).get("conditions") or ()
    open_ones = [
        str(c.get("name"))
        for c in conditions
        if isinstance(c, Mapping) and c["state"] != "held"
    ]
    if open_ones:
        return f"not held or not known, by the table of conditions: {', '.join(open_ones)}"
    return str(figure["reason"]).removeprefix("not assessed: ")

"""From an evaluation to a certificate, or a refusal; and back again to see if it agrees."""

from __future__ import annotations

import calendar
import math
import re
from collections.abc import Mapping
from dataclasses import replace
from datetime import UTC, date, datetime
from typing import TYPE_CHECKING, Any, Final

import numpy as np

from calibration.certificates.certificate import CertificateError, document_digest
from calibration.certificates.force import RAILS_24_BIT, ForceCertificate
from calibration.certificates.force_curve import SenseCurve, ShuntExpectation, UncertaintyTable
from calibration.evaluation.evaluation import Evaluation, SenseEvaluation, evaluate
from calibration.evaluation.polynomial_fit import is_monotone
from calibration.evaluation.results_document import results_document
from calibration.readings.bench_settings import BenchSettings
from calibration.readings.readings import Readings, ReadingsError

if TYPE_CHECKING:
    pass

__all__ = ["CAUTIONS", "add_months", "issue_certificate", "verify_document"]

CAUTIONS: Final = (
    "A press, a dead-weight frame or a lifted load can crush. Follow the press's instructions"
    " and local rules; licensed practice comes first.",
    "Keep clear of a loaded cell: links and pins can fly. Never exceed the capacity of the"
    " weakest part.",
    "The cell and this certificate measure; they protect nobody and are no safety device.",
)
"""Shown on the bench page and on the certificate."""

MIN_FORCES: Final = 3
MIN_DOF: Final = 2
MIN_R_SQUARED: Final = 0.98
TOLERANCE: Final = 1e-9
"""Relative; machines round differently in the last bits."""


def add_months(day: date, months: int) -> date:
    """The same day some months later; the last of the month where there is no such day."""
    year, month = divmod(day.month - 1 + months, 12)
    year, month = day.year + year, month + 1
    return date(year, month, min(day.day, calendar.monthrange(year, month)[1]))


def issue_certificate(
    evaluation: Evaluation, *, today: date | None = None, software: str = ""
) -> ForceCertificate:
    """Make the certificate; ``software`` names the code that issues it, with its version.

    Raises
    ------
    ReadingsError
        The readings carry a fit but not a certificate: too few forces, too little left over
        to tell the uncertainty, a curve that turns back, or readings that do not follow the
        force.
    CertificateError
        Settings that contradict the readings (capacity below the largest force).
    """
    for part in evaluation.senses:
        _refuse(part)
    settings = evaluation.settings
    issued = settings.issued or today or datetime.now(UTC).astimezone().date()
    settings = replace(settings, issued=issued)
    by_sense = {part.loads.sense: part for part in evaluation.senses}
    tension = by_sense.get(1) or by_sense[-1]
    compression = by_sense.get(-1)
    limits = _limits(by_sense)
    largest = max(abs(limits[0]), limits[1])
    capacity = settings.capacity_kN if settings.capacity_kN is not None else largest
    if largest > capacity * 1.5:
        msg = (
            f"capacity_kN is {capacity:g}, the largest force applied {largest:g} kN: check the"
            " capacity or the unit of the force column"
        )
        raise CertificateError(msg)
    scale = _deflection_at(tension, capacity)
    return ForceCertificate(
        certificate_id=settings.certificate_id or _identity(settings, issued),
        issued=issued,
        expires=add_months(issued, settings.valid_months),
        cell=settings.cell,
        capacity_kN=capacity,
        range_kN=limits,
        nominal_zero_counts=float(np.mean([part.zero for part in evaluation.senses])),
        tension=_curve(tension),
        compression=None
        if compression is None or compression is tension
        else _curve(compression),
        uncertainty=_table(by_sense),
        rails=_rails(evaluation.readings),
        shunt=_shunt(settings),
        zero_limit_counts=settings.zero_limit_pct / 100.0 * scale,
        supersedes=settings.supersedes,
        software=software,
        details={
            "settings": settings.to_document(),
            "readings": evaluation.readings.to_document(),
            "results": results_document(evaluation),
            "cautions": list(CAUTIONS),
        },
    )


def _refuse(part: SenseEvaluation) -> None:
    loads = part.loads
    source = loads.readings.source
    where = f"{source}: no certificate for {part.name}"
    if len(loads.levels) < MIN_FORCES:
        msg = f"{where}: {len(loads.levels)} distinct forces; at least {MIN_FORCES} needed"
        raise ReadingsError(msg)
    dof = part.deflection_from_force.dof
    if dof < MIN_DOF:
        msg = (
            f"{where}: {len(loads.force)} readings leave {dof} degree(s) of freedom at degree"
            f" {part.degree}; at least {MIN_DOF} needed to tell the uncertainty"
        )
        raise ReadingsError(msg)
    r_squared = part.deflection_from_force.r_squared
    if not r_squared >= MIN_R_SQUARED:
        msg = f"{where}: the readings do not follow the force (r² = {r_squared:.3f})"
        raise ReadingsError(msg)
    deflection = np.append(loads.deflection - (0.0 if loads.has_zero else part.zero), 0.0)
    ends = float(np.min(deflection)), float(np.max(deflection))
    if not is_monotone(part.working.coefficients, *ends):
        msg = f"{where}: the curve of degree {part.degree} turns back inside its range"
        raise ReadingsError(msg)


def _limits(by_sense: Mapping[int, SenseEvaluation]) -> tuple[float, float]:
    low = high = 0.0
    for sense, part in by_sense.items():
        kN = part.loads.largest * part.loads.readings.kN_per_unit
        low, high = (low, kN) if sense > 0 else (-kN, high)
    return low, high


def _curve(part: SenseEvaluation) -> SenseCurve:
    return SenseCurve(tuple(float(c) for c in part.working.coefficients))


def _deflection_at(part: SenseEvaluation, capacity_kN: float) -> float:
    """Magnitude of the deflection at capacity, in proportion to the largest force applied."""
    loads = part.loads
    full = float(abs(loads.mean_at_levels()[-1] - (0.0 if loads.has_zero else part.zero)))
    return full * capacity_kN / (loads.largest * loads.readings.kN_per_unit)


def _table(by_sense: Mapping[int, SenseEvaluation]) -> UncertaintyTable:
    rows: dict[float, tuple[float, float]] = {}
    for sense, part in by_sense.items():
        b = part.budget
        for force, u, k in zip(b.force_kN, b.combined_kN, b.coverage_factor, strict=True):
            key = float(sense * force) + 0.0
            rows[key] = max(rows.get(key, (0.0, 1.0)), (float(u), float(k)))
    forces = sorted(rows)
    return UncertaintyTable(
        tuple(forces),
        tuple(rows[f][0] for f in forces),
        tuple(rows[f][1] for f in forces),
    )


def _rails(readings: Readings) -> tuple[int, int]:
    """24 bits, unless the readings themselves go beyond."""
    largest = float(np.max(np.abs(readings.reading)))
    return RAILS_24_BIT if largest < RAILS_24_BIT[1] else (-(2**31), 2**31 - 1)


def _shunt(settings: BenchSettings) -> ShuntExpectation | None:
    if settings.shunt_deflection is None:
        return None
    return ShuntExpectation(
        deflection_counts=settings.shunt_deflection,
        limit_counts=abs(settings.shunt_deflection) * settings.shunt_limit_pct / 100.0,
        resistor=settings.shunt_resistor,
        temperature_C=settings.room_temperature_C,
    )


def _identity(settings: BenchSettings, issued: date) -> str:
    words = re.sub(r"[^\w]+", "-", settings.cell).strip("-") or "cell"
    return f"{words}-{issued.isoformat()}"


def verify_document(document: Mapping[str, Any], *, source: str) -> list[str]:
    """Work a force certificate out again from its own readings.

    Returns
    -------
    list of str
        Every disagreement in words, digest first; empty when all agrees.

    Raises
    ------
    CertificateError
        Not a force certificate, or one without readings, which cannot be verified.
    """
    if document.get("kind") != "force":
        msg = f"{source}: a certificate of kind {document.get('kind')!r}, not of a force cell"
        raise CertificateError(msg)
    found = []
    computed = document_digest(document)
    if document.get("digest") != computed:
        found.append(f"digest: stated {document.get('digest')}, computed {computed}")
    details = document.get("details")
    if not isinstance(details, Mapping) or not isinstance(details.get("readings"), Mapping):
        msg = f"{source}: holds no readings: nothing can be worked out again"
        raise CertificateError(msg)
    try:
        readings = Readings.from_document(details["readings"])
        stated = details.get("settings")
        settings = BenchSettings.from_document(stated if isinstance(stated, Mapping) else {})
        again = issue_certificate(
            evaluate(readings, settings),
            today=date(2000, 1, 1),
            # Another version than today's may have issued it: the figures are held to account.
            software=str(document.get("software", "")),
        )
    except ValueError as error:
        return [*found, f"readings: {error}"]
    head = {
        key: document[key] for key in ("format", "version", "kind", "digest") if key in document
    }
    differences = _compare({**head, **again.to_document()}, document, "")
    return [*found, *differences]


def _compare(computed: object, stated: object, path: str) -> list[str]:
    if isinstance(computed, Mapping) and isinstance(stated, Mapping):
        found = []
        for key in [*computed, *(k for k in stated if k not in computed)]:
            where = f"{path}.{key}" if path else str(key)
            if key not in computed or key not in stated:
                found.append(f"{where}: {'missing' if key not in stated else 'not expected'}")
            else:
                found += _compare(computed[key], stated[key], where)
        return found
    if isinstance(computed, list | tuple) and isinstance(stated, list | tuple):
        if len(computed) != len(stated):
            return [f"{path}: {len(stated)} values stated, {len(computed)} computed"]
        found = []
        for i, (one, other) in enumerate(zip(computed, stated, strict=True)):
            found += _compare(one, other, f"{path}[{i}]")
        return found
    if _alike(computed, stated):
        return []
    return [f"{path}: stated {stated!r}, computed {computed!r}"]


def _alike(computed: object, stated: object) -> bool:
    if isinstance(computed, bool) or isinstance(stated, bool):
        return computed is stated
    if isinstance(computed, int | float) and isinstance(stated, int | float):
        return math.isclose(computed, stated, rel_tol=TOLERANCE, abs_tol=0.0) or (
            # Rounding noise of exact data is different noise on another machine.
            abs(computed) < 1e-12 and abs(stated) < 1e-12
        )
    return computed == stated

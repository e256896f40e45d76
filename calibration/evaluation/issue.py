"""From an evaluation to a certificate, or a refusal; and back again to see if it agrees."""

from __future__ import annotations

import calendar
import re
from collections.abc import Mapping
from dataclasses import replace
from datetime import date
from typing import TYPE_CHECKING, Any, Final

import numpy as np

from calibration.certificates.certificate import CertificateError
from calibration.certificates.days import local_day
from calibration.certificates.force import RAILS_24_BIT, ForceCertificate
from calibration.certificates.force_curve import SenseCurve, ShuntExpectation, UncertaintyTable
from calibration.doubts.doubtful_rows import refuse_doubtful_rows
from calibration.evaluation.evaluation import Evaluation, SenseEvaluation, evaluate
from calibration.evaluation.results_document import results_document
from calibration.quantities.written import many
from calibration.readings.bench_settings import BenchSettings
from calibration.readings.readings import Readings, ReadingsError
from calibration.statistics.polynomial_fit import is_monotone

if TYPE_CHECKING:
    pass

__all__ = ["CAUTIONS", "EDITION", "add_months", "issue_certificate", "unrefused_certificate"]

EDITION: Final = 2
"""Of the evaluation: one higher with every change of its rules after which the same readings give
other figures. Stands in a certificate as ``details.evaluation``; the first did not say so.

1: curve through all readings alike, U by Student's factor of effective degrees of freedom, what
was not measured left out. 2: curve midway between rising and falling, U exact, a bound for what
was not measured."""

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
        to tell the uncertainty, a curve that turns back, readings that do not follow the
        force, rows in doubt that nobody has accepted, or a reference standard whose uncertainty
        is not stated.
    CertificateError
        Settings that contradict the readings (capacity below the largest force).
    """
    for part in evaluation.senses:
        _refuse_few(part)
    # The rows at fault are told before what they do to the curve.
    refuse_doubtful_rows(evaluation.readings, evaluation.settings, evaluation.doubts)
    for part in evaluation.senses:
        _refuse_curve(part)
    _refuse_without_reference(evaluation)
    return unrefused_certificate(evaluation, today=today, software=software)


def unrefused_certificate(
    evaluation: Evaluation, *, today: date | None = None, software: str = ""
) -> ForceCertificate:
    """The certificate as ``issue_certificate`` makes it, without asking whether one is due: to
    hold against it what another edition issued.

    Raises
    ------
    CertificateError
        Settings that contradict the readings, or figures that no certificate can carry.
    """
    evaluation, issued = _on_the_day(evaluation, today)
    settings = evaluation.settings
    by_sense = {part.loads.sense: part for part in evaluation.senses}
    tension = by_sense.get(1) or by_sense[-1]
    compression = by_sense.get(-1)
    limits = _limits(by_sense)
    capacity = _capacity_kN(settings, limits)
    scale = _deflection_at(tension, capacity)
    return ForceCertificate(
        certificate_id=settings.certificate_id or _identity(settings, issued),
        issued=issued,
        expires=add_months(issued, settings.valid_months),
        cell=settings.cell,
        serial=settings.laboratory.cell_serial.strip(),
        capacity_kN=capacity,
        range_kN=limits,
        nominal_zero_counts=float(np.mean([part.zero for part in evaluation.senses])),
        tension=_curve(tension),
        compression=None
        if compression is None or compression is tension
        else _curve(compression),
        uncertainty=_table(by_sense),
        reading_unit=_reading_unit(evaluation.readings),
        rails=_rails(evaluation.readings),
        shunt=_shunt(settings),
        zero_limit_counts=settings.zero_limit_pct / 100.0 * scale,
        supersedes=settings.supersedes,
        software=software,
        details=_details(evaluation, settings),
    )


def _details(evaluation: Evaluation, settings: BenchSettings) -> dict[str, Any]:
    return {
        "settings": settings.to_document(),
        "readings": evaluation.readings.to_document(),
        "results": results_document(evaluation),
        "cautions": list(CAUTIONS),
        "evaluation": EDITION,
    }


def _on_the_day(evaluation: Evaluation, today: date | None) -> tuple[Evaluation, date]:
    """With a day of issue, on which classes are judged: as stated, else today; and that day."""
    stated = evaluation.settings.issued
    if stated is not None:
        return evaluation, stated
    issued = today or local_day()
    settings = replace(evaluation.settings, issued=issued)
    return evaluate(evaluation.readings, settings), issued


def _refused(part: SenseEvaluation) -> str:
    return f"{part.loads.readings.source}: no certificate for {part.name}"


def _refuse_few(part: SenseEvaluation) -> None:
    loads, where = part.loads, _refused(part)
    if len(loads.levels) < MIN_FORCES:
        msg = f"{where}: {len(loads.levels)} distinct forces; at least {MIN_FORCES} needed"
        raise ReadingsError(msg)
    dof = part.deflection_from_force.dof
    if dof < MIN_DOF:
        msg = (
            f"{where}: {len(loads.force)} readings leave {many(dof, 'degree')} of freedom at degree"
            f" {part.degree}; at least {MIN_DOF} needed to tell the uncertainty"
        )
        raise ReadingsError(msg)


def _refuse_curve(part: SenseEvaluation) -> None:
    where = _refused(part)
    r_squared = part.deflection_from_force.r_squared
    if not r_squared >= MIN_R_SQUARED:
        msg = f"{where}: the readings do not follow the force (r² = {r_squared:.3f})"
        raise ReadingsError(msg)
    deflection = np.append(part.zeroed.deflection, 0.0)
    ends = float(np.min(deflection)), float(np.max(deflection))
    if not is_monotone(part.working.coefficients, *ends):
        msg = f"{where}: the curve of degree {part.working.degree} turns back inside its range"
        raise ReadingsError(msg)


def _refuse_without_reference(evaluation: Evaluation) -> None:
    for part in evaluation.senses:
        if part.budget.refused:
            msg = (
                f"{evaluation.readings.source}: no certificate: {part.budget.refused};"
                " state it (testcar bench with --reference-U-pct, or the bench sheet)"
            )
            raise ReadingsError(msg)


def _limits(by_sense: Mapping[int, SenseEvaluation]) -> tuple[float, float]:
    low = high = 0.0
    for sense, part in by_sense.items():
        kN = part.loads.largest * part.loads.readings.kN_per_unit
        low, high = (low, kN) if sense > 0 else (-kN, high)
    return low, high


def _capacity_kN(settings: BenchSettings, limits_kN: tuple[float, float]) -> float:
    """As stated; the largest force applied where it is not."""
    largest = max(abs(limits_kN[0]), limits_kN[1])
    capacity = settings.capacity_kN if settings.capacity_kN is not None else largest
    if largest > capacity * 1.5:
        msg = (
            f"capacity_kN is {capacity:g}, the largest force applied {largest:g} kN: check the"
            " capacity or the unit of the force column"
        )
        raise CertificateError(msg)
    return capacity


def _curve(part: SenseEvaluation) -> SenseCurve:
    return SenseCurve(tuple(float(c) for c in part.working.coefficients), part.preload)


def _deflection_at(part: SenseEvaluation, capacity_kN: float) -> float:
    """Magnitude of the deflection at capacity, in proportion to the largest force applied."""
    loads = part.zeroed
    return loads.full_scale * capacity_kN / (loads.largest * loads.readings.kN_per_unit)


def _table(by_sense: Mapping[int, SenseEvaluation]) -> UncertaintyTable:
    rows: dict[float, tuple[float, float, float]] = {}
    for sense, part in by_sense.items():
        b = part.budget
        for force, U, u, k in zip(
            b.force_kN, b.expanded_kN, b.combined_kN, b.coverage_factor, strict=True
        ):
            key = float(sense * force) + 0.0
            # Where the senses meet, at no force, the wider holds.
            rows[key] = max(rows.get(key, (0.0, 0.0, 2.0)), (float(U), float(u), float(k)))
    forces = sorted(rows)
    return UncertaintyTable(
        tuple(forces),
        tuple(rows[f][1] for f in forces),
        tuple(rows[f][2] for f in forces),
    )


def _reading_unit(readings: Readings) -> str:
    """Left out where they are counts, or where nobody says: a channel has counts."""
    unit = readings.reading_unit
    return "" if unit in ("reading", "counts") else unit


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

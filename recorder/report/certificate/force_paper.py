"""The certificate of a force cell as the paper that a laboratory signs."""

from __future__ import annotations

import math
from typing import TYPE_CHECKING, Final

import numpy as np

from calibration.certificates.certificate import CertificateError
from calibration.evaluation.issue import CAUTIONS
from calibration.quantities.written import MINUS
from calibration.readings.bench_settings import BenchSettings
from calibration.readings.load_series import senses
from calibration.readings.readings import Readings
from recorder.report.certificate.force_charts import loop_chart, residual_chart, shares_chart
from recorder.report.certificate.force_limits import limits_part
from recorder.report.certificate.force_results import (
    Held,
    Sense,
    class_part,
    curve_part,
    figures_part,
    series_part,
    two_digits,
    uncertainty_part,
)
from recorder.report.certificate.paper import Paper, Part, Picture, Section, Table, Words
from recorder.report.certificate.stated_parts import (
    FORCE_STANDARDS,
    closing,
    laid_out,
    opening,
    traceability,
)

if TYPE_CHECKING:
    from calibration.certificates.force import ForceCertificate

__all__ = ["force_paper", "opened"]

DECISION: Final = (
    "Classes are decided by simple acceptance: a limit holds when the value found does not"
    " exceed it. The uncertainty of the value is not added to it, so that a value at its limit"
    " may in truth lie beyond it with a probability of up to one half."
)
"""The rule that the evaluation applies."""
_LEAST_SHOWN_KN: Final = 1e-4
_BUDGET_SHARES: Final = (0.0, 0.1, 0.2, 0.5, 1.0)


def force_paper(certificate: ForceCertificate) -> Paper:
    """Lay the certificate out: what its file states, nothing worked out anew.

    Raises
    ------
    CertificateError
        The certificate holds no readings: there is nothing to show behind the curve.
    """
    held = opened(certificate)
    parts: list[Part] = [*_opening(held), *traceability(held.settings)]
    told = [Sense(held, sense) for sense in senses(held.readings)]
    for sense in told:
        parts += _sense(sense)
    parts += limits_part(held, told)
    parts += closing(
        held.settings, expires=certificate.expires, cautions=CAUTIONS, rule=DECISION,
        standards=FORCE_STANDARDS,
    )  # fmt: skip
    parts += _annex(held, told)
    subtitle = f"Force-measuring device: {held.settings.element}"
    return laid_out(certificate, held.settings, subtitle=subtitle, parts=parts)


def opened(certificate: ForceCertificate) -> Held:
    """The certificate read; raises ``CertificateError`` where it holds no readings."""
    details = certificate.details
    if not isinstance(details.get("readings"), dict):
        msg = f"{certificate.certificate_id}: holds no readings: nothing to lay out for signing"
        raise CertificateError(msg)
    return Held(
        certificate=certificate,
        settings=BenchSettings.from_document(details.get("settings", {})),
        readings=Readings.from_document(details["readings"]),
        results=details["results"],
    )


def _opening(held: Held) -> list[Part]:
    c, s = held.certificate, held.settings
    low, high = c.range_kN
    return opening(
        s,
        item=[("Item", f"{c.cell} ({s.element})"), ("Capacity", f"{c.capacity_kN:g} kN")],
        serial=c.serial or s.laboratory.cell_serial,
        issued=c.issued,
        result=[("Range", f"{low:g} kN to {high:g} kN, tension positive".replace("-", MINUS))],
        temperature=held.temperature,
        made=[("Takes the place of", c.supersedes), ("Worked out by", c.software)],
    )


def _sense(sense: Sense) -> list[Part]:
    parts: list[Part] = [
        Section(f"Results in {sense.name}"),
        *class_part(sense),
        *uncertainty_part(sense),
        Picture(f"residuals-{sense.name}", residual_chart(sense),
                "Distance from the curve for use, by position and direction: the mean of each"
                " series at each force, or each reading where no series is stated; the band is"
                " ± U.", floats=True),
        *curve_part(sense),
        *series_part(sense),
    ]  # fmt: skip
    loop = loop_chart(sense)
    if loop is not None:
        caption = "Falling less rising readings of one series, as force."
        parts.append(Picture(f"loop-{sense.name}", loop, caption, floats=True))
    return [*parts, *figures_part(sense)]


def _annex(held: Held, told: list[Sense]) -> list[Part]:
    parts: list[Part] = []
    for sense in told:
        parts += [
            Section(f"Annex: uncertainty budget in {sense.name}", new_page=not parts),
            Picture(f"shares-{sense.name}", shares_chart(sense),
                    "Share of each component in the combined variance, by force."),
            _budget(sense),
        ]  # fmt: skip
    return [*parts, Section("Annex: readings as taken"), *_readings(held.readings)]


def _budget(sense: Sense) -> Table:
    budget = sense.results["budget"]
    force = np.array(budget["force_kN"])
    at = force[-1] * np.array(_BUDGET_SHARES)
    rows = []
    for component in budget["components"]:
        if component["standard_kN"] is None:
            continue
        values = np.interp(at, force, component["standard_kN"])
        dof = "∞" if component["dof"] is None else f"{component['dof']:.0f}"
        rows.append((component["name"], *map(_small, values.tolist()), dof,
                     f"{component['evaluation']}, {component['distribution']}: "
                     f"{component['basis']}"))  # fmt: skip
    for name, key in (("combined", "combined_kN"), ("expanded, 95 %", "expanded_kN")):
        values = np.interp(at, force, budget[key])
        rows.append((name, *map(_small, values.tolist()), "", ""))
    heads = (
        "component",
        *(f"{v:.6g}\u00a0kN" for v in at),
        "dof",
        "type, distribution and basis",
    )
    caption = "Standard uncertainty in kN at some forces; dof: degrees of freedom"
    return Table(heads, rows, caption, wide=frozenset((len(heads) - 1,)), small=True)


def _small(value_kN: float) -> str:
    return (
        f"<{_LEAST_SHOWN_KN:.4f}" if 0.0 < value_kN < _LEAST_SHOWN_KN else two_digits(value_kN)
    )


def _signed(value: float, digits: int) -> str:
    """With the sign of mathematics, which nought has not."""
    return f"{value + 0.0:.{digits}g}".replace("-", MINUS)


def _readings(readings: Readings) -> list[Part]:
    names = readings.series_names or ("–",)

    def shown(value: float, form: str, unit: str = "") -> str:
        return "–" if math.isnan(value) else f"{value:{form}}{unit}"

    every: dict[str, list[str]] = {
        "row": [str(int(row)) for row in readings.row],
        "series": [names[int(i)] for i in readings.series],
        "position": [shown(float(v), "g", "°") for v in readings.position_deg],
        "way": [{1: "rising", -1: "falling"}.get(int(v), "–") for v in readings.direction],
        f"applied, {readings.force_unit}": [_signed(v, 8) for v in readings.applied.tolist()],
        f"reading, {readings.reading_unit}".replace("reading, reading", "reading"):
            [_signed(v, 10) for v in readings.reading.tolist()],
        "°C": [shown(float(v), ".1f").replace("-", MINUS) for v in readings.temperature_C],
        "kind": [
            kind + (", replaced" if replaced else "")
            for kind, replaced in zip(readings.kind, readings.superseded, strict=True)
        ],
    }  # fmt: skip
    # A column that the table of readings did not have is no column here.
    columns = {head: cells for head, cells in every.items() if set(cells) != {"–"}}
    rows = [list(row) for row in zip(*columns.values(), strict=True)]
    return [Words(f"As read from {readings.source.rpartition('/')[2]}."),
            Table(tuple(columns), rows, small=True, halves=True)]  # fmt: skip

"""The calibration certificate of a force cell as a PDF that a person would sign."""

from __future__ import annotations

import json
import math
import tempfile
from pathlib import Path
from typing import TYPE_CHECKING, Any

import numpy as np
import typst

from calibration.certificates.certificate import CertificateError
from calibration.evaluation.evaluation import Evaluation, SenseEvaluation, evaluate
from calibration.evaluation.issue import CAUTIONS
from calibration.readings.bench_settings import BenchSettings
from calibration.readings.readings import Readings

if TYPE_CHECKING:
    from numpy.typing import NDArray

    from calibration.certificates.force import ForceCertificate
    from calibration.figures.figure import Figure

__all__ = ["certificate_pdf"]

_LAYOUT = Path(__file__).with_name("certificate.typ")
_BUDGET_FORCES = (0.0, 0.1, 0.2, 0.5, 1.0)


def certificate_pdf(certificate: ForceCertificate) -> bytes:
    """Lay the certificate out.

    Raises
    ------
    CertificateError
        The certificate holds no readings: there is nothing to show behind the curve.
    """
    # Charts are slow to import; a refusal does not wait for them.
    from recorder.report.certificate.certificate_charts import (
        fit_chart,
        residual_chart,
        uncertainty_chart,
    )

    details = certificate.details
    if not isinstance(details.get("readings"), dict):
        msg = f"{certificate.certificate_id}: holds no readings: nothing to lay out for signing"
        raise CertificateError(msg)
    readings = Readings.from_document(details["readings"])
    settings = BenchSettings.from_document(details.get("settings", {}))
    evaluation = evaluate(readings, settings)
    with tempfile.TemporaryDirectory(prefix="certificate-") as folder:
        root = Path(folder)
        for i, part in enumerate(evaluation.senses):
            (root / f"fit{i}.svg").write_bytes(fit_chart(part))
            (root / f"residual{i}.svg").write_bytes(residual_chart(part))
            (root / f"uncertainty{i}.svg").write_bytes(uncertainty_chart(part))
        data = _data(certificate, evaluation)
        (root / "data.json").write_text(json.dumps(data, ensure_ascii=False), encoding="utf-8")
        (root / "main.typ").write_bytes(_LAYOUT.read_bytes())
        return bytes(
            typst.compile(str(root / "main.typ"), root=str(root), ignore_system_fonts=True)
        )


def _data(certificate: ForceCertificate, evaluation: Evaluation) -> dict[str, Any]:
    return {
        "title": "Certificate of calibration",
        "subtitle": "Force cell of a dynamometer test car",
        "facts": _facts(certificate, evaluation.settings),
        "digest": certificate.digest,
        "safety": list(CAUTIONS),
        "cautions": list(evaluation.cautions),
        "senses": [_sense(part) for part in evaluation.senses],
        "readings": _readings(evaluation.readings),
    }


def _facts(certificate: ForceCertificate, s: BenchSettings) -> list[list[str]]:
    low, high = certificate.range_kN
    service = s.service_temperature_C
    rows = [
        ("Certificate", certificate.certificate_id),
        ("Cell", f"{certificate.cell} ({s.element})"),
        ("Capacity", f"{certificate.capacity_kN:g} kN"),
        ("Calibrated range", f"{low:g} kN to {high:g} kN (tension positive)"),
        ("Issued", certificate.issued.isoformat()),
        ("Last day of use", certificate.expires.isoformat() if certificate.expires else "none"),
        ("Reference standard", s.reference or "not stated"),
        ("Its expanded uncertainty", _stated(s.reference_U_pct, f" % (k = {s.reference_k:g})")),
        ("Room temperature", _stated(s.room_temperature_C, " °C")),
        ("Service temperatures",
         "not stated" if service is None else f"{service[0]:g} °C to {service[1]:g} °C"),
        ("Zero", f"{certificate.nominal_zero_counts:.8g}"),
        ("Shunt check", "not stated" if certificate.shunt is None else
         f"{certificate.shunt.deflection_counts:.8g} ± {certificate.shunt.limit_counts:.4g}"
         f" {certificate.shunt.resistor}".rstrip()),
        ("Operator", s.operator or "not stated"),
        ("Place", s.place or "not stated"),
        ("Takes the place of", certificate.supersedes or "none"),
        ("Issued by", certificate.software or "not stated"),
    ]  # fmt: skip
    if s.remarks:
        rows.append(("Remarks", s.remarks))
    return [list(row) for row in rows]


def _stated(value: float | None, unit: str) -> str:
    return "not stated" if value is None else f"{value:g}{unit}"


def _sense(part: SenseEvaluation) -> dict[str, Any]:
    loads = part.loads
    classes = [part.figure("iso376_class"), part.figure("e74_class_a_range"),
               part.figure("e74_class_aa_range")]  # fmt: skip
    return {
        "name": part.name,
        "model": "force in kN = sum of c(i) times (reading − zero) to the power i",
        "coefficients": [
            [f"c({i})", f"{c:.12g}", f"{e:.3g}"]
            for i, (c, e) in enumerate(
                zip(part.working.coefficients, part.working.standard_errors, strict=True)
            )
            if i
        ],
        "reverse": [
            [f"b({i})", f"{c:.12g}", f"{e:.3g}"]
            for i, (c, e) in enumerate(
                zip(part.deflection_from_force.coefficients,
                    part.deflection_from_force.standard_errors, strict=True)
            )
        ],
        "reverse_model": f"deflection ({loads.readings.reading_unit}) = sum of b(i) times force"
        f" ({loads.readings.force_unit}) to the power i; residual standard deviation"
        f" {part.deflection_from_force.residual_sd:.5g}, {part.deflection_from_force.dof}"
        " degrees of freedom",
        "degree": [f"Degree {part.degree} is used.", *part.choice.reasons],
        "classes": [_figure_row(f) for f in classes],
        "figures": [_figure_row(f) for f in part.figures if f not in classes],
        "budget": _budget(part),
    }  # fmt: skip


def _figure_row(figure: Figure) -> list[str]:
    value = figure.value
    if value is None:
        shown = "–"
    elif isinstance(value, float):
        shown = f"{value:.5g}"
    else:
        shown = value
    unit = figure.unit if figure.assessed and figure.unit != "class" else ""
    note = figure.reason or figure.formula
    name = figure.name.replace("_", " ").replace("iso376", "ISO 376").replace("e74", "E74")
    return [name, f"{shown} {unit}".strip(), note]


def _budget(part: SenseEvaluation) -> dict[str, Any]:
    budget = part.budget
    full = float(budget.force_kN[-1])
    at = np.array([full * share for share in _BUDGET_FORCES])

    def row(values: NDArray[np.float64]) -> list[str]:
        return [f"{v:.3g}" for v in np.interp(at, budget.force_kN, values)]

    lines = []
    for c in budget.components:
        if c.standard is None:
            lines.append([c.name, *["–"] * len(at), "–", c.basis])
            continue
        dof = "∞" if math.isinf(c.dof) else f"{c.dof:.0f}"
        lines.append([c.name, *row(c.standard), dof, f"{c.evaluation}: {c.basis}"])
    # At the nearest forces worked out: infinity cannot be interpolated.
    nearest = [int(np.argmin(np.abs(budget.force_kN - force))) for force in at]
    dof_row = ["∞" if math.isinf(budget.dof[i]) else f"{budget.dof[i]:.0f}" for i in nearest]
    return {
        "forces": [f"{v:.5g}" for v in at],
        "lines": lines,
        "sums": [
            ["combined", *row(budget.combined_kN)],
            ["effective degrees of freedom", *dof_row],
            ["coverage factor k, 95 %", *row(budget.coverage_factor)],
            ["expanded uncertainty", *row(budget.expanded_kN)],
        ],
    }


def _readings(readings: Readings) -> dict[str, Any]:
    names = readings.series_names or ("–",)

    def shown(value: float, form: str = "g") -> str:
        return "–" if math.isnan(value) else f"{value:{form}}"

    rows = [
        [
            str(int(readings.row[i])),
            names[int(readings.series[i])],
            shown(float(readings.position_deg[i])),
            {1: "up", -1: "down", 0: "–"}[int(readings.direction[i])],
            f"{readings.applied[i]:.8g}",
            f"{readings.reading[i]:.10g}",
            shown(float(readings.temperature_C[i]), ".1f"),
            readings.kind[i] + (", replaced" if readings.superseded[i] else ""),
        ]
        for i in range(len(readings))
    ]
    head = ["row", "series", "deg", "way", f"applied, {readings.force_unit}",
            readings.reading_unit, "°C", "kind"]  # fmt: skip
    return {"head": head, "rows": rows, "source": Path(readings.source).name}

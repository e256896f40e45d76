"""Train resistance: means as measured, the fit under its own name, the published formulas."""

from __future__ import annotations

from typing import TYPE_CHECKING

import numpy as np

from calibration.quantities.editions import Edition
from calibration.quantities.units import exact_ratio
from calibration.quantities.written import many
from recorder.analysis.campaign.resistance_means import measured_resistance
from recorder.analysis.dynamics.published_resistance import (
    davis_1926_N_per_t,
    modified_davis_N_per_t,
)
from recorder.report.pages.charts import resistance_chart
from recorder.report.pages.document import Block, Chart, Heading, Text, TextTable, plain, pm

if TYPE_CHECKING:
    from recorder.analysis.campaign.answer import CampaignAnswer
    from recorder.analysis.campaign.campaign_resistance import CampaignResistance
    from recorder.analysis.dynamics.resistance import ResistanceFit
    from recorder.analysis.series.train import TrialTrain
    from recorder.report.pages.shown_units import ShownUnits
    from recorder.report.section_parts.naming import Naming

__all__ = ["resistance_section"]

WIDTH_KM_H = 5.0
"""Of an interval of speed; of the customary edition 3 mph."""
WIDTH_MPH = 3.0


def resistance_section(answer: CampaignAnswer, naming: Naming) -> list[Block]:
    """Chart, measured means beside fit and formulas, coefficients."""
    units, held = naming.units, answer.resistance
    blocks: list[Block] = [Heading("Results: train resistance")]
    train = answer.runs[0].loaded.train
    if held.fit is None:
        why = "No line could be fitted; what is missing stands under Deviations and cautions."
        return [*blocks, Text(why), *_table(held, train, units)]
    fit = held.fit
    rows = tuple((t, pm(units.of(v)), units.of(v).unit) for t, v in fit.coefficients.items())
    k = units.factor("km/h")
    low, high = (v * k for v in fit.speed_km_h)
    scatter = fit.residual_sd_N_per_t * units.factor("N/t")
    constraints = f" {'; '.join(fit.constraints)}." if fit.constraints else ""
    return [
        *blocks,
        Chart(
            "resistance",
            resistance_chart(fit, held.observations, train, units),
            f"Resistance of the trailing load, {units.label('N/t')}.",
        ),
        *_table(held, train, units),
        TextTable(("term", "value", "unit"), rows, "The fit r = A + B·V + C·V², ± 95 %."),
        Text(
            f"The fit is through {many(fit.observations, 'piece')} between {low:.0f} and {high:.0f}"
            f" {units.label('m/s')}; standard deviation about it, outliers included,"
            f" {plain(scatter)} {units.label('N/t')}.{constraints}"
        ),
    ]


def _table(held: CampaignResistance, train: TrialTrain, units: ShownUnits) -> list[Block]:
    """Measured means by speed; the fit and the formulas at the mean speed of each."""
    customary = units.edition is Edition.CUSTOMARY
    width = WIDTH_MPH * exact_ratio("mph", "km_h") if customary else WIDTH_KM_H
    means = measured_resistance(held.observations, width)
    if not means:
        return []
    k, per = units.factor("km/h"), units.factor("N/t")
    rows = tuple(
        (
            f"{m.low_km_h * k:.0f}-{m.high_km_h * k:.0f}",
            f"{m.pieces}",
            f"{m.speed_km_h * k:.1f}",
            "one piece alone" if m.resistance is None else pm(units.of(m.resistance)),
            _fitted(held.fit, m.speed_km_h, units),
            *_formulas(m.speed_km_h, train, per),
        )
        for m in means
    )
    unit, speed = units.label("N/t"), units.label("m/s")
    heads = (
        f"interval, {speed}",
        "pieces",
        f"mean speed, {speed}",
        f"measured mean, {unit}",
        f"fit, {unit}",
        f"Davis 1926, {unit}",
        f"modified Davis, {unit}",
    )
    return [
        TextTable(
            heads,
            rows,
            "Resistance of the trailing load: means as measured, ± 95 % (scatter of the pieces,"
            " grade, and what they share); fit and formulas at the mean speed, the formulas for"
            " freight cars of four axles and the same axle load.",
        )
    ]


def _fitted(fit: ResistanceFit | None, speed_km_h: float, units: ShownUnits) -> str:
    if fit is None or not fit.speed_km_h[0] <= speed_km_h <= fit.speed_km_h[1]:
        return "—"
    return pm(units.of(fit.at(speed_km_h)))


def _formulas(speed_km_h: float, train: TrialTrain, per: float) -> tuple[str, str]:
    load = train.trailing.axle_load_t
    if load is None:
        return "—", "—"
    v = np.array([speed_km_h])
    davis = float(davis_1926_N_per_t(v, axle_load_t=load)[0])
    modified = float(modified_davis_N_per_t(v, axle_load_t=load)[0])
    return plain(davis * per), plain(modified * per)

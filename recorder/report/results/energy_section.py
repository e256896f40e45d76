"""The energy balance of a run, its trailing mass, fuel and water."""

from __future__ import annotations

import math
from typing import TYPE_CHECKING, Final

from calibration.quantities.editions import Edition
from recorder.report.pages.document import Block, Heading, Text, TextTable, plain, pm

if TYPE_CHECKING:
    from recorder.analysis.campaign.answer import CampaignAnswer
    from recorder.analysis.campaign.run_answer import RunAnswer
    from recorder.analysis.uncertainty.measured import Measured
    from recorder.report.pages.shown_units import ShownUnits
    from recorder.report.section_parts.naming import Naming

__all__ = ["energy_of", "energy_section", "fuel_section", "mass_words"]

_SMALLEST_KJ: Final = 1.0


def energy_section(answer: CampaignAnswer, naming: Naming) -> list[Block]:
    """One balance a run."""
    blocks: list[Block] = [Heading("Results: energy balance")]
    for run in answer.runs:
        blocks += energy_of(run, naming)
    return blocks


def energy_of(run: RunAnswer, naming: Naming) -> list[Block]:
    """The balance of one run, over what, and the trailing mass as the run shows it."""
    held, units = run.energy_balance, naming.units
    lines = (
        ("work at the drawbar, draft", held.draft_work),
        ("work at the drawbar, buff", held.buff_work),
        ("change of potential energy of the trailing load", held.potential),
        ("change of kinetic energy of the trailing load", held.kinetic),
        ("curve resistance", held.curve),
        ("rolling resistance, by the fit", held.rolling),
        ("unaccounted for: work less all of these, where nothing was fitted", held.unaccounted),
    )
    rows = tuple((n, _energy(v, units)) for n, v in lines if v is not None)
    over = f" It was worked over {held.balanced_seconds:.0f} s." * (
        held.unaccounted is not None
    )
    verdict = {
        True: "What is unaccounted for lies within its uncertainty.",
        False: "More is UNACCOUNTED FOR than the uncertainty allows: do not believe this run"
        " before the reason is found (mass, grade, calibration, brake not marked).",
        None: "The energy balance cannot be closed:"
        f" {units.words(held.why_open) or 'an energy is not known'}.",
    }[held.closes]
    missing = f" {held.seconds_missing:.0f} s without data" * (held.seconds_missing >= 0.5)
    braked = f" {held.brake_seconds:.0f} s braked" * (held.brake_seconds >= 0.5)
    both = "," if missing and braked else ""
    out = f" Left out of the balance:{missing}{both}{braked}." if missing or braked else ""
    heads = ("energy", units.label("kJ"))
    caption = f"Energy balance of {naming.run(run.loaded.name)}, ± 95 %."
    return [
        TextTable(heads, rows, caption),
        Text(verdict + over + out),
        Text(mass_words(run, units)),
    ]


def mass_words(run: RunAnswer, units: ShownUnits) -> str:
    """The trailing mass as grades and starts show it, against the trip sheet's."""
    check = run.mass_check
    if check is None:
        return "The trip sheet states no trailing mass to hold against grades and starts."
    k, unit = units.factor("t"), units.label("t")
    stated = f"the trip sheet says {plain(check.stated_t * k, 4)} {unit}"
    found = check.estimate.joined
    own = "The locomotive's own mass cannot be seen so."
    if found is None:
        return f"Grades and starts of this run do not tell the trailing mass; {stated}. {own}"
    agrees = {
        True: "they agree",
        False: "they do NOT agree",
        None: "neither bears the other out",
    }
    shown = pm(units.of(found), unit=True)
    return (
        f"Grades and starts show a trailing mass of {shown}, {stated}: {agrees[check.agrees]}."
        f" {own}"
    )


def _energy(value: Measured, units: ShownUnits) -> str:
    """A train that stands at both ends changed no kinetic energy: no digits of rounding."""
    if not math.isfinite(value.value):
        return "not known"
    if abs(value.value) < _SMALLEST_KJ and value.u < _SMALLEST_KJ:
        return "0"
    return pm(units.of(value))


def fuel_section(answer: CampaignAnswer, naming: Naming) -> list[Block]:
    """Fuel and water of every run, where two marks or more give them."""
    blocks: list[Block] = [Heading("Results: fuel and water")]
    for run in answer.runs:
        blocks += _consumption(run, naming)
    return blocks


def _consumption(run: RunAnswer, naming: Naming) -> list[Block]:
    used = [c for c in (run.fuel, run.water) if c is not None]
    called = naming.run(run.loaded.name)
    if not used:
        return [
            Text(
                f"No consumption can be stated of {called}: that takes two marks of fuel or two of"
                " water with their amounts."
            )
        ]
    units = naming.units
    metric = units.edition is Edition.METRIC
    rows = tuple(
        (
            c.kind,
            f"{c.t_start_s:.0f}-{c.t_end_s:.0f}",
            *(_shown(v, units) for v in (c.used, c.work, c.per_kWh if metric else c.per_hp_h)),
        )
        for c in used
    )
    heads = ("", "time, s", "used", "drawbar work", "for each unit of work")
    caption = f"Fuel and water of {called}, over the marks that give them, ± 95 %."
    blocks: list[Block] = [TextTable(heads, rows, caption)]
    if run.evaporation is not None:
        weight = units.label("kg")
        ratio = pm(run.evaporation)
        blocks.append(
            Text(f"Evaporation: {ratio} {weight} of water for each {weight} of fuel, ± 95 %.")
        )
    told = [units.words(n) for c in used for n in c.assumed]
    return [*blocks, *(Text(f"{n[:1].upper()}{n[1:]}.", "small") for n in told)]


def _shown(value: Measured | None, units: ShownUnits) -> str:
    if value is None or not math.isfinite(value.value):
        return "—"
    return pm(units.of(value), unit=True)

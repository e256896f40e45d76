"""Object of the trial, and the instruments: what each is, its certificate, and how it stands."""

from __future__ import annotations

import math
from typing import TYPE_CHECKING, Final

from calibration.certificates.force import ForceCertificate
from calibration.certificates.wheel import WheelCertificate
from calibration.quantities.written import typeset
from recorder.report.opening.title_block import object_words
from recorder.report.pages.document import Block, Heading, Text, TextTable, plain
from recorder.report.particulars.worth import force_u_words, wheel_u_words
from recorder.run.values.certificate_standing import PROVES, Standing

if TYPE_CHECKING:
    from calibration.certificates.certificate import Certificate
    from recorder.analysis.campaign.answer import CampaignAnswer
    from recorder.analysis.campaign.loaded_run import LoadedRun
    from recorder.report.section_parts.naming import Naming
    from recorder.run.values.certificate_standing import Finding

__all__ = ["instruments_section", "object_section"]

FOLD_AT: Final = 8
"""Rows of a narrow table that may stand under one another."""
DEVICE: Final = {
    "imported-table": "table that was imported",
    "load-cell-frames": "load cell amplifier",
    "wheel-pulses": "pulse counter of the measuring wheel",
    "nmea-0183": "satellite receiver and clock",
}
"""What a driver reads, as the crew calls it."""


def object_section(answer: CampaignAnswer, naming: Naming) -> list[Block]:
    """What the trial asks, and what was promised."""
    said = object_words(answer)
    blocks: list[Block] = [
        Heading("Object of the trial", new_page=True),
        Text(said if said.endswith((".", "?", "!")) else f"{said}."),
    ]
    spec, units = answer.specification, naming.units
    if spec is None:
        return blocks
    rows = tuple(
        (f"{v * units.factor('m/s'):.1f}", plain(p * units.factor("kN"), 4))
        for v, p in zip(spec.speed_m_s, spec.pull_kN, strict=True)
    )
    if spec.starting_pull_kN is not None:
        rows = (("starting", plain(spec.starting_pull_kN * units.factor("kN"), 4)), *rows)
    heads = (f"speed, {units.label('m/s')}", f"drawbar pull, {units.label('kN')}")
    named = f": {spec.name}" if spec.name else ""
    caption = f"What is specified, on level, straight track{named}."
    return [*blocks, *([_folded(heads, rows, caption)] if rows else [])]


def _folded(
    heads: tuple[str, str], rows: tuple[tuple[str, str], ...], caption: str
) -> TextTable:
    """A long narrow table in columns side by side, read downwards."""
    columns = min(4, math.ceil(len(rows) / FOLD_AT))
    long = math.ceil(len(rows) / columns)
    filled = [*rows, *[("", "")] * (columns * long - len(rows))]
    folded = tuple(
        tuple(cell for c in range(columns) for cell in filled[c * long + i])
        for i in range(long)
    )
    return TextTable(heads * columns, folded, caption)


def instruments_section(answer: CampaignAnswer, naming: Naming) -> list[Block]:
    """Devices and certificates of every run, alike ones once."""
    runs = [run.loaded for run in answer.runs]
    return [
        Heading("Instruments"),
        *_devices(runs, naming),
        _certificates(runs, naming),
        *_standings(runs),
    ]


def _devices(runs: list[LoadedRun], naming: Naming) -> list[Block]:
    rows = tuple(
        (
            naming.letter(run.name),
            DEVICE.get(device.driver, device.driver or "values of a table"),
            name,
            "—" if device.rate_hz is None else f"{device.rate_hz:.4g}",
            typeset(f"{device.records}"),
            f"{device.gaps}",
        )
        for run in runs
        for name, device in run.provenance.description.devices.items()
    )
    if not rows:
        return [Text("The run names no device: its values came from a table.")]
    heads = ("run", "instrument", "called", "records a second", "records", "gaps")
    return [TextTable(heads, rows, "Instruments that were recorded.")]


def _certificates(runs: list[LoadedRun], naming: Naming) -> Block:
    held: dict[tuple[str, str, bool], list[str]] = {}
    kept: dict[tuple[str, str, bool], tuple[Certificate, tuple[Finding, ...]]] = {}
    for run in runs:
        for name, certificate in run.provenance.certificates.items():
            expired = run.provenance.description.certificates[name].expired
            key = (name, certificate.certificate_id, expired)
            held.setdefault(key, []).append(naming.letter(run.name))
            kept.setdefault(key, (certificate, run.provenance.standings.get(name, ())))
    if not held:
        return Text("No certificate is in the run: values carry what was stated with them.")
    rows = tuple(
        (
            ", ".join(letters),
            *_certificate(*kept[key], naming),
            "EXPIRED" if key[2] else "in date",
        )
        for key, letters in held.items()
    )
    heads = ("run", "instrument", "certificate", "serial no.", "issued", "last day",
             "U (95 %)", "standing", "on the day")  # fmt: skip
    return TextTable(heads, rows, "Certificates. U is the expanded uncertainty they state.")


def _certificate(
    held: Certificate, found: tuple[Finding, ...], naming: Naming
) -> tuple[str, ...]:
    kind, serial, worth = "clock", "", "—"
    if isinstance(held, ForceCertificate):
        kind, serial = "load cell", held.serial
        worth = naming.units.words(force_u_words(held))
    elif isinstance(held, WheelCertificate):
        kind, serial, worth = "measuring wheel", held.serial, wheel_u_words(held)
    return (
        kind,
        held.certificate_id,
        serial or "not stated",
        held.issued.isoformat(),
        "none" if held.expires is None else held.expires.isoformat(),
        worth,
        _standing(found),
    )


def _standing(found: tuple[Finding, ...]) -> str:
    """The worst that was found, in a word."""
    worst = {f.standing for f in found}
    for standing, word in (
        (Standing.REFUSED, "REFUSED"),
        (Standing.DOUBT, "doubted, see below"),
        (Standing.NOT_ASKED, "good, not signed"),
    ):
        if standing in worst:
            return word
    return "good" if worst else "not looked at"


def _standings(runs: list[LoadedRun]) -> list[Block]:
    """Whose each certificate is, whether its figures follow, who issued it; what that proves."""
    told = dict.fromkeys(
        f"Certificate {run.provenance.certificates[name].certificate_id}:"
        f" {'; '.join(finding.words for finding in found)}."
        for run in runs
        for name, found in run.provenance.standings.items()
    )
    blocks: list[Block] = [Text(words, "small") for words in told]
    return [*blocks, Text(PROVES, "small")] if blocks else []

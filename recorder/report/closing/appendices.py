"""Appendices: the marks, the identity of the runs, and what the folder of appendices holds."""

from __future__ import annotations

import platform
from typing import TYPE_CHECKING

from recorder.report.closing.deviations_section import listed
from recorder.report.pages.document import Block, Heading, RunPlace, Text, TextTable

if TYPE_CHECKING:
    from collections.abc import Sequence

    from recorder.analysis.campaign.loaded_run import LoadedRun
    from recorder.report.closing.appendix_files import AppendixFile
    from recorder.report.section_parts.naming import Naming

__all__ = ["appendices_section"]


def appendices_section(
    runs: Sequence[LoadedRun], naming: Naming, files: Sequence[AppendixFile]
) -> list[Block]:
    """Marks, how to get every figure again, and the list of files."""
    blocks: list[Block] = [Heading("Appendices"), Heading("Marks as keyed", 2)]
    for run in runs:
        blocks += _marks(run, naming)
    rows = tuple(
        (
            naming.letter(r.name),
            r.provenance.path.name,
            r.run_id,
            r.provenance.header.software,
            r.provenance.description.digest or "not sealed: no digest",
        )
        for r in runs
    )
    return [
        *blocks,
        Heading("How to get every figure again", 2),
        Text(
            "The run files hold raw counts, certificates, sheets and route in full. The same run"
            " files, settings (in results.json) and version of the program give the same figures."
            f" Worked with Python {platform.python_version()}.",
            "small",
        ),
        TextTable(("run", "file", "identity", "recorded by", "digest"), rows, "Run files."),
        *_signatures(runs, naming),
        Heading("Files of the appendix", 2),
        *_files(files),
    ]


def _signatures(runs: Sequence[LoadedRun], naming: Naming) -> list[Block]:
    """By which key each run is signed; what that proves is a matter of whose key it is."""
    words = [
        f"Run {naming.letter(r.name)}: {r.provenance.description.signed.in_words()}."
        for r in runs
    ]
    proof = (
        " A digest shows damage alone; a signature shows that the holder of that key signed the"
        " run as it is. Whose key it is, is known by its fingerprint: compare it with one had in"
        " another way (testcar verify --key CAR.pub)."
    )
    return [Text(" ".join(words) + proof, "small")]


def _marks(run: LoadedRun, naming: Naming) -> list[Block]:
    called = naming.run(run.name)
    if not run.marks:
        return [Text(f"No marks were keyed on {called}.")]
    heads = ("run time, s", "mark", "as keyed", "note", "by")
    rows = [(f"{m.t_s:.2f}", m.kind_label, m.value, m.note, m.by) for m in run.marks]
    caption = f"Marks of {called}, newest revisions, in the units they were keyed in"
    people = {m.by for m in run.marks}
    kept = [0, 1, 2]
    kept += [3] * any(m.note for m in run.marks)
    kept += [4] * (len(people) > 1)
    if len(people) == 1:
        caption += f"; all by {next(iter(people)) or 'nobody named'}"
    return [
        listed(
            tuple(heads[k] for k in kept),
            [tuple(row[k] for k in kept) for row in rows],
            f"{caption}.",
            "the table tables/marks",
            [RunPlace(run.run_id, m.t_s) for m in run.marks],
        )
    ]


def _files(files: Sequence[AppendixFile]) -> list[Block]:
    if not files:
        return [Text("The runs hold no sheet, route or certificate.")]
    rows = tuple((f.name, f.what, f.sha256[:16]) for f in files)
    return [
        TextTable(
            ("file", "what it is", "SHA-256 begins"),
            rows,
            "Files in the folder appendix/ beside this report, as they stand in the runs and in the"
            " units they were written in; appendix/sha256.txt has their digests in full.",
        )
    ]

"""Sheets, route and certificates of the runs as files of their own, each once."""

from __future__ import annotations

import hashlib
import itertools
from dataclasses import dataclass
from pathlib import Path
from typing import TYPE_CHECKING, Final

from calibration.files.durable import write_whole

if TYPE_CHECKING:
    from collections.abc import Iterator, Sequence

    from recorder.analysis.campaign.loaded_run import LoadedRun
    from recorder.report.section_parts.naming import Naming

__all__ = ["FOLDER", "AppendixFile", "appendix_files", "write_appendix"]

FOLDER: Final = "appendix"
DIGESTS: Final = "sha256.txt"
_LONGEST: Final = 50
"""Letters of a name before its ending: 200 bytes at the most, where a disk takes 255."""


@dataclass(frozen=True, slots=True, kw_only=True)
class AppendixFile:
    """One file, as it stands in the runs."""

    name: str
    what: str
    text: str

    @property
    def sha256(self) -> str:
        """Of its bytes, hex."""
        return hashlib.sha256(self.text.encode()).hexdigest()


def appendix_files(runs: Sequence[LoadedRun], naming: Naming) -> tuple[AppendixFile, ...]:
    """What the runs hold; what several of them share once, with the letters of those runs."""
    sharing: dict[tuple[str, str, str, str], list[str]] = {}
    for run in runs:
        for held in _held(run):
            if held[3].strip():
                sharing.setdefault(held, []).append(naming.letter(run.name))
    out, taken = list[AppendixFile](), set[str]()
    for (stem, ending, what, text), letters in sharing.items():
        name = _free(stem, letters[0], ending, taken)
        taken.add(name.casefold())
        of = f" of run{'s' * (len(letters) > 1)} {', '.join(letters)}"
        out.append(AppendixFile(name=name, what=what + of, text=text))
    return tuple(out)


def _free(stem: str, letter: str, ending: str, taken: set[str]) -> str:
    """A name that no file of the folder has, also where capitals are no difference."""
    short = stem[:_LONGEST]
    tails = itertools.chain(("", f"-{letter}"), (f"-{letter}{n}" for n in itertools.count(2)))
    names = (f"{short}{tail}{ending}" for tail in tails)
    return next(name for name in names if name.casefold() not in taken)


def _held(run: LoadedRun) -> Iterator[tuple[str, str, str, str]]:
    """Stem, ending, what it is, text."""
    header = run.provenance.header
    yield "car", ".toml", "car sheet", header.car_sheet
    yield "trip", ".toml", "trip sheet", header.trip_sheet
    if run.trip is not None and run.trip.text and run.trip.text != header.trip_sheet:
        yield "trip-used", ".toml", "trip sheet that this report was worked with", run.trip.text
    yield "route", ".csv", "route table", header.route
    if run.route is not None and run.route.text != header.route:
        yield "route-used", ".csv", "route table that the run was placed on", run.route.text
    for name, text in header.certificates.items():
        held = run.provenance.certificates.get(name)
        number = held.certificate_id if held is not None else name
        stem = "".join(c if c.isalnum() or c in "-_." else "_" for c in number)
        yield stem, ".cert.json", f"certificate {number}", text


def write_appendix(files: Sequence[AppendixFile], report: Path) -> None:
    """Write the folder anew; what an earlier report left in it goes.

    Raises
    ------
    OSError
        The folder cannot be written.
    """
    folder = report / FOLDER
    listing = folder / DIGESTS
    if listing.exists():
        for line in listing.read_text(encoding="utf-8").splitlines():
            (folder / Path(line[66:]).name).unlink(missing_ok=True)
        listing.unlink()
    if not files:
        return
    folder.mkdir(exist_ok=True)
    for held in files:
        write_whole(folder / held.name, held.text.encode())
    lines = "".join(f"{f.sha256}  {f.name}\n" for f in files)
    write_whole(listing, lines.encode())

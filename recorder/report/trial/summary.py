"""One page that sums a run up: what was recorded, by what, how well, and what it looks like."""

from __future__ import annotations

import math
from pathlib import Path
from typing import TYPE_CHECKING

import numpy as np

from calibration.files.durable import write_whole
from calibration.quantities.written import lasting, many, typeset
from recorder.analysis.series.run_series import first_channel
from recorder.exchange.description import RunDescription, describe
from recorder.report.pages.document import (
    Block,
    Chart,
    Document,
    Text,
    TextTable,
    TitleBlock,
    plain,
)
from recorder.report.pages.rendering import to_pdf
from recorder.report.pages.run_charts import trace_chart
from recorder.report.pages.shown_units import METRIC, SYSTEMS, ShownUnits
from recorder.report.pages.wording import CAUTION, utc_words
from recorder.report.particulars.people import crew_words
from recorder.report.particulars.vehicles import car_words, locomotive_words
from recorder.run_file.hdf5.reader import open_run

if TYPE_CHECKING:
    from numpy.typing import NDArray

    from recorder.exchange.time_told import ClockOfRun
    from recorder.run_file.hdf5.devices import Channel
    from recorder.run_file.hdf5.reader import RunFile

__all__ = ["write_summary"]

_COLUMNS = 1200
_MOST_MARKS = 5
_MOST_CHANNELS = 16
STRIP_IN = 0.8
"""Height of a strip of the chart, inches: all is to stand on one page."""
_INSIDE = {"pull": "kN", "speed": "m/s"}
"""Quantities of the chart and their units inside."""


def write_summary(run_path: Path | str, out: Path | str) -> None:
    """Write the one-page PDF of a run.

    Raises
    ------
    RunFileError, OSError
        The run cannot be read, or the page not written.
    """
    with open_run(run_path) as run:
        document = _document(run)
    write_whole(Path(out), to_pdf(document))


def _document(run: RunFile) -> Document:
    held, trip = describe(run), run.trip
    units = SYSTEMS[run.car.units if run.car is not None else METRIC.name]
    chart = _chart(run, units)
    blocks: list[Block] = [
        _title_block(run, held, units),
        Text(_sentence(held)),
        _devices(held),
        *([] if chart is None else [chart]),
        _channels(run, units),
        *(Text(words, "caution") for words in run.header.unmeasured),
        _certificates(held),
        _marks(run),
        *(Text(words, "caution") for words in held.clock.ticks),
        Text(held.digest or "not sealed: no digest", "code"),
        Text(held.signed.in_words(), "code"),
        Text(CAUTION, "caution foot"),
    ]
    return Document(
        title=trip.name if trip is not None and trip.name else "Record of one run",
        subtitle=f"Summary of one recording, {_begun(held.clock)}",
        blocks=blocks,
        footer=f"run {held.run_id}  ·  {held.software}",
    )


def _title_block(run: RunFile, held: RunDescription, units: ShownUnits) -> TitleBlock:
    """Who was where with what, and the file's name in small."""
    trip = run.trip
    engine = None if trip is None else trip.locomotive
    return TitleBlock(
        rows=(
            ("Locomotive", locomotive_words(engine, units)),
            ("Test car", car_words(run.car, trip, units)),
            ("Crew", crew_words(trip, run.marks())),
            ("File", f"{run.path.name}, run {held.run_id[:8]}"),
        )
    )


def _sentence(held: RunDescription) -> str:
    state = "sealed" if held.complete else "NOT sealed: the recording was cut off"
    lost = sum(g.lost_records for g in held.gaps)
    holes = (
        f"{many(len(held.gaps), 'gap')}, known to be lost: {many(lost, 'record')}"
        if held.gaps
        else "no gap"
    )
    return (
        f"{lasting(held.duration_s)} recorded; {holes}; {many(held.marks.n, 'mark')}; the file"
        f" is {state}. {utc_words(held.clock)}."
    )


def _begun(clock: ClockOfRun) -> str:
    at = clock.began_utc[:19].replace("T", " ")
    return f"begun {at} UTC" if clock.known else f"begun {at} by the {clock.source_words}"


def _devices(held: RunDescription) -> Block:
    return TextTable(
        ("device", "driver", "records", "a second", "gaps", "known lost"),
        tuple(
            (
                name,
                device.driver,
                f"{device.records}",
                "—" if device.rate_hz is None else plain(device.rate_hz, 4),
                f"{device.gaps}",
                f"{device.lost_records}",
            )
            for name, device in held.devices.items()
        ),
    )


def _channels(run: RunFile, units: ShownUnits) -> Block:
    hidden = len(run.channels) - _MOST_CHANNELS
    return TextTable(
        ("channel", "unit", "samples", "least", "greatest", "certificate"),
        tuple(_row(run, c, units) for c in list(run.channels.values())[:_MOST_CHANNELS]),
        f"And {hidden} channels more." if hidden > 0 else "",
    )


def _certificates(held: RunDescription) -> Block:
    rows = tuple(
        (
            certificate.kind,
            certificate.certificate_id,
            certificate.issued.isoformat(),
            "none" if certificate.expires is None else certificate.expires.isoformat(),
            "EXPIRED" if certificate.expired else "in date",
        )
        for certificate in held.certificates.values()
    )
    if not rows:
        return Text("No certificate is in the run: values count as they are.")
    return TextTable(("certificate of", "number", "issued", "last day", "on the day"), rows)


def _row(run: RunFile, channel: Channel, units: ShownUnits) -> tuple[str, ...]:
    low, high = (v * units.factor(channel.unit) for v in _extremes(run, channel))
    certificate = run.certificates.get(channel.certificate)
    name = "none" if certificate is None else certificate.certificate_id
    digits = 7 if channel.unit == "deg" else 4
    shown = plain(low, digits), plain(high, digits)
    label = units.label(channel.unit)
    return (channel.name, label, typeset(f"{channel.n}"), *shown, name)


def _extremes(run: RunFile, channel: Channel) -> tuple[float, float]:
    if not channel.n or run.duration_s <= 0.0:
        return math.nan, math.nan
    view = run.overview(channel.name, 0.0, run.duration_s, _COLUMNS)
    if not np.isfinite(view.minimum).any():
        return math.nan, math.nan
    return float(np.nanmin(view.minimum)), float(np.nanmax(view.maximum))


def _chart(run: RunFile, units: ShownUnits) -> Chart | None:
    rows: list[tuple[str, NDArray[np.float64], NDArray[np.float64]]] = []
    t_s = np.zeros(0)
    means: dict[str, NDArray[np.float64]] = {}
    for quantity in ("pull", "speed"):
        channel = first_channel(run, quantity)
        if channel is None or run.duration_s <= 0.0:
            continue
        view = run.overview(channel.name, 0.0, run.duration_s, _COLUMNS)
        unit, scale = units.label(_INSIDE[quantity]), units.factor(_INSIDE[quantity])
        t_s, means[quantity] = view.t_s, view.mean
        rows.append((f"{quantity}, {unit}", view.minimum * scale, view.maximum * scale))
    if len(means) == 2:
        power = means["pull"] * means["speed"] * units.factor("kW")
        rows.append((f"power, {units.label('kW')}", power, power))
    if not rows:
        return None
    return Chart(
        "traces",
        trace_chart(t_s, rows, strip_in=STRIP_IN),
        "Least to greatest in each column; tension +.",
    )


def _marks(run: RunFile) -> Block:
    marks = run.marks()
    if not marks:
        return Text("No marks were keyed.")
    # One page: many channels leave room for fewer marks.
    shown = marks[: max(_MOST_MARKS - max(len(run.channels) - 8, 0), 1)]
    more = len(marks) - len(shown)
    return TextTable(
        ("run time, s", "mark", "as keyed", "note"),
        tuple((f"{m.t_s:.2f}", m.kind_label, m.value, m.note) for m in shown),
        f"First {len(shown)} marks of {len(marks)}." if more else "",
    )

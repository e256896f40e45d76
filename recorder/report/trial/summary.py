"""One page that sums a run up: what was recorded, by what, how well, and what it looks like."""

from __future__ import annotations

import math
from datetime import UTC, datetime
from pathlib import Path
from typing import TYPE_CHECKING, Any

import numpy as np

from recorder.exchange.description import describe
from recorder.report.pages.charts import trace_chart
from recorder.report.pages.document import Block, Chart, Document, Text, TextTable, plain
from recorder.report.pages.rendering import to_pdf
from recorder.run_file.hdf5.reader import open_run

if TYPE_CHECKING:
    from numpy.typing import NDArray

    from recorder.run_file.hdf5.devices import Channel
    from recorder.run_file.hdf5.reader import RunFile

__all__ = ["CAUTION", "seconds", "write_summary"]

CAUTION = (
    "This record is no safety system and no authority to move a train. Signals, local rules and"
    " licensed practice come first."
)
_COLUMNS = 1200
_MOST_MARKS = 8
_MOST_CHANNELS = 16
_SCALES = {"pull": ("kN", 1.0), "speed": ("km/h", 3.6), "distance": ("km", 1e-3)}


def write_summary(run_path: Path | str, out: Path | str) -> None:
    """Write the one-page PDF of a run.

    Raises
    ------
    RunFileError, OSError
        The run cannot be read, or the page not written.
    """
    with open_run(run_path) as run:
        document = _document(run)
    Path(out).write_bytes(to_pdf(document))


def _document(run: RunFile) -> Document:
    told = describe(run)
    started = datetime.fromtimestamp(run.header.started_utc_ns / 1e9, tz=UTC)
    trip = run.trip
    blocks: list[Block] = [
        Text(_sentence(run)),
        TextTable(
            ("device", "driver", "records", "a second", "gaps", "known lost"),
            tuple(
                (
                    name,
                    str(d["driver"]),
                    str(d["records"]),
                    "—" if d["rate_hz"] is None else plain(d["rate_hz"], 4),
                    str(d["gaps"]),
                    str(d["lost_records"]),
                )
                for name, d in told["devices"].items()
            ),
        ),
    ]
    chart = _chart(run)
    if chart is not None:
        blocks.append(chart)
    hidden = len(run.channels) - _MOST_CHANNELS
    blocks += [
        TextTable(
            ("channel", "unit", "samples", "least", "greatest", "certificate"),
            tuple(_row(run, c) for c in list(run.channels.values())[:_MOST_CHANNELS]),
            f"And {hidden} channels more." if hidden > 0 else "",
        ),
        _certificates(told),
        _marks(run),
        Text(told["digest"] or "not sealed: no digest", "code"),
        Text(CAUTION, "caution"),
    ]
    return Document(
        title=trip.name if trip is not None else f"Run {run.path.stem}",
        subtitle=f"Summary of {run.path.name}, begun {started:%Y-%m-%d %H:%M:%S} UTC",
        blocks=blocks,
        footer=f"run {told.get('run_id', '')}  ·  {run.header.software}",
    )


def _sentence(run: RunFile) -> str:
    state = "sealed" if run.complete else "NOT sealed: the recording was cut off"
    gaps = run.gaps()
    lost = sum(g.lost_records for g in gaps)
    u = float(run.utc.u_s(np.array([run.duration_s / 2]))[0])
    holes = "no gap" if not gaps else f"{len(gaps)} gaps, {lost} records known to be lost"
    return (
        f"{run.duration_s:.1f} s recorded; {holes}; {len(run.marks())} marks; the file is {state}."
        f" UTC by {run.utc.source}, standard uncertainty {seconds(u)}."
    )


def _certificates(told: dict[str, Any]) -> Block:
    rows = tuple(
        (
            name,
            c["certificate_id"],
            c["issued"],
            c["expires"] or "none",
            "EXPIRED" if c["expired"] else "in date",
        )
        for name, c in told["certificates"].items()
    )
    if not rows:
        return Text("No certificate is in the run: values count as they are.")
    return TextTable(("certificate", "number", "issued", "last day", "on the day"), rows)


def seconds(u_s: float) -> str:
    """A short time as people read it; ``not known`` when it is not finite."""
    if not math.isfinite(u_s):
        return "not known"
    return f"{plain(u_s, 2)} s" if u_s >= 0.01 else f"{plain(u_s * 1e3, 2)} ms"


def _row(run: RunFile, channel: Channel) -> tuple[str, ...]:
    low, high = _extremes(run, channel)
    certificate = run.certificates.get(channel.certificate)
    name = "none" if certificate is None else certificate.certificate_id
    digits = 7 if channel.unit == "deg" else 4
    shown = plain(low, digits), plain(high, digits)
    return (channel.name, channel.unit, f"{channel.n}", *shown, name)


def _extremes(run: RunFile, channel: Channel) -> tuple[float, float]:
    if not channel.n or run.duration_s <= 0.0:
        return math.nan, math.nan
    view = run.overview(channel.name, 0.0, run.duration_s, _COLUMNS)
    if not np.isfinite(view.minimum).any():
        return math.nan, math.nan
    return float(np.nanmin(view.minimum)), float(np.nanmax(view.maximum))


def _chart(run: RunFile) -> Chart | None:
    rows: list[tuple[str, NDArray[np.float64], NDArray[np.float64]]] = []
    t_s = np.zeros(0)
    means: dict[str, NDArray[np.float64]] = {}
    for quantity in ("pull", "speed"):
        channel = next(
            (c for c in run.channels.values() if c.quantity == quantity and c.n), None
        )
        if channel is None or run.duration_s <= 0.0:
            continue
        view = run.overview(channel.name, 0.0, run.duration_s, _COLUMNS)
        unit, scale = _SCALES[quantity]
        t_s, means[quantity] = view.t_s, view.mean
        rows.append((f"{quantity}, {unit}", view.minimum * scale, view.maximum * scale))
    if len(means) == 2:
        power = means["pull"] * means["speed"]
        rows.append(("power, kW", power, power))
    if not rows:
        return None
    return Chart(
        "traces", trace_chart(t_s, rows), "Least to greatest in each column; tension +."
    )


def _marks(run: RunFile) -> Block:
    marks = run.marks()
    if not marks:
        return Text("No marks were keyed.")
    # One page: many channels leave room for fewer marks.
    shown = marks[: max(_MOST_MARKS - max(len(run.channels) - 8, 0), 1)]
    more = len(marks) - len(shown)
    return TextTable(
        ("run time, s", "mark", "value", "note"),
        tuple((f"{m.t_s:.2f}", m.kind, m.value, m.note) for m in shown),
        f"First {len(shown)} marks of {len(marks)}." if more else "",
    )

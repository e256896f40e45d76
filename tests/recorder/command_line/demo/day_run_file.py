"""The trial day as a sealed run file, made of what its devices give: no ports, no waiting."""

from __future__ import annotations

import uuid
from pathlib import Path

import numpy as np
import tomli_w

from calibration.certificates.certificate import dump_certificate
from recorder.command_line.demo.day_crew import (
    Act,
    Corrected,
    Keyed,
    ZeroTaken,
    crew_acts,
)
from recorder.marks.mark import Mark
from recorder.run.checks.zero_line import Zero
from recorder.run.parts.event import Event
from recorder.run.parts.gap import Cause, Gap
from recorder.run.parts.header import ChannelHeader, DeviceHeader, RunHeader
from recorder.run_file.seal.write_whole import DeviceData, write_run
from simulated_feeds.outing.rendering import DeviceRecords, render_run_arrays
from simulated_feeds.outing.trial_day import TrialDay
from simulated_feeds.sheets.bench_cell import bench_certificate
from simulated_feeds.sheets.rolled_wheel import rolled_wheel_certificate
from simulated_feeds.sheets.sheet_files import day_of, trip_sheet

__all__ = ["write_day"]

CHANNELS = {
    "drawbar": (("pull", "kN", "ch0", "cell"),),
    "wheel": (("distance", "m", "count", "wheel"), ("speed", "m/s", "count", "wheel")),
    "clock": (
        ("latitude", "deg", "latitude_deg", ""),
        ("longitude", "deg", "longitude_deg", ""),
        ("gnss_speed", "m/s", "speed_m_s", ""),
    ),
}
DRIVERS = {"drawbar": "load-cell-frames", "wheel": "wheel-pulses", "clock": "nmea-0183"}
ZERO_S = 10.0


def write_day(day: TrialDay, path: Path) -> None:
    """The day's run file: records of its three devices, what its crew did, its sheets."""
    scenario = day.scenario
    made = render_run_arrays(scenario, mover=day.mover(), seconds=day.seconds,
                             load_cell_hz=200, wheel_hz=10.0)  # fmt: skip
    fault = day.faults[0]
    lost = (fault.at_s, fault.at_s + fault.lasts_s)
    held = {"drawbar": made.load_cell, "wheel": made.wheel, "clock": made.gnss}
    keep = (made.wheel.true_s < lost[0]) | (made.wheel.true_s > lost[1])
    acts = crew_acts(day)
    gap = Gap(device="wheel", t_start_s=lost[0], t_end_s=lost[1], cause=Cause.LINK_LOST,
              before_record=int(np.count_nonzero(made.wheel.true_s < lost[0])))  # fmt: skip
    header = RunHeader(
        run_id=uuid.uuid4().hex,
        started_utc_ns=scenario.utc0_ns,
        started_monotonic_ns=0,
        boot_id="test",
        software="test",
        car_sheet="",
        trip_sheet=trip_sheet_text(day),
        certificates={
            "cell": dump_certificate(bench_certificate(scenario, day_of(scenario))),
            "wheel": dump_certificate(rolled_wheel_certificate(scenario, day_of(scenario))),
        },
        devices=tuple(_header(name, h) for name, h in held.items()),
        route=scenario.told.line.to_csv(),
    )
    data = {name: _data(name, h, keep if name == "wheel" else None) for name, h in held.items()}
    zeros = [_zero(a, made.load_cell) for a in acts if isinstance(a, ZeroTaken)]
    write_run(path, header, data, marks=_marks(acts), events=[*zeros, gap])


def trip_sheet_text(day: TrialDay) -> str:
    """The trip sheet as it lies in the folder of the day."""
    return tomli_w.dumps(trip_sheet(day.scenario))


def _header(name: str, held: DeviceRecords) -> DeviceHeader:
    kind = held.records.dtype
    return DeviceHeader(
        name=name,
        driver=DRIVERS[name],
        port="none",
        dtype=[[n, kind[n].str] for n in kind.names or ()],
        tick_hz=1e9 if name == "clock" else 1e6,
        channels=tuple(
            ChannelHeader(name=n, quantity=n, unit=u, field=f, certificate=c)
            for n, u, f, c in CHANNELS[name]
        ),
    )


def _data(name: str, held: DeviceRecords, keep: np.ndarray | None) -> DeviceData:
    time_s = held.received_s if name == "clock" else held.true_s
    if keep is None:
        return DeviceData(time_s=time_s, records=held.records)
    return DeviceData(time_s=time_s[keep], records=held.records[keep])


def _marks(acts: list[Act]) -> list[Mark]:
    by_number = {
        a.number: Mark(mark_id=uuid.uuid4().hex, kind=a.kind, t_s=a.t_s, value=a.value,
                       note=a.note, by="second observer")
        for a in acts if isinstance(a, Keyed)
    }  # fmt: skip
    put_right = [
        by_number[a.number].revised(value=a.value, note=a.note)
        for a in acts
        if isinstance(a, Corrected)
    ]
    return [*by_number.values(), *put_right]


def _zero(act: ZeroTaken, cell: DeviceRecords) -> Event:
    at = (cell.true_s >= act.t_s) & (cell.true_s < act.t_s + ZERO_S)
    counts = cell.records["ch0"][at].astype(float)
    sd = float(counts.std(ddof=1))
    return Zero(
        channel="pull", t_s=act.t_s + 0.5 * ZERO_S, counts=float(counts.mean()),
        u_counts=sd / np.sqrt(counts.size), when=act.when, sd_counts=sd, n=int(counts.size),
        seconds=ZERO_S,
    ).to_event()  # fmt: skip

"""A run in figures: what ``testcar info`` tells, as plain data and in words."""

from __future__ import annotations

from collections import Counter
from typing import TYPE_CHECKING, Any

import numpy as np

from calibration.clock.leap_seconds import TABLE_EXPIRES, table_covers
from recorder.run.calibrate import day_of
from recorder.run.utc import utc_text

if TYPE_CHECKING:
    from collections.abc import Sequence

    from recorder.run.timeline import Segment
    from recorder.run_file.hdf5.devices import Channel, Device
    from recorder.run_file.hdf5.reader import RunFile

__all__ = ["describe", "in_words"]


def describe(run: RunFile) -> dict[str, Any]:
    """Plain data (JSON) about a run: identity, devices, channels, marks, gaps, certificates."""
    gaps = run.gaps()
    marks = run.marks()
    return {
        "file": str(run.path),
        "run_id": run.header.run_id,
        "origin": run.header.origin,
        "software": run.header.software,
        "started_utc": utc_text(int(run.utc.utc_ns(0.0))),
        "duration_s": run.duration_s,
        "complete": run.complete,
        "sealed_utc": run.sealed_utc,
        "digest": run.digest,
        "utc": _utc(run),
        "devices": {d.name: _device(run, d) for d in run.devices.values()},
        "channels": {c.name: _channel(run, c) for c in run.channels.values()},
        "marks": {
            "n": len(marks),
            "revisions": len(run.revisions()),
            "kinds": dict(sorted(Counter(mark.kind for mark in marks).items())),
        },
        "gaps": [
            {
                "device": gap.device,
                "t_start_s": gap.t_start_s,
                "t_end_s": gap.t_end_s,
                "cause": gap.cause,
                "detail": gap.detail,
                "lost_records": gap.lost_records,
            }
            for gap in gaps
        ],
        "certificates": _certificates(run),
        "results": sorted(run.companion.results()),
    }


def _utc(run: RunFile) -> dict[str, Any]:
    u_s = run.utc.u_s(np.linspace(0.0, max(run.duration_s, 0.0), 101))
    worst = float(np.max(u_s)) if len(u_s) else np.nan
    return {
        "source": run.utc.source,
        "u_s": _number(worst),
        "leap_seconds_known_until": TABLE_EXPIRES.isoformat(),
        "leap_seconds_known": table_covers(int(run.utc.utc_ns(run.duration_s))),
    }


def _device(run: RunFile, device: Device) -> dict[str, Any]:
    gaps = run.gaps(device.name)
    ties = run.tick_ties().get(device.name, ())
    first_s = float(device.time_s(0, 1)[0]) if device.n else 0.0
    span_s = device.end_s - first_s
    rate = (device.n - 1) / span_s if device.n > 1 and span_s > 0.0 else None
    return {
        "driver": device.header.driver,
        "port": device.header.port,
        "tick_hz": device.header.tick_hz,
        "records": device.n,
        "rate_hz": rate,
        "time_source": _source(ties),
        "ticks": [tie.to_dict() for tie in ties],
        "gaps": len(gaps),
        "lost_records": sum(gap.lost_records for gap in gaps),
    }


def _source(ties: Sequence[Segment]) -> str:
    kinds = {tie.source for tie in ties}
    return next(iter(kinds)) if len(kinds) == 1 else "mixed" if kinds else "provisional"


def _channel(run: RunFile, channel: Channel) -> dict[str, Any]:
    low, high, flagged = run.extremes(channel.name)
    return {
        "device": channel.device,
        "quantity": channel.quantity,
        "unit": channel.unit,
        "n": channel.n,
        "min": _number(low),
        "max": _number(high),
        "flags": flagged,
        "counts": channel.has_counts,
        "certificate": channel.certificate or None,
        "standard_uncertainty": channel.standard_uncertainty,
        "relative_uncertainty": channel.relative_uncertainty,
    }


def _certificates(run: RunFile) -> dict[str, Any]:
    day = day_of(run.header)
    return {
        name: {
            "certificate_id": held.certificate_id,
            "kind": held.kind,
            "issued": held.issued.isoformat(),
            "expires": None if held.expires is None else held.expires.isoformat(),
            "expired": held.expires is not None and day > held.expires,
            "digest": held.digest,
        }
        for name, held in run.certificates.items()
    }


def _number(value: float) -> float | None:
    return float(value) if np.isfinite(value) else None


def in_words(told: dict[str, Any]) -> str:
    """The same for a person, some twenty lines."""
    state = "sealed" if told["complete"] else "NOT SEALED: live, or cut off"
    lines = [
        f"{told['file']}: {state}",
        f"run {told['run_id']}, {told['origin']} by {told['software']}",
        f"began {told['started_utc']} ({told['utc']['source']}"
        f", u = {_or_unknown(told['utc']['u_s'], 's')}), {_duration(told['duration_s'])}",
    ]
    if not told["utc"]["leap_seconds_known"]:
        lines.append(
            f"caution: leap seconds are known until {told['utc']['leap_seconds_known_until']} and"
            " the run is later: its UTC may be whole seconds off; bring testcar up to date"
        )
    for name, device in told["devices"].items():
        rate = _or_unknown(device["rate_hz"], "Hz")
        lines.append(
            f"device {name} ({device['driver']}): {device['records']} records, {rate},"
            f" {device['gaps']} gaps, {device['lost_records']} records known lost;"
            f" times: {device['time_source']}"
        )
    for name, channel in told["channels"].items():
        held = f", flags: {', '.join(channel['flags'])}" if channel["flags"] else ""
        lines.append(
            f"channel {name}: {channel['n']} samples,"
            f" {_or_unknown(channel['min'], channel['unit'])} to"
            f" {_or_unknown(channel['max'], channel['unit'])}{held}"
        )
    for name, held in told["certificates"].items():
        expiry = held["expires"] or "no expiry"
        word = " EXPIRED on the day" if held["expired"] else ""
        lines.append(f"certificate {name}: {held['certificate_id']}, until {expiry}{word}")
    kinds = ", ".join(f"{n} {kind}" for kind, n in told["marks"]["kinds"].items())
    lines.append(f"marks: {told['marks']['n']}" + (f" ({kinds})" if kinds else ""))
    lines.extend(
        f"gap of {gap['device']}: {gap['t_start_s']:.3f} to {gap['t_end_s']:.3f} s,"
        f" {gap['cause']}" + (f" ({gap['detail']})" if gap["detail"] else "")
        for gap in told["gaps"][:20]
    )
    if len(told["gaps"]) > 20:
        lines.append(f"… and {len(told['gaps']) - 20} gaps more (--json lists all)")
    return "\n".join(lines)


def _or_unknown(value: float | None, unit: str) -> str:
    return "unknown" if value is None else f"{value:.6g} {unit}"


def _duration(seconds: float) -> str:
    minutes, rest = divmod(seconds, 60.0)
    hours, minutes = divmod(int(minutes), 60)
    return f"{hours} h {minutes:02d} min {rest:04.1f} s"

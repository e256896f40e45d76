"""A run in figures: what ``testcar info`` shows, as a record, as JSON and in words."""

from __future__ import annotations

from collections import Counter
from collections.abc import Mapping
from dataclasses import asdict, dataclass
from datetime import date
from typing import TYPE_CHECKING, Any, Final

import numpy as np

from calibration.quantities.printable import one_line
from calibration.quantities.written import many
from recorder.exchange.damage_told import damage_words
from recorder.exchange.time_told import ClockOfRun, clock_of, clock_words
from recorder.exchange.zeros_told import zero_facts, zero_words, zeros_in_run
from recorder.run.checks.channel_health import episodes_of, told
from recorder.run.parts.event import EventKind
from recorder.run.parts.half_frames import HalfFrames
from recorder.run.parts.quantities import COUNTS, PULSES
from recorder.run.time.timeline import TieSource
from recorder.run.time.utc import utc_text
from recorder.run.values.calibrate import day_of
from recorder.run_file.seal.signature import signature_of

if TYPE_CHECKING:
    from collections.abc import Sequence

    from recorder.run.checks.channel_health import Episode
    from recorder.run.checks.zero_worth import ZeroWorth
    from recorder.run.parts.gap import Gap
    from recorder.run.time.timeline import Segment
    from recorder.run_file.hdf5.devices import Channel, Device
    from recorder.run_file.hdf5.reader import RunFile
    from recorder.run_file.seal.signature import Signed

__all__ = [
    "CertificateInRun", "ChannelInRun", "ClockOfRun", "DeviceInRun", "MarksOfRun",
    "RunDescription", "describe", "in_words",
]  # fmt: skip

MOST_GAPS: Final = 20
"""In words; JSON lists all."""


@dataclass(frozen=True, slots=True, kw_only=True)
class DeviceInRun:
    """One device."""

    driver: str
    port: str
    tick_hz: float
    records: int
    rate_hz: float | None
    """Mean over the run; ``None`` with fewer than two records."""
    time_source: str
    """Of its records' times: ``provisional`` before the seal, ``mixed`` when it changed."""
    ticks: tuple[Mapping[str, object], ...]
    """Stretches of one tie of ticks to run time, as the file keeps them."""
    gaps: int
    lost_records: int
    half_frames: HalfFrames | None
    """``None`` where nobody kept them."""


@dataclass(frozen=True, slots=True, kw_only=True)
class ChannelInRun:
    """One channel."""

    device: str
    quantity: str
    unit: str
    samples: int
    least: float | None
    """In ``unit``; ``None`` without a value."""
    greatest: float | None
    flags: tuple[str, ...]
    """Those that occur, in words."""
    counts: bool
    """Whether raw counts stand behind the values."""
    certificate: str | None
    standard_uncertainty: float | None
    """In ``unit``; stated with values that came without a certificate."""
    relative_uncertainty: float | None
    unmeasured: str
    """In words, why nothing of the quantity can be stated: counts without a certificate; else
    empty."""


@dataclass(frozen=True, slots=True, kw_only=True)
class MarksOfRun:
    """How many marks there are."""

    n: int
    revisions: int
    kinds: Mapping[str, int]


@dataclass(frozen=True, slots=True, kw_only=True)
class CertificateInRun:
    """One certificate."""

    certificate_id: str
    kind: str
    issued: date
    expires: date | None
    """The last day; ``None`` without one."""
    expired: bool
    """On the day of the run."""
    digest: str


@dataclass(frozen=True, slots=True, kw_only=True)
class RunDescription:
    """A run: identity, devices, channels, marks, gaps, certificates."""

    file: str
    run_id: str
    origin: str
    software: str
    started_utc: str
    duration_s: float
    complete: bool
    """Sealed; otherwise live, or cut off."""
    sealed_utc: str | None
    digest: str | None
    signed: Signed
    clock: ClockOfRun
    devices: Mapping[str, DeviceInRun]
    channels: Mapping[str, ChannelInRun]
    marks: MarksOfRun
    gaps: tuple[Gap, ...]
    journal_damage: tuple[str, ...]
    """What was lost with the journal that it was made from, in words."""
    zeros: tuple[ZeroWorth, ...]
    """Accepted, refused and withdrawn, in the order taken."""
    episodes: tuple[Episode, ...]
    """Stretches in which a channel was not sound; looked for at the seal."""
    certificates: Mapping[str, CertificateInRun]
    """By the name channels use."""
    results: tuple[str, ...]
    """Names of what the companion holds."""

    def to_json(self) -> dict[str, Any]:
        """As ``testcar info --json`` prints it: plain values, in the order printed."""
        return {
            "file": self.file,
            "run_id": self.run_id,
            "origin": self.origin,
            "software": self.software,
            "started_utc": self.started_utc,
            "duration_s": self.duration_s,
            "complete": self.complete,
            "sealed_utc": self.sealed_utc,
            "digest": self.digest,
            "signature": self.signed.to_json(),
            "utc": asdict(self.clock),
            "devices": {name: asdict(held) for name, held in self.devices.items()},
            "channels": {name: _channel_json(held) for name, held in self.channels.items()},
            "marks": asdict(self.marks),
            "gaps": [_gap_json(gap) for gap in self.gaps],
            "journal_damage": list(self.journal_damage),
            "zeros": [zero_facts(zero) for zero in self.zeros],
            "channel_health": [episode.to_json() for episode in self.episodes],
            "certificates": {
                name: _certificate_json(held) for name, held in self.certificates.items()
            },
            "results": list(self.results),
        }


def describe(run: RunFile) -> RunDescription:
    """What an opened run holds.

    Raises
    ------
    RunFileError
        Something in it does not read.
    """
    marks = run.marks()
    half = HalfFrames.of(run.events(EventKind.STOP))
    return RunDescription(
        file=str(run.path),
        run_id=run.header.run_id,
        origin=run.header.origin,
        software=run.header.software,
        started_utc=utc_text(int(run.utc.utc_ns(0.0))),
        duration_s=run.duration_s,
        complete=run.complete,
        sealed_utc=run.sealed_utc,
        digest=run.digest,
        signed=signature_of(run.path, run.header.run_id),
        clock=clock_of(run),
        devices={d.name: _device(run, d, half) for d in run.devices.values()},
        channels={c.name: _channel(run, c) for c in run.channels.values()},
        marks=MarksOfRun(
            n=len(marks),
            revisions=len(run.revisions()),
            kinds=dict(sorted(Counter(mark.kind for mark in marks).items())),
        ),
        gaps=tuple(run.gaps()),
        journal_damage=tuple(damage_words(run.gaps(), run.events())),
        zeros=tuple(zeros_in_run(run)),
        episodes=tuple(episodes_of(run.events(EventKind.CHANNEL_HEALTH))),
        certificates=_certificates(run),
        results=tuple(sorted(run.companion.results())),
    )


def _device(run: RunFile, device: Device, half: Mapping[str, HalfFrames]) -> DeviceInRun:
    gaps = run.gaps(device.name)
    ties = run.tick_ties().get(device.name, ())
    first_s = float(device.time_s(0, 1)[0]) if device.n else 0.0
    span_s = device.end_s - first_s
    rate = (device.n - 1) / span_s if device.n > 1 and span_s > 0.0 else None
    return DeviceInRun(
        driver=device.header.driver,
        port=device.header.port,
        tick_hz=device.header.tick_hz,
        records=device.n,
        rate_hz=rate,
        time_source=_time_source(ties),
        ticks=tuple(tie.to_dict() for tie in ties),
        gaps=len(gaps),
        lost_records=sum(gap.lost_records for gap in gaps),
        half_frames=half.get(device.name),
    )


_TIMES: Final[Mapping[str, str]] = {
    TieSource.FIT: "by its ticks and their receipt",
    TieSource.PROVISIONAL: "by the provisional lines of the recording",
    TieSource.HOST_CLOCK: "by the computer's clock",
    TieSource.SIMULATED: "by its ticks, in simulated time",
    TieSource.GIVEN: "as given with the values",
}


def _time_source(ties: Sequence[Segment]) -> str:
    kinds = {tie.source for tie in ties}
    if len(kinds) > 1:
        return "mixed"
    return next(iter(kinds), TieSource.PROVISIONAL)


def _channel(run: RunFile, channel: Channel) -> ChannelInRun:
    low, high, flagged = run.extremes(channel.name)
    return ChannelInRun(
        device=channel.device,
        quantity=channel.quantity,
        unit=channel.unit,
        samples=channel.n,
        least=_number(low),
        greatest=_number(high),
        flags=tuple(flagged),
        counts=channel.has_counts,
        certificate=channel.certificate or None,
        standard_uncertainty=channel.standard_uncertainty,
        relative_uncertainty=channel.relative_uncertainty,
        unmeasured=channel.header.unmeasured,
    )


def _day_of(run: RunFile) -> date:
    """The day (UTC) the run began: as judged, else by the computer's clock."""
    if not run.utc.known:
        return day_of(run.header)
    return date.fromisoformat(utc_text(int(run.utc.utc_ns(0.0)))[:10])


def _certificates(run: RunFile) -> dict[str, CertificateInRun]:
    day = _day_of(run)
    return {
        name: CertificateInRun(
            certificate_id=held.certificate_id,
            kind=held.kind,
            issued=held.issued,
            expires=held.expires,
            expired=held.expires is not None and day > held.expires,
            digest=held.digest,
        )
        for name, held in run.certificates.items()
    }


def _number(value: float) -> float | None:
    return float(value) if np.isfinite(value) else None


def _channel_json(held: ChannelInRun) -> dict[str, Any]:
    return {
        "device": held.device,
        "quantity": held.quantity,
        "unit": held.unit,
        "n": held.samples,
        "min": held.least,
        "max": held.greatest,
        "flags": list(held.flags),
        "counts": held.counts,
        "certificate": held.certificate,
        "standard_uncertainty": held.standard_uncertainty,
        "relative_uncertainty": held.relative_uncertainty,
        "unmeasured": held.unmeasured or None,
    }


def _gap_json(gap: Gap) -> dict[str, Any]:
    return {
        "device": gap.device,
        "t_start_s": gap.t_start_s,
        "t_end_s": gap.t_end_s,
        "cause": gap.cause,
        "detail": gap.detail,
        "lost_records": gap.lost_records,
    }


def _certificate_json(held: CertificateInRun) -> dict[str, Any]:
    return {
        "certificate_id": held.certificate_id,
        "kind": held.kind,
        "issued": held.issued.isoformat(),
        "expires": None if held.expires is None else held.expires.isoformat(),
        "expired": held.expired,
        "digest": held.digest,
    }


def in_words(run: RunDescription) -> str:
    """The same for a person."""
    state = "sealed" if run.complete else "NOT SEALED: live, or cut off"
    kinds = ", ".join(f"{n} {kind}" for kind, n in run.marks.kinds.items())
    lines = [
        f"{run.file}: {state}",
        *(f"LOST with the damaged journal: {line}" for line in run.journal_damage),
        f"run {run.run_id}, {run.origin} by {run.software}",
        f"duration {_duration(run.duration_s)}",
        *([run.signed.in_words()] if run.complete else []),
        *clock_words(run.clock),
        *(_device_words(name, held) for name, held in run.devices.items()),
        *(_channel_words(name, held) for name, held in run.channels.items()),
        *(held.unmeasured for held in run.channels.values() if held.unmeasured),
        *(_certificate_words(name, held) for name, held in run.certificates.items()),
        *(zero_words(zero) for zero in run.zeros),
        f"marks: {run.marks.n}" + (f" ({kinds})" if kinds else ""),
        *(_gap_words(gap) for gap in run.gaps[:MOST_GAPS]),
    ]
    if len(run.gaps) > MOST_GAPS:
        lines.append(
            f"… and {many(len(run.gaps) - MOST_GAPS, 'gap')} more (testcar info --json lists all)"
        )
    return "\n".join(map(_on_one_line, [*lines, *told(run.episodes, MOST_GAPS)]))


def _on_one_line(line: str) -> str:
    """Whatever a file holds ends no line; witnesses of the time keep their place under it."""
    return f"{'  ' if line.startswith('  ') else ''}{one_line(line)}"


def _device_words(name: str, held: DeviceInRun) -> str:
    half = held.half_frames.in_words() if held.half_frames else ""
    return (
        f"device {name} ({held.driver}): {many(held.records, 'record')},"
        f" {_or_unknown(held.rate_hz, 'Hz')}, {many(held.gaps, 'gap')},"
        f" {many(held.lost_records, 'record')} known lost{half and ', '}{half};"
        f" times {_TIMES.get(held.time_source, held.time_source)}"
    )


def _channel_words(name: str, held: ChannelInRun) -> str:
    flags = f", flags: {', '.join(held.flags)}" if held.flags else ""
    low, high = (_or_unknown(v, held.unit) for v in (held.least, held.greatest))
    return f"channel {name}: {many(held.samples, 'sample')}, {low} to {high}{flags}"


def _certificate_words(name: str, held: CertificateInRun) -> str:
    expiry = "no expiry" if held.expires is None else held.expires.isoformat()
    word = " EXPIRED on the day" if held.expired else ""
    return f"certificate {name}: {held.certificate_id}, until {expiry}{word}"


def _gap_words(gap: Gap) -> str:
    detail = f" ({gap.detail})" if gap.detail else ""
    return (
        f"gap of {gap.device}: {gap.t_start_s:.3f} to {gap.t_end_s:.3f} s, {gap.cause}{detail}"
    )


def _or_unknown(value: float | None, unit: str) -> str:
    if value is None:
        return "unknown"
    return f"{value:.0f} {unit}" if unit in (COUNTS, PULSES) else f"{value:.6g} {unit}"


def _duration(seconds: float) -> str:
    minutes, rest = divmod(seconds, 60.0)
    hours, minutes = divmod(int(minutes), 60)
    return f"{hours} h {minutes:02d} min {rest:04.1f} s"

"""Starting a feed, here or as a process of its own.

As a process it is this module, given its settings as JSON; it reports as ``feed_reports`` says,
and ends when told to or when whoever started it is gone; so it never outlives that.
"""

from __future__ import annotations

import json
import os
import sys
import time
from collections.abc import Callable, Mapping
from contextlib import ExitStack
from dataclasses import asdict, dataclass, field
from pathlib import Path
from typing import IO, Any, Final

from recorder.machine.clocks import now_ns
from simulated_feeds.devices.emission import DeviceName
from simulated_feeds.devices.fault_kinds import FaultKind, FeedFault, parse_fault
from simulated_feeds.outing.scenario import Scenario, demo_engine, make_scenario
from simulated_feeds.outing.simulated_outing import SimulatedOuting
from simulated_feeds.outing.truth import NOTE, TRUTH, TruthWriter
from simulated_feeds.serving.feed_process import FeedProcess, run_child, start_process
from simulated_feeds.serving.feed_reports import (
    FeedEnded,
    FeedReady,
    FeedReporter,
    FeedStarted,
)
from simulated_feeds.serving.ports import Port, open_ports
from simulated_feeds.serving.server import Outage, Server
from simulated_feeds.settings.errors import FeedError
from simulated_feeds.sheets.sheet_files import SheetFiles, write_sheets

__all__ = [
    "FeedSettings",
    "run_feed",
    "start_feed",
    "write_note",
]

DEVICES: Final = tuple(DeviceName)
_MAKING_NS: Final = 60_000_000


@dataclass(frozen=True, slots=True, kw_only=True)
class FeedSettings:
    """How to run a feed. Checked once, never changed."""

    folder: str
    """Receives sheets, certificates, route, ``truth.csv`` and ``feed.json``."""
    seed: int = 1
    seconds: float | None = None
    """Simulated seconds from when the devices begin; None: until stopped."""
    speed: float = 1.0
    """Simulated seconds a second; 0: as fast as the readers take it."""
    transport: str = "tcp"
    channels: int = 4
    sample_rate_hz: int = 2000
    samples_per_frame: int = 20
    cars: int = 17
    pps: bool = False
    depart_t_s: float = 8.0
    faults: tuple[str, ...] = ()
    truth_hz: float = 200.0
    utc0_ns: int | None = None
    """UTC at simulated time 0; None: the wall clock's then."""
    gather_s: float = 2.0
    """How long the first reader waits for the others."""
    wait_s: float | None = None
    """Begin after so long even when nobody has opened a port; None: wait for ever."""
    effort_factor: float = 1.0
    wheel_scale_error: float | None = None
    from_bench: bool = False
    """The pull's certificate holds readings of a simulated bench, instead of being drawn."""
    parsed_faults: tuple[FeedFault, ...] = field(default=(), init=False, repr=False)

    def __post_init__(self) -> None:
        if self.seconds is not None and not self.seconds > 0.0:
            msg = f"seconds must be above 0, got {self.seconds}"
            raise FeedError(msg)
        if not 0.0 <= self.speed <= 1000.0:
            msg = f"speed must be above 0 and at most 1000, or max, got {self.speed}"
            raise FeedError(msg)
        if not (1 <= self.channels <= 16 and 1 <= self.samples_per_frame <= 512):
            msg = (
                "channels must be 1 to 16 and samples per frame 1 to 512, got"
                f" {self.channels} and {self.samples_per_frame}"
            )
            raise FeedError(msg)
        if not 1 <= self.sample_rate_hz <= 50_000:
            msg = f"sample rate must be 1 to 50000 Hz, got {self.sample_rate_hz}"
            raise FeedError(msg)
        if not 1 <= self.cars <= 200:
            msg = f"cars must be 1 to 200, got {self.cars}"
            raise FeedError(msg)
        if not 0.1 <= self.truth_hz <= 500.0:
            msg = f"truth_hz must be 0.1 to 500, got {self.truth_hz}"
            raise FeedError(msg)
        read = tuple(parse_fault(text, DEVICES) for text in self.faults)
        object.__setattr__(self, "parsed_faults", read)

    def scenario(self, utc0_ns: int) -> Scenario:
        """The scenario these settings ask for, without the faults."""
        return make_scenario(
            self.seed, utc0_ns=utc0_ns, cars=self.cars, channels=self.channels,
            sample_rate_hz=self.sample_rate_hz, samples_per_frame=self.samples_per_frame,
            pps=self.pps, depart_t_s=self.depart_t_s, engine=demo_engine(self.effort_factor),
            wheel_scale_error=self.wheel_scale_error,
        )  # fmt: skip

    def to_json(self) -> str:
        """Settings as JSON, for the process."""
        data = asdict(self)
        del data["parsed_faults"]
        return json.dumps(data)

    @classmethod
    def from_json(cls, text: str) -> FeedSettings:
        """Inverse of :meth:`to_json`; raises :class:`FeedError`."""
        try:
            data = dict(json.loads(text))
            data["faults"] = tuple(data.get("faults", ()))
            return cls(**data)
        except FeedError:
            raise
        except (TypeError, ValueError, KeyError) as error:
            msg = f"settings of the feed do not read: {error}"
            raise FeedError(msg) from error


def run_feed(
    settings: FeedSettings, report: FeedReporter, stop: Callable[[], bool]
) -> FeedEnded:
    """Run a feed in this thread until its end; returns what became of every frame.

    ``report`` hears that it is ready, started, ended.

    Raises
    ------
    FeedError, OSError
        Ports or folder are not to be had.
    """
    folder = Path(settings.folder)
    folder.mkdir(parents=True, exist_ok=True)
    with ExitStack() as held:
        ports = open_ports(DEVICES, settings.transport, folder / "ports")
        for port in ports:
            held.callback(port.close)
        addresses = {p.name: p.address for p in ports}
        now = time.time_ns() if settings.utc0_ns is None else settings.utc0_ns
        sheets = write_sheets(
            folder, settings.scenario(now), addresses, speed=settings.speed,
            from_bench=settings.from_bench,
        )  # fmt: skip
        note: dict[str, Any] = {
            "seed": settings.seed, "speed": settings.speed or 1.0, "ports": addresses,
            "simulated0_monotonic_ns": None, "utc0_ns": None,
        }  # fmt: skip
        write_note(folder, note)
        report(
            FeedReady(
                pid=os.getpid(), ports=addresses, sheets=_texts(sheets),
                folder=settings.folder, seed=settings.seed,
            )
        )  # fmt: skip
        stream = held.enter_context((folder / TRUTH).open("w", encoding="utf-8", newline=""))
        summary = _serve(settings, ports, note, folder, stream, report, stop)
    report(summary)
    return summary


def _texts(sheets: SheetFiles) -> dict[str, str]:
    return {name: str(path) for name, path in asdict(sheets).items()}


def _serve(
    settings: FeedSettings,
    ports: list[Port],
    note: dict[str, Any],
    folder: Path,
    stream: IO[str],
    report: FeedReporter,
    stop: Callable[[], bool],
) -> FeedEnded:
    outages = [
        Outage(port.name, f.at_s, f.at_s + f.lasts_s)
        for f in settings.parsed_faults if f.kind is FaultKind.UNPLUG
        for port in ports if f.strikes(port.name)
    ]  # fmt: skip
    # The wall clock is read when the devices begin; until then nothing in the world moves.
    relay = _LateOuting()
    server = Server(
        relay, ports, speed=settings.speed, seconds=settings.seconds, stop=stop,
        outages=outages, gather_s=settings.gather_s,
    )  # fmt: skip
    patience = float("inf") if settings.wait_s is None else settings.wait_s
    began = server.wait_for_readers(patience)
    if began:
        # A little ahead, so that making the outing costs none of its time.
        wall_ns, mono_ns = time.time_ns() + _MAKING_NS, now_ns() + _MAKING_NS
        utc0 = wall_ns if settings.utc0_ns is None else settings.utc0_ns
        relay.outing = _outing(settings, stream, utc0)
        note |= {"simulated0_monotonic_ns": mono_ns, "utc0_ns": utc0}
        write_note(folder, note)
        report(FeedStarted(simulated0_monotonic_ns=mono_ns, utc0_ns=utc0))
        server.run(mono_ns)
    return FeedEnded(
        began=began, simulated_s=relay.t_s, frames={p.name: p.stats for p in ports},
        worst_late_ms=server.late_ns / 1e6,
        complete=settings.seconds is not None and relay.t_s >= settings.seconds,
    )  # fmt: skip


def _outing(settings: FeedSettings, stream: IO[str], utc0_ns: int) -> SimulatedOuting:
    return SimulatedOuting(
        settings.scenario(utc0_ns),
        faults=settings.parsed_faults,
        truth=TruthWriter(stream, utc0_ns=utc0_ns, rate_hz=settings.truth_hz),
        until_s=float("inf") if settings.seconds is None else settings.seconds,
    )


class _LateOuting:
    """Stands in for the world until the devices begin."""

    outing: SimulatedOuting | None = None

    @property
    def t_s(self) -> float:
        return 0.0 if self.outing is None else self.outing.t_s

    def advance(self) -> Any:  # noqa: ANN401 - as the world's
        return None if self.outing is None else self.outing.advance()


def write_note(folder: Path, note: Mapping[str, Any]) -> None:
    """Write what the feed knows of itself, at once or not at all."""
    fresh = folder / f".{NOTE}.new"
    fresh.write_text(json.dumps(note, indent=1) + "\n", encoding="utf-8")
    fresh.replace(folder / NOTE)


def start_feed(
    folder: Path | str,
    *,
    seed: int = 1,
    seconds: float | None = None,
    speed: float = 1.0,
    transport: str = "tcp",
    channels: int = 4,
    sample_rate_hz: int = 2000,
    ready_timeout_s: float = 30.0,
    **more: Any,  # noqa: ANN401 - the other settings, checked by FeedSettings
) -> FeedProcess:
    """Start a feed as a process of its own and wait until its ports are there.

    Raises
    ------
    FeedError
        The settings cannot work, or the process ended before it was ready.
    """
    settings = FeedSettings(
        folder=str(folder), seed=seed, seconds=seconds, speed=speed, transport=transport,
        channels=channels, sample_rate_hz=sample_rate_hz, **more,
    )  # fmt: skip
    return start_process(
        "simulated_feeds.serving.serving",
        settings.to_json(),
        Path(folder),
        ready_timeout_s=ready_timeout_s,
    )


if __name__ == "__main__":
    sys.exit(run_child(lambda text, *rest: run_feed(FeedSettings.from_json(text), *rest)))

"""A recorded run back onto ports, as its devices would send it again.

As a process it is this module, given its settings as JSON, and reports as a feed does. The end
of the data is the end of the connection.
"""

from __future__ import annotations

import json
import os
import sys
from contextlib import ExitStack
from dataclasses import asdict, dataclass
from pathlib import Path
from typing import TYPE_CHECKING, Final

from recorder.machine.clocks import now_ns
from recorder.run_file.hdf5.reader import open_run
from simulated_feeds.replay.replay_devices import ReplayDevice, replay_device
from simulated_feeds.replay.replay_sheets import write_replay_sheets
from simulated_feeds.serving.feed_process import FeedProcess, run_child, start_process
from simulated_feeds.serving.feed_reports import FeedEnded, FeedReady, FeedStarted
from simulated_feeds.serving.ports import open_ports
from simulated_feeds.serving.server import Server
from simulated_feeds.serving.serving import write_note
from simulated_feeds.settings.errors import FeedError

if TYPE_CHECKING:
    from collections.abc import Callable, Sequence

    from simulated_feeds.devices.emission import Emission
    from simulated_feeds.serving.feed_reports import FeedReporter

__all__ = ["ReplaySettings", "ReplaySource", "run_replay", "start_replay"]

_STRETCH_S: Final = 0.5
"""Run time read at once."""


@dataclass(frozen=True, slots=True, kw_only=True)
class ReplaySettings:
    """How to replay a run. Checked once, never changed."""

    run: str
    folder: str
    speed: float = 1.0
    """Run seconds a second; 0: as fast as the readers take it, losing nothing."""
    transport: str = "tcp"
    devices: tuple[str, ...] = ()
    """Empty: all."""

    def __post_init__(self) -> None:
        if not 0.0 <= self.speed <= 1000.0:
            msg = f"speed must be above 0 and at most 1000, or max, got {self.speed}"
            raise FeedError(msg)
        if self.speed == 0.0 and self.transport == "pty":
            msg = "a pseudo-terminal loses what it cannot hold: replay at max speed over TCP"
            raise FeedError(msg)


class ReplaySource:
    """A :class:`~simulated_feeds.serving.server.EmissionSource` of all devices of a run."""

    def __init__(self, devices: Sequence[ReplayDevice], duration_s: float) -> None:
        self._devices = devices
        self._end_s = duration_s
        self._t_s = 0.0

    @property
    def t_s(self) -> float:
        """Run time given out."""
        return self._t_s

    def advance(self) -> dict[str, list[Emission]] | None:
        """The next half second."""
        if all(device.done for device in self._devices):
            return None
        self._t_s += _STRETCH_S
        # Beyond the end of the run whatever is left goes out.
        until = float("inf") if self._t_s > self._end_s + _STRETCH_S else self._t_s
        return {device.name: device.take(until) for device in self._devices}


def run_replay(
    settings: ReplaySettings, report: FeedReporter, stop: Callable[[], bool]
) -> FeedEnded:
    """Replay in this thread until its end; what became of every frame.

    Waits until every port is open before the first byte.

    Raises
    ------
    FeedError, RunFileError, OSError
        The run cannot be read or replayed, or ports and folder are not to be had.
    """
    folder = Path(settings.folder)
    with ExitStack() as held:
        run = held.enter_context(open_run(settings.run))
        names = _chosen(settings, list(run.devices))
        devices = [replay_device(run, name) for name in names]
        folder.mkdir(parents=True, exist_ok=True)
        ports = open_ports(names, settings.transport, folder / "ports")
        for port in ports:
            held.callback(port.close)
        addresses = {p.name: p.address for p in ports}
        sheets = write_replay_sheets(folder, run, addresses, speed=settings.speed)
        report(
            FeedReady(
                pid=os.getpid(), ports=addresses, sheets=sheets, folder=settings.folder,
                run=settings.run, run_id=run.header.run_id,
            )
        )  # fmt: skip
        source = ReplaySource(devices, run.duration_s)
        server = Server(
            source, ports, speed=settings.speed, seconds=None, stop=stop, gather_s=float("inf")
        )
        began = server.wait_for_readers()
        if began:
            now = now_ns()
            write_note(folder, {"simulated0_monotonic_ns": now, "speed": settings.speed or 1.0})
            report(FeedStarted(simulated0_monotonic_ns=now))
            server.run(now)
        ended = FeedEnded(
            began=began, simulated_s=min(source.t_s, run.duration_s),
            frames={p.name: p.stats for p in ports}, worst_late_ms=server.late_ns / 1e6,
            complete=began and all(d.done for d in devices),
        )  # fmt: skip
    report(ended)
    return ended


def _chosen(settings: ReplaySettings, known: list[str]) -> list[str]:
    unknown = [name for name in settings.devices if name not in known]
    if unknown:
        msg = f"{settings.run}: no device {unknown[0]!r}; there are {', '.join(known)}"
        raise FeedError(msg)
    if not known:
        msg = f"{settings.run}: holds no device: nothing to replay"
        raise FeedError(msg)
    return list(settings.devices) or known


def start_replay(
    run: Path | str,
    folder: Path | str,
    *,
    speed: float = 1.0,
    transport: str = "tcp",
    ready_timeout_s: float = 30.0,
) -> FeedProcess:
    """Start a replay as a process of its own and wait until its ports are there.

    Raises
    ------
    FeedError
        It cannot be replayed; the text says why.
    """
    settings = ReplaySettings(
        run=str(run), folder=str(folder), speed=speed, transport=transport
    )
    return start_process(
        "simulated_feeds.replay.replaying",
        json.dumps(asdict(settings)),
        Path(folder),
        ready_timeout_s=ready_timeout_s,
    )


def _settings(text: str) -> ReplaySettings:
    data = json.loads(text)
    return ReplaySettings(**{**data, "devices": tuple(data["devices"])})


if __name__ == "__main__":
    sys.exit(run_child(lambda text, *rest: run_replay(_settings(text), *rest)))

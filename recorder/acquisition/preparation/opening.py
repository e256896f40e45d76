"""Before a recording: is the place free, is there disk, do all devices open?"""

from __future__ import annotations

import contextlib
import uuid
from collections.abc import Callable
from functools import partial
from pathlib import Path
from typing import TYPE_CHECKING, Final, Protocol

from calibration.clock.live_tick_clock import LiveTickClock, NominalTickClock
from calibration.clock.tick_line import TickLine
from drivers.interface.errors import DriverError
from drivers.interface.registry import open_driver
from recorder.acquisition.control.session_files import ring_name
from recorder.acquisition.devices.device_stream import DeviceStream, TickClock
from recorder.acquisition.devices.device_thread import DeviceThread
from recorder.acquisition.preparation.planned import DevicePlan, Plan
from recorder.acquisition.preparation.settings import RecordingError, RecordingSettings
from recorder.acquisition.preparation.taken_names import refuse_taken
from recorder.acquisition.ring.ring import RingWriter
from recorder.keeping.owner import JournalState, boot_id, journal_path_for, journal_state
from recorder.machine.host import free_bytes, network_disk
from recorder.machine.version import software
from recorder.run.parts.event import Event
from recorder.run.parts.gap import Gap
from recorder.run.parts.header import DeviceHeader, RunHeader

if TYPE_CHECKING:
    import threading

    from drivers.interface.driver_interface import DeviceDriver
    from drivers.links.transport import LinkOpener
    from recorder.machine.clocks import RunClock, Timepiece

__all__ = ["Ways", "check_place", "make_header", "open_devices", "start_threads"]

MiB: Final = 2**20


class Ways(Protocol):
    """How a recording comes by clocks, links and waiting."""

    @property
    def simulated(self) -> bool:
        """Whether its time is simulated, exactly: then run time is the clocks', at speed 1."""
        ...

    @property
    def timepiece(self) -> Timepiece: ...

    @property
    def opener(self) -> LinkOpener | None:
        """Opens the ports; None: as they are wired."""
        ...

    def wait_for(self, done: threading.Event, seconds: float) -> object:
        """Until it is set, or so many seconds of run time have passed."""
        ...


def check_place(settings: RecordingSettings, plan: Plan) -> None:
    """See that the run can be kept where it shall be.

    Raises
    ------
    RecordingError
        A run or an unfinished journal is there, one of the names is taken, the folder is missing
        or on a network disk, or there is no room for the planned hours. Nothing has been touched.
    """
    out = settings.out
    journal = journal_path_for(out)
    refuse_taken(out, journal)
    state = journal_state(journal)
    if state is JournalState.RECORDING:
        msg = f"{journal}: another process is recording to it; choose another name"
        raise RecordingError(msg)
    if state is JournalState.UNFINISHED:
        msg = (
            f"{journal}: an unfinished journal is there, it may hold the only copy of a run;"
            f" first: testcar recover {journal} --out {out}"
        )
        raise RecordingError(msg)
    if out.exists():
        msg = (
            f"{out}: a run file is there already and is never overwritten; choose another name"
        )
        raise RecordingError(msg)
    folder = out.absolute().parent
    if not folder.is_dir():
        msg = f"{folder}: no such folder; make it first"
        raise RecordingError(msg)
    kind = network_disk(folder)
    if kind and not (settings.allow_network_disk or plan.car.recording.allow_network_disk):
        msg = (
            f"{folder}: lies on a network disk ({kind}), which may stall or lie about what is"
            " kept; record to a local disk and copy afterwards, or record there all the same:"
            " testcar record --allow-network-disk"
        )
        raise RecordingError(msg)
    _check_room(folder, settings, plan)


def _check_room(folder: Path, settings: RecordingSettings, plan: Plan) -> None:
    hours = plan.planned_hours if settings.seconds is None else settings.seconds / 3600.0
    need = hours * plan.bytes_per_hour + plan.car.recording.stop_free_MiB * MiB
    free = free_bytes(folder)
    if free < need:
        msg = (
            f"{folder}: disk full before the end: {hours:.2f} h need {need / 2**30:.2f} GiB,"
            f" {free / 2**30:.2f} GiB are free; make room or plan fewer hours"
        )
        raise RecordingError(msg)


def open_devices(plan: Plan, ways: Ways) -> list[DeviceDriver]:
    """Open every device, or none.

    Raises
    ------
    RecordingError
        A port is missing, in use, not permitted, or a setting cannot work.
    """
    opened: list[DeviceDriver] = []
    for device in plan.devices:
        try:
            opened.append(_open(device, ways))
        except DriverError as error:
            for driver in opened:
                with contextlib.suppress(DriverError, OSError):
                    driver.close()
            raise RecordingError(str(error)) from error
    return opened


def _open(device: DevicePlan, ways: Ways, after: DeviceDriver | None = None) -> DeviceDriver:
    sheet = device.sheet
    return open_driver(
        sheet.driver,
        device_id=sheet.name,
        port=sheet.port,
        options=sheet.options,
        after=after,
        now_ns=ways.timepiece.now_ns,
        opener=ways.opener,
    )


def _route_text(plan: Plan) -> str:
    """The route goes into the run as it lies there: the run file alone can be placed again."""
    path = None if plan.trip is None else plan.trip.route_path
    if path is None or not path.is_file():
        return ""
    return path.read_text(encoding="utf-8-sig", errors="replace")


def make_header(plan: Plan, ways: Ways, *, start_ns: int) -> RunHeader:
    """What the run is, before its first record."""
    clocks = ways.timepiece.read()
    speed = plan.car.recording.simulated_speed
    return RunHeader(
        run_id=uuid.uuid4().hex,
        started_utc_ns=clocks.utc_ns + start_ns - clocks.monotonic_ns,
        started_monotonic_ns=start_ns,
        boot_id="" if ways.simulated else boot_id(),
        software=software(),
        simulated_speed=1.0 if ways.simulated else speed,
        car_sheet=plan.car.text,
        trip_sheet="" if plan.trip is None else plan.trip.text,
        route=_route_text(plan),
        certificates=dict(plan.texts),
        signatures=dict(plan.signatures),
        laboratory_keys=dict(plan.keys),
        devices=tuple(
            DeviceHeader(
                name=device.sheet.name,
                driver=device.sheet.driver,
                port=device.sheet.port,
                dtype=[
                    [n, device.layout.dtype[n].str] for n in device.layout.dtype.names or ()
                ],
                tick_hz=device.layout.tick_hz,
                channels=device.channels,
            )
            for device in plan.devices
        ),
    )


class _HostClock:
    """Ticks that are this machine's own monotonic nanoseconds need no fitting."""

    def __init__(self, clock: RunClock) -> None:
        self._line = TickLine(tick0=clock.start_ns, t0_s=0.0, s_per_tick=1e-9 * clock.speed)

    def update(self, tick: int, received_s: float) -> TickLine:  # noqa: ARG002 - the protocol's
        return self._line


def start_threads(
    plan: Plan,
    drivers: list[DeviceDriver],
    ways: Ways,
    *,
    clock: RunClock,
    from_start_only: bool,
    ring_bytes: int | None,
    notify: Callable[[Event | Gap], None],
    warn: Callable[[str], None],
) -> list[DeviceThread]:
    """Make rings and threads; none is started yet.

    Raises
    ------
    RingError
        There is no shared memory; what was made is removed again. Drivers stay open.
    """
    threads: list[DeviceThread] = []
    unpaced = plan.car.recording.simulated_speed == 0.0 and not ways.simulated
    for i, (device, driver) in enumerate(zip(plan.devices, drivers, strict=True)):
        name = device.sheet.name
        try:
            size = ring_bytes or device.ring_bytes
            ring = RingWriter(ring_name(i), dtype=device.layout.dtype, capacity=size)
        except OSError:
            for made in threads:
                made.ring.close()
            raise
        threads.append(
            DeviceThread(
                name,
                driver,
                reopen=partial(_open, device, ways),
                stream=_stream(device, clock, unpaced=unpaced, from_start_only=from_start_only),
                ring=ring,
                notify=notify,
                warn=warn,
                clock=clock,
                wait_for=ways.wait_for,
            )
        )
    return threads


def _stream(
    device: DevicePlan, clock: RunClock, *, unpaced: bool, from_start_only: bool
) -> DeviceStream:
    return DeviceStream(
        device.sheet.name,
        make_clock=_clock_maker(device, clock, unpaced=unpaced),
        from_start_only=from_start_only,
        interval_s=max(1 / device.expected_hz, device.description.usual_pause_s),
    )


def _clock_maker(
    device: DevicePlan, clock: RunClock, *, unpaced: bool
) -> Callable[[], TickClock]:
    if device.description.host_clock:
        return lambda: _HostClock(clock)
    if unpaced:
        return lambda: NominalTickClock(device.layout.tick_hz)
    return lambda: LiveTickClock(device.layout.tick_hz)

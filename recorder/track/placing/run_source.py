"""What placing takes from a run file, and how its result is kept in the companion.

The run file is handed in and only read through what it shows of itself; this room does not know
its layout.
"""

from __future__ import annotations

from collections.abc import Iterator, Mapping, Sequence
from dataclasses import replace
from pathlib import Path
from typing import TYPE_CHECKING, Any, Final, Protocol

import numpy as np

from recorder.run.time.utc import NO_UTC, UtcBy
from recorder.track.placing.anchors import (
    RECEIPT_DELAY_S,
    U_RECEIPT_DELAY_S,
    GnssFixes,
    PlacingOptions,
)
from recorder.track.placing.errors import PlacingError
from recorder.track.placing.placement import Placement
from recorder.track.placing.placing import place_run
from recorder.track.placing.slides import ReceiverSpeed, slides_of, without_slides
from recorder.track.placing.wheel_track import WheelTrack
from recorder.track.route.route import Route, load_route, parse_route

if TYPE_CHECKING:
    from numpy.typing import NDArray

    from recorder.marks.mark import Mark
    from recorder.run.parts.gap import Gap
    from recorder.run.parts.header import RunHeader
    from recorder.run.time.utc import UtcScale
    from recorder.sheets import TripSheet

__all__ = [
    "PLACEMENT",
    "ROUTE",
    "ChannelSource",
    "DeviceSource",
    "KeptResult",
    "KeptResults",
    "RunSource",
    "find_route",
    "gnss_of",
    "keep_placement",
    "kept_placement",
    "options_of",
    "place_run_file",
    "positions",
    "wheel_track_of",
]

PLACEMENT: Final = "placement"
ROUTE: Final = "route"
"""Names of the results in the companion."""

TAKES_ROUTE: Final = "testcar place, report and compare take one with --route ROUTE.csv"
"""What to do about a route that is not found."""

SANE_S: Final = 5.0
"""No receiver speaks so late: it is off, by whole seconds."""
_BLOCK: Final = 1 << 18


class ChannelSource(Protocol):
    """A calibrated quantity of the run."""

    name: str
    quantity: str
    device: str
    measures: bool
    """Whether the values are the quantity in its SI unit, not counts."""

    @property
    def n(self) -> int: ...
    def time_s(self, start: int = 0, stop: int | None = None) -> NDArray[np.float64]: ...
    def values(self, start: int = 0, stop: int | None = None) -> NDArray[np.float64]: ...


class DeviceSource(Protocol):
    """Records of one device."""

    def records(self, start: int = 0, stop: int | None = None) -> NDArray[np.void]: ...


class KeptResult(Protocol):
    """One entry of the companion."""

    @property
    def data(self) -> Any: ...  # noqa: ANN401 - JSON as it was kept, parsed at once


class KeptResults(Protocol):
    """The companion of the run."""

    def result(self, name: str) -> KeptResult | None: ...
    def set_results(self, results: Mapping[str, object], *, by: str, version: str) -> None: ...


class RunSource(Protocol):
    """The part of an opened run file that placing needs."""

    @property
    def path(self) -> Path: ...
    @property
    def channels(self) -> Mapping[str, ChannelSource]: ...
    @property
    def devices(self) -> Mapping[str, DeviceSource]: ...
    @property
    def header(self) -> RunHeader: ...
    @property
    def companion(self) -> KeptResults: ...
    @property
    def trip(self) -> TripSheet | None: ...
    @property
    def utc(self) -> UtcScale: ...
    def marks(self) -> list[Mark]: ...
    def gaps(self, device: str | None = None) -> Sequence[Gap]: ...


def _channel(run: RunSource, quantity: str) -> ChannelSource | None:
    held = (c for c in run.channels.values() if c.quantity == quantity and c.measures)
    found = [c for c in held if c.n]
    return found[0] if found else None


def wheel_track_of(run: RunSource) -> WheelTrack:
    """Thin the run's distance, block by block, and join what slides of the wheel hid.

    Raises
    ------
    PlacingError
        The run has no distance.
    """
    wheel = _channel(run, "distance")
    if wheel is None:
        msg = f"{run.path}: has no distance channel; it cannot be placed on a route"
        raise PlacingError(msg)
    restarts = [g.t_end_s for g in run.gaps(wheel.device) if g.cause.restarts_count]
    try:
        track = WheelTrack.from_blocks(_blocks(wheel), restarts_s=restarts)
    except PlacingError as error:
        msg = f"{run.path}: {error}"
        raise PlacingError(msg) from error
    return without_slides(track, slides_of(track, _receiver_speed(run)))


def _receiver_speed(run: RunSource) -> ReceiverSpeed | None:
    channel = _channel(run, "gnss_speed")
    if channel is None:
        return None
    t, v = (np.concatenate(x) for x in zip(*_blocks(channel), strict=True))
    return ReceiverSpeed(t, np.abs(v))


def _blocks(
    channel: ChannelSource,
) -> Iterator[tuple[NDArray[np.float64], NDArray[np.float64]]]:
    for start in range(0, channel.n, _BLOCK):
        stop = min(start + _BLOCK, channel.n)
        yield channel.time_s(start, stop), channel.values(start, stop)


def gnss_of(run: RunSource) -> tuple[GnssFixes, float] | None:
    """Fixes at the run times they were true at, and how well these are known (s); ``None``
    when the run has no positions.

    A sentence says when its fix was true; the run's tie to UTC turns that into run time. Whole
    seconds or days that the receiver is off by make no difference. Where UTC is not known, the
    time of receipt less a usual delay stands.
    """
    north, east = _channel(run, "latitude"), _channel(run, "longitude")
    if north is None or east is None or north.device != east.device:
        return None
    device, utc = run.devices[north.device], run.utc
    tied, by_computer = utc.known, utc.source is UtcBy.COMPUTER
    u_delay_s = None if utc.judgement is None else utc.judgement.u_delay_s
    parts: list[tuple[NDArray[Any], NDArray[Any], NDArray[Any]]] = []
    doubt = [0.02]
    for start in range(0, north.n, _BLOCK):
        stop = min(start + _BLOCK, north.n)
        t, lat, lon = (
            north.time_s(start, stop),
            north.values(start, stop),
            east.values(start, stop),
        )
        records = device.records(start, stop)
        names = records.dtype.names or ()
        good = np.isfinite(lat) & np.isfinite(lon)
        if "valid" in names:
            good &= records["valid"] != 0
        if tied and "utc_ns" in names:
            good &= records["utc_ns"] != NO_UTC
            late = _without_lie((utc.utc_ns(t[good]) - records["utc_ns"][good]) / 1e9)
            sane = np.abs(late) < SANE_S
            t = t[good][sane] - late[sane]
            lat, lon = lat[good][sane], lon[good][sane]
            u_s = float(np.nanmax(utc.u_s(t), initial=0.0))
            doubt.append(u_s if u_delay_s is None or by_computer else u_delay_s)
        else:
            t, lat, lon = t[good] - RECEIPT_DELAY_S, lat[good], lon[good]
            doubt.append(U_RECEIPT_DELAY_S)
        parts.append((t, lat, lon))
    t, lat, lon = (np.concatenate(columns) for columns in zip(*parts, strict=True))
    if not t.size:
        return None
    return GnssFixes(t_s=t, latitude_deg=lat, longitude_deg=lon), max(doubt)


def _without_lie(late_s: NDArray[np.float64]) -> NDArray[np.float64]:
    """(n,) lateness of sentences, less the whole seconds that most of them are off by."""
    if not len(late_s):
        return late_s
    off = np.round(late_s)
    values, counts = np.unique(off, return_counts=True)
    most = float(values[np.argmax(counts)])
    return late_s - most if abs(most) > SANE_S else late_s


def options_of(run: RunSource) -> PlacingOptions:
    """What trip sheet says of start and direction, with the usual uncertainties."""
    trip = run.trip
    if trip is None or trip.route is None:
        return PlacingOptions()
    return PlacingOptions(
        way=-1 if trip.route.direction == "decreasing" else 1,
        start_chainage_m=trip.route.start_chainage_m,
    )


def find_route(run: RunSource, given: str | Path | None = None) -> Route:
    """The route to place a run on: the one given, the one in the run file itself, the trip
    sheet's, looked for beside the run and in a folder beside it, or the one kept with an
    earlier placement.

    Raises
    ------
    PlacingError
        There is none, or it is not found; says what to do.
    RouteError, OSError
        It cannot be used, or read.
    """
    if given is not None:
        return load_route(given)
    if run.header.route:
        return parse_route(run.header.route, source=f"{run.path}: route")
    trip = run.trip
    name = trip.route.file if trip is not None and trip.route is not None else ""
    for place in _places(run.path, name):
        if place.is_file():
            return load_route(place)
    kept = run.companion.result(ROUTE)
    if kept is not None:
        return _kept_route(run, kept.data)
    if name and Path(name).is_file():
        return load_route(name)
    if not name:
        msg = f"{run.path}: its trip sheet names no route; {TAKES_ROUTE}"
    else:
        msg = f"{run.path}: route {name} is not beside it; {TAKES_ROUTE}"
    raise PlacingError(msg)


def _places(run_path: Path, name: str) -> list[Path]:
    """Where the trip sheet's route may lie: beside the run, or in one folder beside it."""
    if not name:
        return []
    here, base = run_path.parent, Path(name).name
    below = [d / base for d in sorted(here.iterdir()) if d.is_dir() and (d / base).is_file()]
    # Two of that name below would be a guess.
    return [here / name, *(below if len(below) == 1 else [])]


def _kept_route(run: RunSource, data: object) -> Route:
    if not isinstance(data, dict) or not isinstance(data.get("text"), str):
        msg = f"{run.path}: the route kept with it does not read; {TAKES_ROUTE}"
        raise PlacingError(msg)
    return parse_route(data["text"], source=str(data.get("file", "kept route")))


def place_run_file(
    run: RunSource, route: Route, *, options: PlacingOptions | None = None
) -> Placement:
    """Place an opened run on a route; the run is not changed.

    Raises
    ------
    PlacingError
        Nothing ties the run to the route.
    """
    chosen = options or options_of(run)
    gnss = gnss_of(run)
    fixes = None
    if gnss is not None:
        fixes, doubt = gnss
        chosen = replace(chosen, u_gnss_delay_s=doubt)
    return place_run(route, wheel_track_of(run), run.marks(), gnss=fixes, options=chosen)


def keep_placement(
    run: RunSource, route: Route, placement: Placement, *, by: str, version: str
) -> None:
    """Keep the placement, and the route it is on, in the run's companion."""
    table = {"file": route.source, "digest": route.digest, "text": route.text}
    # Together: a placement belongs to the route that it is on.
    results = {ROUTE: table, PLACEMENT: placement.to_dict()}
    run.companion.set_results(results, by=by, version=version)


def kept_placement(run: RunSource) -> tuple[Route, Placement] | None:
    """The newest placement kept and its route; ``None`` when the run was not placed.

    Raises
    ------
    PlacingError, RouteError
        What is kept does not read.
    """
    placement, route = run.companion.result(PLACEMENT), run.companion.result(ROUTE)
    if placement is None or route is None:
        return None
    read = Placement.from_dict(placement.data)
    return _kept_route(run, route.data), read


def positions(
    run: RunSource, placement: Placement
) -> tuple[NDArray[np.float64], NDArray[np.float64], NDArray[np.float64]]:
    """Run time, chainage and its 95 % uncertainty, ten a second, (n,) each.

    Straight lines between these are within millimetres of :meth:`Placement.position`.
    """
    track = wheel_track_of(run)
    raw = track.raw()
    return track.t_s, placement.position(track.t_s, raw), placement.u95_m(track.t_s, raw)

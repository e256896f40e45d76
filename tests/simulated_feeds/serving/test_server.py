"""The loop that keeps time, with ports made of lists."""

from __future__ import annotations

import time
from collections.abc import Callable, Sequence

import pytest

from simulated_feeds.devices.emission import Emission
from simulated_feeds.serving.ports import PortStats
from simulated_feeds.serving.server import Outage, Server


class ListPort:
    """Keeps what it is sent, and when."""

    def __init__(self, name: str, *, opens_after: int = 0, stuck: int = 0) -> None:
        self.name = name
        self.stats = PortStats()
        self.took: list[tuple[int, bytes]] = []
        self.plugs: list[str] = []
        self._polls_left = opens_after
        self._stuck = stuck

    address = "list"

    @property
    def open(self) -> bool:
        return self._polls_left <= 0

    @property
    def pending(self) -> int:
        return 1 << 30 if self._stuck > 0 else 0

    @property
    def drained(self) -> bool:
        return self.pending == 0

    def poll(self) -> None:
        self._polls_left -= 1
        self._stuck -= 1

    def send(self, frames: Sequence[bytes], *, keep_all: bool = False) -> None:
        del keep_all
        self.took += [(time.monotonic_ns(), frame) for frame in frames]

    def waits_on(self) -> tuple[list[int], list[int]]:
        return [], []

    def unplug(self) -> None:
        self.plugs.append("out")

    def replug(self) -> None:
        self.plugs.append("in")

    def close(self) -> None:
        self.plugs.append("closed")


class Ticking:
    """A source of one numbered frame each 10 ms to each port."""

    def __init__(self, names: Sequence[str], frames: int, *, same_due: bool = False) -> None:
        self._names, self._frames, self._same = names, frames, same_due
        self._next = 0

    @property
    def t_s(self) -> float:
        return 0.01 * self._next

    def advance(self) -> dict[str, list[Emission]] | None:
        if self._next >= self._frames:
            return None
        number = self._next
        self._next += 1
        due = 0.0 if self._same else 0.01 * number
        return {n: [Emission(due, f"{n}{number}".encode(), number)] for n in self._names}


def serve(
    source: Ticking,
    ports: list[ListPort],
    *,
    speed: float,
    seconds: float | None = None,
    stop: Callable[[], bool] = lambda: False,
    outages: Sequence[Outage] = (),
    note_sent: Callable[[int, int], None] | None = None,
) -> int:
    server = Server(
        source, ports, speed=speed, seconds=seconds, stop=stop, outages=outages,
        note_sent=note_sent, gather_s=0.05,
    )  # fmt: skip
    assert server.wait_for_readers()
    began = time.monotonic_ns()
    server.run(began)
    return began


def test_everything_in_order_and_never_early() -> None:
    port = ListPort("a")
    noted: list[tuple[int, int]] = []
    began = serve(
        Ticking("a", 30), [port], speed=2.0, note_sent=lambda tag, at: noted.append((tag, at))
    )
    assert [frame for _, frame in port.took] == [f"a{i}".encode() for i in range(30)]
    for i, (at, _) in enumerate(port.took):
        assert at >= began + i * 5_000_000
    assert [tag for tag, _ in noted] == list(range(30))
    assert all(told <= at for (_, told), (at, _) in zip(noted, port.took, strict=True))


def test_ends_at_its_seconds() -> None:
    for speed in (20.0, 0.0):
        port = ListPort("a")
        serve(Ticking("a", 100_000), [port], speed=speed, seconds=1.0)
        assert len(port.took) == 100


def test_flat_out_keeps_devices_together_and_loses_nothing() -> None:
    ports = [ListPort("a"), ListPort("b", stuck=40)]
    serve(Ticking("ab", 5000), ports, speed=0.0)
    for port in ports:
        assert [f for _, f in port.took] == [f"{port.name}{i}".encode() for i in range(5000)]
    # Neither port is ever more than a stretch ahead of the other.
    merged = sorted((at, int(f[1:]), f[:1]) for port in ports for at, f in port.took)
    ahead = {b"a": 0, b"b": 0}
    for _, number, name in merged:
        ahead[name] = number
        assert abs(ahead[b"a"] - ahead[b"b"]) <= 300


def test_frames_of_one_instant_all_go_out() -> None:
    port = ListPort("a")
    serve(Ticking("a", 2000, same_due=True), [port], speed=0.0)
    assert len(port.took) == 2000


def test_waits_for_all_but_not_for_ever() -> None:
    slow = ListPort("b", opens_after=10**9)
    began = time.monotonic()
    serve(Ticking("ab", 2), [ListPort("a"), slow], speed=50.0)
    assert time.monotonic() - began >= 0.05


def test_told_to_stop_while_waiting() -> None:
    server = Server(
        Ticking("a", 1), [ListPort("a", opens_after=10**9)], speed=1.0, seconds=None,
        stop=lambda: True,
    )  # fmt: skip
    assert not server.wait_for_readers()


@pytest.mark.parametrize("speed", [20.0, 0.0])
def test_unplugs_and_replugs(speed: float) -> None:
    port = ListPort("a")
    serve(Ticking("a", 200), [port], speed=speed, outages=[Outage("a", 0.5, 1.0)])
    assert port.plugs == ["out", "in"]


def test_stops_when_told() -> None:
    port = ListPort("a")
    serve(Ticking("a", 10**6), [port], speed=1.0, stop=lambda: len(port.took) >= 5)
    assert 5 <= len(port.took) < 20

"""A link in memory: what a port does, without a wire and without waiting."""

from __future__ import annotations

import pytest

from drivers.interface.errors import LinkLostError
from drivers.links.memory_link import MemoryPort


def test_bytes_come_out_in_the_order_they_came_in_and_no_more_than_asked_for() -> None:
    port = MemoryPort("simulated://cell")
    link = port.open("cell")
    assert (link.waiting(), link.read(10)) == (0, b"")
    port.put(b"abc")
    port.put(b"defg")
    assert link.waiting() == 7
    assert [link.read(5), link.read(5), link.read(5)] == [b"abcde", b"fg", b""]


def test_a_drawn_plug_loses_the_link_and_all_that_comes_meanwhile() -> None:
    port = MemoryPort("simulated://cell")
    link = port.open("cell")
    port.put(b"abc")
    port.unplug()
    for asked in (link.waiting, lambda: link.read(1)):
        with pytest.raises(LinkLostError, match="simulated://cell was unplugged"):
            asked()
    with pytest.raises(LinkLostError, match="nothing answers at simulated://cell"):
        port.open("cell")
    port.put(b"lost")
    port.replug()
    again = port.open("cell")
    port.put(b"new")
    assert again.read(10) == b"new"


def test_a_closed_link_has_nothing_and_closes_twice() -> None:
    port = MemoryPort("simulated://cell")
    link = port.open("cell")
    port.put(b"abc")
    link.close()
    link.close()
    assert link.waiting() == 0
    with pytest.raises(LinkLostError, match="closed"):
        link.read(1)

"""How faults are asked for: what is written is what is read, and what is wrong is told."""

from __future__ import annotations

import math

import pytest
from hypothesis import given, settings
from hypothesis import strategies as st

from simulated_feeds.devices.emission import DeviceName
from simulated_feeds.devices.fault_kinds import KINDS, FaultKind, FeedFault, parse_fault
from simulated_feeds.settings.errors import FeedError


def test_reads_what_is_documented() -> None:
    fault = parse_fault("unplug:drawbar@20+3", ["drawbar", "wheel"])
    assert fault == FeedFault(kind=FaultKind.UNPLUG, device="drawbar", at_s=20.0, lasts_s=3.0)
    assert parse_fault(" slip@40.5 ").lasts_s == 5.0
    lie = parse_fault("time-off:clock=-14@3+2.5")
    assert (lie.kind, lie.value, lie.at_s, lie.lasts_s) == (FaultKind.TIME_OFF, -14.0, 3.0, 2.5)


def test_what_is_not_written_is_the_usual() -> None:
    rollover = parse_fault("date-off@0")
    assert rollover.value == -7.0 * 1024.0
    assert rollover.lasts_s == math.inf
    assert rollover.strikes(DeviceName.CLOCK)
    assert not rollover.strikes(DeviceName.WHEEL)
    assert parse_fault("crc@0").strikes(DeviceName.WHEEL)


@pytest.mark.parametrize("kind", FaultKind)
def test_every_kind_can_be_asked_for_in_short(kind: FaultKind) -> None:
    """And says what it does, within what it allows."""
    fault, facts = parse_fault(f"{kind}@0"), KINDS[kind]
    assert facts.words
    if facts.value is not None:
        assert facts.value.low <= fault.value <= facts.value.high


@pytest.mark.parametrize(
    ("text", "words"),
    [
        ("", "not understood"),
        ("crc", "KIND"),
        ("crc@", "not understood"),
        ("crc@-1", "not understood"),
        ("crc:drawbar@1+", "not understood"),
        ("melt@3", "known: dropout"),
        ("crc:axle@3", "there are drawbar"),
        ("date-off:drawbar@3", "there are clock"),
        ("crc=3@3", "takes no value, got 3"),
        ("date-off=1.5@0", "whole and from"),
        ("pulse-late=1@0", "from 0 to 0.999 s, got 1"),
        ("late=-1@0", "got -1"),
        ("late=@0", "not understood"),
        ("late=1e3@0", "not understood"),
        ("faster=2@5", "from the start"),
    ],
)
def test_says_what_is_wrong(text: str, words: str) -> None:
    with pytest.raises(FeedError, match=words):
        parse_fault(text, ["drawbar"])


@settings(max_examples=200, deadline=None)
@given(st.text(max_size=30))
def test_any_text_is_read_or_refused(text: str) -> None:
    try:
        fault = parse_fault(text, ["drawbar"])
    except FeedError:
        return
    assert fault.kind in KINDS
    assert fault.at_s >= 0.0

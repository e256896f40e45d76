"""Faults on demand: what is asked for is what happens, and what is written wrongly is told."""

from __future__ import annotations

import numpy as np
import pytest
from hypothesis import given, settings
from hypothesis import strategies as st

from drivers.interface.driver_interface import FaultCause
from drivers.protocols.load_cell_frames import LoadCellDecoder
from drivers.protocols.nmea_0183 import NmeaDecoder
from drivers.protocols.wheel_pulses import WheelDecoder
from simulated_feeds.devices.faults import KINDS, FeedFault, parse_fault
from simulated_feeds.outing.rendering import Rendered, render_bytes
from simulated_feeds.outing.scenario import Scenario
from simulated_feeds.settings.errors import FeedError


def test_reads_what_is_documented() -> None:
    fault = parse_fault("unplug:drawbar@20+3", ["drawbar", "wheel"])
    assert fault == FeedFault(kind="unplug", device="drawbar", at_s=20.0, lasts_s=3.0)
    assert parse_fault(" slip@40.5 ").lasts_s == 5.0


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


def decode(
    rendered: Rendered, decoder: LoadCellDecoder | WheelDecoder | NmeaDecoder
) -> tuple[np.ndarray, list[FaultCause]]:
    """Every record and every cause, frame by frame as a port would bring them."""
    records, causes = [], []
    for due, frame in zip(rendered.due_s, rendered.frames, strict=True):
        batch = decoder.feed(frame, int(due * 1e9))
        records.append(batch.records)
        causes += [f.cause for f in batch.faults]
    return np.concatenate(records), causes


def struck(demo: Scenario, *texts: str, seconds: float = 4.0) -> dict[str, Rendered]:
    return render_bytes(demo, seconds, faults=[parse_fault(text) for text in texts])


def test_without_faults_the_drivers_find_none(demo: Scenario) -> None:
    """Two programs written apart from one protocol page agree on every byte."""
    sent = render_bytes(demo, 4.0)
    cells, causes = decode(sent["drawbar"], LoadCellDecoder())
    assert causes == []
    assert len(cells) == 20 * len(sent["drawbar"].frames)
    assert np.all(np.diff(cells["tick"]) == 500)
    wheels, causes = decode(sent["wheel"], WheelDecoder())
    assert causes == []
    assert len(wheels) == len(sent["wheel"].frames)
    fixes, causes = decode(sent["clock"], NmeaDecoder())
    assert causes == []
    assert len(fixes) == len(sent["clock"].frames)
    assert np.all(fixes["valid"] == 1)


@pytest.mark.parametrize(
    ("kind", "found"),
    [
        ("dropout", {"lost frames"}),
        ("crc", {"checksum", "lost frames", "garbage"}),
        ("truncate", {"garbage", "checksum", "lost frames"}),
        ("garbage", {"garbage", "checksum"}),
    ],
)
def test_drivers_see_the_fault_and_nothing_false(
    demo: Scenario, kind: str, found: set[str]
) -> None:
    """Each damaged stretch is told, and every record that comes is one that was sent."""
    good, _ = decode(render_bytes(demo, 4.0)["drawbar"], LoadCellDecoder())
    rendered = struck(demo, f"{kind}:drawbar@1+1")["drawbar"]
    got, causes = decode(rendered, LoadCellDecoder())
    assert causes
    assert set(causes) <= found
    known = np.isin(got["tick"], good["tick"])
    assert known.all()
    where = np.searchsorted(good["tick"], got["tick"])
    assert np.array_equal(good["ch0"][where], got["ch0"])
    if kind == "garbage":
        assert len(got) == len(good)
    else:
        assert 0.5 * len(good) < len(got) < len(good)


def test_silence(demo: Scenario) -> None:
    due = np.array(struck(demo, "silence:wheel@1+2")["wheel"].due_s)
    assert np.diff(due).max() == pytest.approx(2.0, abs=0.03)


def test_restart_begins_at_nothing(demo: Scenario) -> None:
    sent = struck(demo, "restart@1+0.5")
    got, causes = decode(sent["drawbar"], LoadCellDecoder())
    assert causes == ["device restarted"]
    assert np.any(np.diff(got["tick"].astype(np.int64) % 2**32) < 0)
    _, causes = decode(sent["wheel"], WheelDecoder())
    assert set(causes) <= {"device restarted", "counter restarted"}
    assert causes


def test_faults_are_the_same_for_the_same_seed(demo: Scenario) -> None:
    a = struck(demo, "crc@0+4", "garbage@1+1")
    b = struck(demo, "crc@0+4", "garbage@1+1")
    assert {k: v.data for k, v in a.items()} == {k: v.data for k, v in b.items()}


def test_other_devices_go_on(demo: Scenario) -> None:
    clean, hit = render_bytes(demo, 3.0), struck(demo, "dropout:drawbar@0+3", seconds=3.0)
    assert clean["wheel"].data == hit["wheel"].data
    assert clean["drawbar"].data != hit["drawbar"].data

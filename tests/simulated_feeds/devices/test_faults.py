"""Faults of the wire: what is asked for is what happens."""

from __future__ import annotations

import numpy as np
import pytest

from drivers.interface.driver_interface import FaultCause
from drivers.protocols.load_cell_frames import LoadCellDecoder
from drivers.protocols.nmea_0183 import NmeaDecoder
from drivers.protocols.wheel_pulses import WheelDecoder
from simulated_feeds.devices.emission import Emission
from simulated_feeds.devices.fault_kinds import parse_fault
from simulated_feeds.devices.faults import FaultyDevice
from simulated_feeds.outing.rendering import Rendered, render_bytes
from simulated_feeds.outing.scenario import Scenario
from simulated_feeds.physics.motion import Motion


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


# ------------------------------------------------------------------- held up


class Ticking:
    """A device of the tests' own: a numbered frame each hundredth of a second."""

    name = "wheel"

    def __init__(self) -> None:
        self._next = 1

    def restart(self, t_s: float) -> None:
        """Nothing to forget."""

    def advance(self, motion: Motion) -> list[Emission]:
        first, self._next = self._next, int(motion.t_s[-1] * 100.0 + 1e-6) + 1
        return [Emission(n / 100.0, b"%d" % n) for n in range(first, self._next)]


def waits(*texts: str, seconds: float = 4.0) -> np.ndarray:
    """(n,) s how much later each frame comes; all come, in order."""
    device = FaultyDevice(
        Ticking(), [parse_fault(text) for text in texts], seed=np.random.SeedSequence(1)
    )
    sent: list[Emission] = []
    for k in range(round(seconds)):
        t_s = np.array([float(k), k + 1.0])
        sent += device.advance(Motion(t_s=t_s, **dict.fromkeys(OTHERS, np.zeros(2))))
    numbers = np.array([float(e.data) for e in sent])
    due_s = np.array([e.due_s for e in sent])
    assert np.array_equal(numbers, np.arange(1.0, 100.0 * seconds + 1.0))
    assert np.all(np.diff(due_s) >= 0.0)
    late: np.ndarray = due_s - numbers / 100.0
    return late


OTHERS = ("pull_N", "s_m", "v_m_s", "a_m_s2", "effort_N", "throttle", "brake", "slip_m_s")


def test_a_constant_latency_more() -> None:
    assert waits("late=0.0008@0") == pytest.approx(0.0008, abs=1e-9)
    assert waits("late:wheel=0.0008@0", "late=1.1@0") == pytest.approx(1.1008, abs=1e-9)
    assert waits("late:drawbar=0.0008@0") == pytest.approx(0.0, abs=1e-9)


def test_a_latency_that_steps_in_mid_run() -> None:
    """5 ms more from 2.005 s on, 5 ms less from 3.005 s on."""
    late = waits("late=0.005@2.005+1")
    assert late[:200] == pytest.approx(0.0, abs=1e-9)
    assert late[200:300] == pytest.approx(0.005, abs=1e-9)
    assert late[300:] == pytest.approx(0.0, abs=1e-9)


def test_nothing_overtakes() -> None:
    """What follows a long delay comes with it: all that was due until then, at once."""
    late = waits("late=0.5@1.005+1")
    assert late[100:200] == pytest.approx(0.5, abs=1e-9)
    assert late[200:250] == pytest.approx(np.arange(0.49, -0.005, -0.01), abs=1e-9)
    assert late[250:] == pytest.approx(0.0, abs=1e-9)


def test_uneven_latency() -> None:
    """Exponential draws far below the spacing stay as drawn: mean and deviation are alike."""
    late = waits("uneven=0.001@0", seconds=200.0)
    assert late.mean() == pytest.approx(0.001, rel=0.04)
    assert late.std() == pytest.approx(0.001, rel=0.06)


def test_latency_with_a_heavy_tail() -> None:
    """Pareto draws of shape 1.5 and scale s: half beyond 0.587 s, a hundredth beyond 20.5 s.

    P(X > x) = (1 + x/s)**-1.5, the Lomax distribution.
    """
    late = waits("bursts=0.0001@0", seconds=200.0)
    assert np.quantile(late, 0.5) == pytest.approx(0.587e-4, rel=0.06)
    assert np.quantile(late, 0.99) == pytest.approx(20.5e-4, rel=0.25)
    assert 0.01 < late.max() <= 1.0


def test_silence_while_the_port_stays_open(demo: Scenario) -> None:
    due = struck(demo, "silence:clock@1+1000", seconds=3.0)["clock"].due_s
    assert due
    assert max(due) < 1.0

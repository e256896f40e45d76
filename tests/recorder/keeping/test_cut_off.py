"""A recording that was cut off: who was silent then has its gap up to the last sign of life."""

from __future__ import annotations

from pathlib import Path

import pytest

from recorder.keeping.seal import recover
from recorder.run.parts.event import Event
from recorder.run.parts.gap import Gap
from recorder.run_file.hdf5.reader import open_run
from recorder.run_file.seal.verify import verify_run
from tests.recorder.made_runs import MadeRun, cell_blocks, gnss_blocks, header, wheel_blocks


def health(*times_s: float) -> list[Event | Gap]:
    return [Event(kind="health", t_s=t_s, data={}) for t_s in times_s]


def link(t_s: float, state: str, **more: str) -> Event:
    return Event(kind="link", t_s=t_s, data={"device": "cell", "state": state, **more})


def recovered(folder: Path, made: MadeRun) -> tuple[list[Gap], float]:
    made.journal(folder / "run.h5.journal")
    recover(folder / "run.h5.journal", folder / "run.h5")
    assert verify_run(folder / "run.h5") == []
    with open_run(folder / "run.h5") as run:
        return run.gaps(), run.duration_s


def test_a_device_that_was_silent_when_it_was_cut_off(tmp_path: Path) -> None:
    blocks = [*cell_blocks(4.0), *wheel_blocks(10.0), *gnss_blocks(10.0)]
    made = MadeRun(header=header(), blocks=blocks, events=health(*range(11)))
    (gap,), duration_s = recovered(tmp_path, made)
    assert (gap.device, gap.cause, gap.before_record) == ("cell", "silent", 8000)
    assert (gap.t_start_s, gap.t_end_s) == pytest.approx((4.0, 10.0), abs=0.05)
    assert gap.lost_records == 0
    assert "the recording was cut off" in gap.detail
    assert duration_s == pytest.approx(10.0, abs=0.05)


def test_of_all_devices_silent_the_run_goes_on_to_the_last_sign_of_life(tmp_path: Path) -> None:
    blocks = [*cell_blocks(4.0), *wheel_blocks(4.0), *gnss_blocks(4.0)]
    made = MadeRun(header=header(), blocks=blocks, events=health(*range(21)))
    gaps, duration_s = recovered(tmp_path, made)
    assert {gap.device for gap in gaps} == {"cell", "wheel", "gnss"}
    assert {gap.t_end_s for gap in gaps} == {20.0}
    assert duration_s == 20.0


def test_a_device_that_never_sent_a_record(tmp_path: Path) -> None:
    blocks = [*wheel_blocks(10.0), *gnss_blocks(10.0)]
    made = MadeRun(header=header(), blocks=blocks, events=health(*range(11)))
    (gap,), _ = recovered(tmp_path, made)
    assert (gap.device, gap.cause, gap.before_record) == ("cell", "silent", 0)
    assert (gap.t_start_s, gap.t_end_s) == (0.0, 10.0)
    assert "no record for 10.0 s" in gap.detail


def test_a_lost_link_is_the_cause_unless_it_came_back(tmp_path: Path) -> None:
    blocks = [*cell_blocks(4.0), *wheel_blocks(10.0), *gnss_blocks(10.0)]
    lost = link(5.0, "lost", why="unplugged")
    made = MadeRun(header=header(), blocks=blocks, events=[*health(*range(11)), lost])
    (gap,), _ = recovered(tmp_path, made)
    assert gap.cause == "link lost"
    assert gap.detail == "unplugged; then the recording was cut off"
    (tmp_path / "b").mkdir()
    made.events.append(link(6.0, "back"))
    (gap,), _ = recovered(tmp_path / "b", made)
    assert gap.cause == "silent"


@pytest.mark.parametrize(
    "events",
    [
        [],
        health(*range(11)),
        [*health(*range(21)), Event(kind="stop", t_s=20.0, data={})],
    ],
    ids=["nothing known", "all alive", "a stop told it"],
)
def test_no_gap_is_made_up(tmp_path: Path, events: list[Event | Gap]) -> None:
    blocks = [*cell_blocks(10.0), *wheel_blocks(10.0), *gnss_blocks(10.0)]
    made = MadeRun(header=header(), blocks=blocks, events=events)
    assert recovered(tmp_path, made)[0] == []

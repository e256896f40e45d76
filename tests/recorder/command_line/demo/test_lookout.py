"""What is called out to whoever rides the demo."""

from __future__ import annotations

from pathlib import Path

import pytest

from recorder.command_line.demo.lookout import Lookout, Seen, last_seen
from simulated_feeds.outing.trial_day import trial_day
from simulated_feeds.outing.truth import COLUMNS
from simulated_feeds.sheets.sheet_files import write_sheets


@pytest.fixture
def feed(tmp_path: Path) -> Path:
    ports = {name: f"simulated://{name}" for name in ("drawbar", "wheel", "clock")}
    write_sheets(tmp_path, trial_day(1, utc0_ns=1_795_000_000 * 10**9).scenario, ports)
    return tmp_path


def test_each_post_ahead_is_called_once_and_each_change_of_the_throttle(feed: Path) -> None:
    called: list[str] = []
    lookout = Lookout(feed, called.append)
    lookout.close()
    posts = sorted(lookout.posts, key=lambda post: post.s_m)
    for at_m, throttle in ((-500.0, 0.0), (-140.0, 0.5), (-20.0, 1.0), (+10.0, 1.0)):
        lookout.look(Seen(posts[0].s_m + at_m, throttle))
    assert called == [
        "driver: the throttle is closed",
        "driver: the throttle is partly open",
        f"lookout: milepost {posts[0].label} in 140 m",
        "driver: the throttle is full",
    ]


def test_a_row_still_being_written_is_not_read(tmp_path: Path) -> None:
    truth = tmp_path / "truth.csv"
    assert last_seen(truth) is None
    row = ",".join(f"{i}.5" for i in range(len(COLUMNS)))
    truth.write_text(f"{','.join(COLUMNS)}\n{row}\n1.0,2.", "utf-8")
    seen = last_seen(truth)
    assert seen is not None
    assert (seen.chainage_m, seen.throttle) == (5.5, 8.5)

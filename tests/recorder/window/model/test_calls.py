"""Calls to the crew of a rehearsal: the newest whole line, for some seconds."""

from __future__ import annotations

from pathlib import Path

from recorder.window.model.live.calls import SHOWN_S, Calls

S = 1_000_000_000


def test_the_newest_line_is_told_for_a_while(tmp_path: Path) -> None:
    path = tmp_path / "calls.txt"
    calls = Calls(path)
    assert calls.told(1 * S) == ""
    path.write_text("driver: the throttle is full\n", encoding="utf-8")
    assert calls.told(2 * S) == "driver: the throttle is full"
    assert calls.told(int((1.9 + SHOWN_S) * S)) == "driver: the throttle is full"
    assert calls.told(int((2.1 + SHOWN_S) * S)) == ""
    with path.open("a", encoding="utf-8") as stream:
        stream.write("lookout: milepost 13 in 150 m\nlook")
    assert calls.told(30 * S) == "lookout: milepost 13 in 150 m"


def test_nobody_calls(tmp_path: Path) -> None:
    assert Calls(None).told(1 * S) == ""
    (tmp_path / "calls.txt").write_bytes(b"\xff" * 10_000)
    assert Calls(tmp_path / "calls.txt").told(1 * S) == ""

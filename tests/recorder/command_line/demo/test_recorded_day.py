"""The hands of the day's crew, and the verb's refusals."""

from __future__ import annotations

from dataclasses import dataclass, field
from pathlib import Path
from typing import Any, cast

import pytest

from recorder.command_line import main as command
from recorder.command_line.demo.day_crew import Act, Corrected, Keyed, ZeroTaken
from recorder.command_line.demo.recorded_day import ZERO_S, Hands
from recorder.marks.kinds import Kind
from recorder.marks.mark import Mark
from recorder.run.checks.zero_line import ZeroTime


@dataclass
class FakeDesk:
    """Keeps what is keyed."""

    kept: list[Mark] = field(default_factory=list)
    zeros: list[tuple[float, float]] = field(default_factory=list)

    def key(self, kind: str, value: str, at_s: float, *, note: str = "") -> Mark:
        self.kept.append(
            Mark(mark_id=str(len(self.kept)), kind=kind, t_s=at_s, value=value, note=note)
        )
        return self.kept[-1]

    def revise(self, mark: Mark) -> Mark:
        self.kept.append(mark)
        return mark

    def take_zero(self, at_s: float, seconds: float) -> None:
        self.zeros.append((at_s, seconds))


def test_every_act_is_done_once_when_its_time_has_come() -> None:
    acts: list[Act] = [
        ZeroTaken(t_s=1.0, when=ZeroTime.BEFORE),
        Keyed(t_s=2.0, kind=Kind.MILEPOST, value="14", number=0),
        ZeroTaken(t_s=3.0, when=ZeroTime.DURING),
        Corrected(t_s=4.0, number=0, value="13", note="seen again"),
        Corrected(t_s=5.0, number=0, value="12", note="and again"),
    ]
    desk, hands = FakeDesk(), Hands(acts)
    for now_s in (1.5, 2.25, 3.5, 9.0, 10.0):
        hands.look(now_s, cast("Any", desk))
    assert [(m.t_s, m.value, m.revision) for m in desk.kept] == [
        (2.0, "14", 0), (2.0, "13", 1), (2.0, "12", 2),
    ]  # fmt: skip
    assert desk.zeros == [(3.5, ZERO_S)]


def test_a_ride_without_a_screen_is_refused_in_one_line(
    tmp_path: Path, monkeypatch: pytest.MonkeyPatch, capsys: pytest.CaptureFixture[str]
) -> None:
    monkeypatch.setenv("QT_QPA_PLATFORM", "offscreen")
    assert command.main(["demo", "--ride", "--out", str(tmp_path / "ride")]) == 2
    told = capsys.readouterr().err.strip()
    assert "needs a screen" in told
    assert "\n" not in told
    assert not (tmp_path / "ride").exists()

"""The trial day recorded in simulated time: its sheets, its devices, its crew at the keys."""

from __future__ import annotations

from collections import deque
from dataclasses import dataclass
from typing import TYPE_CHECKING, Final

from recorder.acquisition.preparation.settings import RecordingSettings
from recorder.acquisition.process.simulated import ORIGIN_NS, PORT, Outage, record_simulated
from recorder.command_line.demo.day_crew import Corrected, Keyed, ZeroTaken, crew_acts
from recorder.run.checks.zero_line import ZeroTime
from simulated_feeds.devices.emission import DeviceName
from simulated_feeds.outing.simulated_outing import SimulatedOuting
from simulated_feeds.outing.truth import TRUTH, TruthWriter
from simulated_feeds.serving.serving import write_note
from simulated_feeds.sheets.sheet_files import write_sheets

if TYPE_CHECKING:
    from collections.abc import Iterable
    from pathlib import Path

    from recorder.acquisition.preparation.settings import Outcome
    from recorder.acquisition.process.reports import Reporter
    from recorder.acquisition.process.running import StopWish
    from recorder.acquisition.process.simulated import Desk
    from recorder.command_line.demo.day_crew import Act
    from recorder.marks.mark import Mark
    from simulated_feeds.outing.trial_day import TrialDay

__all__ = ["ZERO_S", "DayRecording", "Hands", "record_day"]

ZERO_S: Final = 10.0
"""Of each zero; run time 0 is so long after simulated time 0."""
STANDS_S: Final = 65.0
"""From the last rest until the last zero begins: the slack is out and nothing swings any more."""
TRUTH_HZ: Final = 10.0
STRETCH_STEPS: Final = 200
"""Two seconds of the day at a time."""


class Hands:
    """A :class:`~recorder.acquisition.process.simulated.Crew` that keys what is on its list."""

    def __init__(self, acts: Iterable[Act]) -> None:
        self._acts = deque(acts)
        self._keyed: dict[int, Mark] = {}

    def look(self, now_s: float, desk: Desk) -> None:
        """Key all that is due."""
        while self._acts and self._acts[0].t_s <= now_s:
            match self._acts.popleft():
                case Keyed(t_s=at_s, kind=kind, value=value, note=note, number=number):
                    self._keyed[number] = desk.key(kind, value, at_s, note=note)
                case Corrected(number=number, value=value, note=note):
                    wrong = self._keyed[number]
                    right = desk.revise(wrong.revised(value=value, note=note))
                    self._keyed[number] = right
                case ZeroTaken(when=ZeroTime.DURING):
                    desk.take_zero(now_s, ZERO_S)
                case ZeroTaken():
                    pass  # before and after the run the recording takes it by itself


@dataclass(frozen=True, slots=True, kw_only=True)
class DayRecording:
    """How a day was recorded."""

    outcome: Outcome
    started_ns: int
    """The monotonic instant of run time 0, simulated."""


def record_day(
    day: TrialDay, folder: Path, *, speed: float | None, report: Reporter, stop: StopWish
) -> DayRecording:
    """Record it into ``folder/run.h5``, with sheets and truth in ``folder/feed``.

    ``speed`` is how many simulated seconds may pass in a second at the most.

    Raises
    ------
    RecordingError, SheetError, OSError
        It could not begin.
    """
    feed = folder / "feed"
    feed.mkdir(parents=True, exist_ok=True)
    ports = {str(name): f"{PORT}{name}" for name in DeviceName}
    sheets = write_sheets(feed, day.scenario, ports, from_bench=True)
    utc0_ns = day.scenario.utc0_ns
    note = {
        "seed": day.scenario.seed, "speed": 1.0, "ports": ports,
        "simulated0_monotonic_ns": ORIGIN_NS, "utc0_ns": utc0_ns,
    }  # fmt: skip
    write_note(feed, note)
    settings = RecordingSettings(
        car_sheet=sheets.car, trip_sheet=sheets.trip, out=folder / "run.h5",
        seconds=day.arrived_s + STANDS_S - ZERO_S, zero_seconds=ZERO_S, zero_after=ZERO_S,
    )  # fmt: skip
    with (feed / TRUTH).open("w", encoding="utf-8", newline="") as stream:
        outing = SimulatedOuting(
            day.scenario, truth=TruthWriter(stream, utc0_ns=utc0_ns, rate_hz=TRUTH_HZ),
            until_s=day.seconds, mover=day.mover(), stretch_steps=STRETCH_STEPS,
        )  # fmt: skip
        outcome = record_simulated(
            settings, outing, utc0_ns=utc0_ns, crew=Hands(crew_acts(day)),
            outages=[
                Outage(device, fault.at_s, fault.at_s + fault.lasts_s)
                for fault in day.faults for device in ports if fault.strikes(device)
            ],
            speed=speed, seed=day.scenario.seed, report=report, stop=stop,
        )  # fmt: skip
    return DayRecording(outcome=outcome, started_ns=ORIGIN_NS + round(ZERO_S * 1e9))

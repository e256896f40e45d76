"""The time of the run while it goes on: whether UTC is known, and devices' clocks.

The seal hears the same witnesses again, with all that they said.
"""

from __future__ import annotations

import threading
from collections import deque
from typing import TYPE_CHECKING, Final

import numpy as np

from calibration.clock.pace import another, crystal, no_crystal, off_words
from calibration.utc.utc_judgement import judge_utc
from recorder.acquisition.control.status import ClockStatus
from recorder.acquisition.field.each_second import EachSecond
from recorder.run.parts.event import Event, EventKind
from recorder.run.time.new_pulses import NewPulses
from recorder.run.time.utc_evidence import NO_UTC, ClockSentences, evidence_of

if TYPE_CHECKING:
    from collections.abc import Callable, Sequence

    from numpy.typing import NDArray

    from recorder.acquisition.devices.device_thread import DeviceThread
    from recorder.run.parts.header import DeviceHeader, RunHeader

__all__ = ["ClockWatch"]

SENTENCES: Final = 600
PULSES: Final = 200
READINGS: Final = 600
"""Bounded: the last minutes say whether the witnesses agree; the seal has all of them."""
FIRST_S: Final = (10.0, 20.0, 40.0)
THEN_S: Final = 60.0
"""Between two hearings, later on: one costs some hundredths of a second."""
STEADY_LOOKS: Final = 5
STEADY: Final = 0.1
"""A rate is told when so many looks on end, a second apart, agree to a tenth of it (our choice)."""
_HEARD: Final = (EventKind.HOST_CLOCK, EventKind.CLOCK_ANCHOR, EventKind.SUSPENDED)


class ClockWatch:
    """Hears the witnesses of UTC now and then, and looks at the rate of every device's clock.

    Its taps are called from the devices' threads and only keep; the hearing is the main thread's.
    """

    def __init__(
        self, header: RunHeader, threads: Sequence[DeviceThread], warn: Callable[[str], None]
    ) -> None:
        self.status = ClockStatus()
        self._header = header
        self._threads = threads
        self._warn = warn
        self._guard = threading.Lock()
        self._host: Event | None = None
        self._events: deque[Event] = deque(maxlen=READINGS)
        self._sentences: deque[tuple[float, int, bytes]] = deque(maxlen=SENTENCES)
        self._pulses: deque[float] = deque(maxlen=PULSES)
        self._told: set[str] = set()
        self._rates_told: dict[str, tuple[float, float]] = {}
        """Rate and its uncertainty, by device, as it was told last."""
        self._looks: dict[str, deque[float]] = {}
        self._next_s = FIRST_S[0]
        self._work = EachSecond("the clocks", self._look, warn)
        self._receiver = self._counter = ""
        for thread in threads:
            device = next(d for d in header.devices if d.name == thread.name)
            names = device.record_dtype.names or ()
            if device.host_clock and "utc_ns" in names and not self._receiver:
                self._receiver = device.name
                thread.add_tap(_SentenceTap(self._sentences, self._guard))
            elif "pps_tick" in names and not self._counter:
                self._counter = device.name
                thread.add_tap(_PulseTap(device, self._pulses, self._guard))

    def note(self, event: Event) -> None:
        """Take up a reading of the computer's clock, or a sleep; other events are passed over."""
        if event.kind == EventKind.HOST_CLOCK:
            self._host = event
        elif event.kind in _HEARD:
            self._events.append(event)

    def second(self, t_s: float) -> None:
        """One second's work, at this run time; a bug of it is told and ends it, nothing else."""
        if not self._work.done(t_s):
            self.status = ClockStatus(words=self._work.over)

    def _look(self, t_s: float) -> None:
        self._rates()
        if t_s < self._next_s:
            return
        later = [at for at in FIRST_S if at > t_s]
        self._next_s = later[0] if later else t_s + THEN_S
        self._hear(t_s)

    def _rates(self) -> None:
        for thread in self._threads:
            self._pace(thread)
            found = thread.stream.tick_rate
            if found is None or self._header.simulated_speed == 0.0:
                continue
            rate, u_rate = found
            told = self._rates_told.get(thread.name)
            if told is not None and crystal(rate, u_rate):
                del self._rates_told[thread.name]
                self._warn(
                    f"{thread.name}: its clock is a crystal's after all: the line was late"
                )
                continue
            new = told is None or another(rate, u_rate, told)
            if self._steady(thread.name, rate) and no_crystal(rate, u_rate) and new:
                self._rates_told[thread.name] = rate, u_rate
                again = ", not as was told before" * (told is not None)
                self._warn(f"{thread.name}: {off_words(rate, u_rate)}{again}")

    def _steady(self, name: str, rate: float) -> bool:
        """Whether the last looks found about this rate: that of a line that drains wanders."""
        looks = self._looks.setdefault(name, deque(maxlen=STEADY_LOOKS))
        looks.append(rate)
        whole = len(looks) == STEADY_LOOKS
        return whole and max(looks) - min(looks) <= STEADY * abs(rate)

    def _pace(self, thread: DeviceThread) -> None:
        pace, key = thread.stream.pace_beyond, f"pace {thread.name}"
        if pace is None or key in self._told or self._header.simulated_speed == 0.0:
            return
        self._told.add(key)
        self._warn(
            f"{thread.name}: its ticks contradict the computer's clock, {pace:.3g} of its seconds"
            " in one of the computer's: a feed that is fast or slow on purpose says so in the car"
            " sheet, [recording] simulated_speed; else speed and power are not to be believed"
        )

    def _hear(self, t_s: float) -> None:
        with self._guard:
            sentences, pulses = list(self._sentences), list(self._pulses)
        sent = ClockSentences(
            t_s=np.array([t for t, _, _ in sentences], np.float64),
            utc_ns=np.array([utc for _, utc, _ in sentences], np.int64),
            kind=np.array([kind for _, _, kind in sentences], "S3"),
            receiver=self._receiver,
            pulse_t_s=np.array(pulses, np.float64),
            counter=self._counter,
        )
        events = [self._host] if self._host is not None else []
        tie = judge_utc(evidence_of(self._header, [*events, *self._events], sent))
        judgement = tie.judgement
        u_s = float(tie.u_s(np.array([t_s]))[0])
        self.status = ClockStatus(
            known=judgement.known,
            u_s=u_s if judgement.known else None,
            words=judgement.why,
            contradicted=judgement.contradicted,
        )
        odd = judgement.contradicted or not judgement.known
        if odd and judgement.why and "utc" not in self._told:
            self._told.add("utc")
            known = "UTC is doubtful" if judgement.known else "UTC is not known"
            self._warn(f"{known}: {judgement.why}")


class _SentenceTap:
    """Keeps the last clock sentences."""

    def __init__(self, into: deque[tuple[float, int, bytes]], guard: threading.Lock) -> None:
        self._into, self._guard = into, guard

    def see(self, records: NDArray[np.void], time_s: NDArray[np.float64]) -> None:
        rows = [
            (float(t), int(utc), bytes(kind))
            for t, utc, kind in zip(
                time_s, records["utc_ns"].tolist(), records["kind"].tolist(), strict=True
            )
            if utc != NO_UTC
        ]
        if rows:
            with self._guard:
                self._into.extend(rows)


class _PulseTap:
    """Keeps the run times of the last pulses per second."""

    def __init__(self, device: DeviceHeader, into: deque[float], guard: threading.Lock) -> None:
        self._hz, self._into, self._guard = device.tick_hz, into, guard
        self._pulses = NewPulses()

    def see(self, records: NDArray[np.void], time_s: NDArray[np.float64]) -> None:
        edges, ticks = records["pps_tick"], records["tick"]
        new = self._pulses.among(edges, records["flags"], ticks)
        if len(new):
            since_s = (ticks[new] - edges[new]) / self._hz
            with self._guard:
                self._into.extend((time_s[new] - since_s).tolist())

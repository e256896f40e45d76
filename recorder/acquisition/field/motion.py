"""Whether the train stood while a zero was taken: what wheel and receiver saw meanwhile."""

from __future__ import annotations

import threading
from dataclasses import dataclass, replace
from typing import TYPE_CHECKING

import numpy as np

from calibration.field.zero_guards import GuardAnswer, guard_receiver, guard_wheel
from drivers.interface.driver_interface import Role
from recorder.acquisition.field.counts_collector import GRACE_S
from recorder.run.values.calibrate import is_wheel

if TYPE_CHECKING:
    from numpy.typing import NDArray

    from calibration.field.zero_guards import ZeroGuard
    from recorder.acquisition.devices.device_thread import DeviceThread
    from recorder.acquisition.preparation.planned import Plan

__all__ = ["MotionWatch", "MotionWitness", "motion_witnesses"]


@dataclass(frozen=True, slots=True)
class MotionWitness:
    """A device that can tell whether the train moves."""

    thread: DeviceThread
    role: Role
    field: str
    """Of its records: the count of a wheel, the speed in m/s of a receiver."""
    m_per_pulse: float | None = None
    """Of a wheel with a certificate."""


def motion_witnesses(plan: Plan, threads: list[DeviceThread]) -> list[MotionWitness]:
    """Every wheel and receiver of a recording."""
    by_name = {thread.name: thread for thread in threads}
    found = []
    for device in plan.devices:
        role, thread = device.description.role, by_name[device.sheet.name]
        fields = device.layout.dtype.names or ()
        if role is Role.WHEEL and device.channels:
            channel = device.channels[0]
            certificate = plan.certificates.get(channel.certificate)
            scale = certificate.m_per_pulse if is_wheel(certificate) else None
            found.append(MotionWitness(thread, role, channel.field, scale))
        elif role is Role.RECEIVER and "speed_m_s" in fields:
            found.append(MotionWitness(thread, role, "speed_m_s"))
    return found


class _Tap:
    """Takes the records of one witness over a stretch, and the first that speaks after it."""

    def __init__(self, field: str, start_s: float, stop_s: float) -> None:
        self.done = threading.Event()
        self.came = False
        self._field = field
        self._start_s, self._stop_s = start_s, stop_s
        self._seen: list[NDArray[np.float64]] = []

    def see(self, records: NDArray[np.void], time_s: NDArray[np.float64]) -> None:
        if self.done.is_set():
            return
        late = time_s >= self._start_s
        if not late.any():
            return
        self.came = True
        values = records[self._field][late].astype(np.float64)
        if "valid" in (records.dtype.names or ()):
            values[records["valid"][late] == 0] = np.nan
        after = np.flatnonzero(np.isfinite(values) & (time_s[late] >= self._stop_s))
        last = after[0] + 1 if len(after) else len(values)
        self._seen.append(values[:last])
        if len(after):
            self.done.set()

    def values(self) -> NDArray[np.float64]:
        held = np.concatenate([*self._seen, np.empty(0)])
        return np.asarray(held[np.isfinite(held)])


class MotionWatch:
    """Watches every witness from ``start_s`` to ``stop_s`` of run time."""

    def __init__(self, witnesses: list[MotionWitness], start_s: float, stop_s: float) -> None:
        """Begin to watch."""
        self._stop_s = stop_s
        self._taps = [(witness, _Tap(witness.field, start_s, stop_s)) for witness in witnesses]
        for witness, tap in self._taps:
            witness.thread.add_tap(tap)

    def finish(self) -> list[ZeroGuard]:
        """Wait until every witness has spoken of the end, or had time to; what each said."""
        for witness, tap in self._taps:
            left_s = self._stop_s + GRACE_S - witness.thread.now_s()
            witness.thread.wait_for(tap.done, max(left_s, 0.0))
            witness.thread.remove_tap(tap)
        return [_guard(witness, tap) for witness, tap in self._taps]


def _guard(witness: MotionWitness, tap: _Tap) -> ZeroGuard:
    values, device = tap.values(), witness.thread.name
    if witness.role is Role.WHEEL:
        pulses = int(np.ptp(values)) if len(values) else None
        guard = guard_wheel(pulses, m_per_pulse=witness.m_per_pulse, device=device)
    else:
        guard = guard_receiver(values if tap.came else None, device=device)
    if guard.answer is GuardAnswer.PASSED and not tap.done.is_set():
        # It fell silent, or lost its fix: what it did not see it cannot deny.
        words = f"{device} told nothing of the end"
        return replace(guard, answer=GuardAnswer.NOT_KNOWN, text=words)
    return guard

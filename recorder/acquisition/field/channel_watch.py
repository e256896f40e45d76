"""The health of every channel while the run goes on: once a second, from the rings.

It reads the rings with cursors of its own, in the main thread: no device's thread waits for it.
"""

from __future__ import annotations

from typing import TYPE_CHECKING, Final

import numpy as np

from recorder.acquisition.field.each_second import EachSecond
from recorder.run.checks.run_health import RunHealth
from recorder.run.parts.block import joined

if TYPE_CHECKING:
    from collections.abc import Callable, Mapping

    from calibration.certificates.certificate import Certificate
    from recorder.acquisition.ring.ring import RingReader
    from recorder.run.checks.channel_health import Episode
    from recorder.run.parts.header import RunHeader

__all__ = ["ChannelWatch"]

BEHIND_S: Final = 3
"""By then a second is in hand of every device: receivers send late, and once a second."""
AGAIN_S: Final = 600.0
"""A fault that comes and goes is warned of this often at most; the seal lists every episode."""


class ChannelWatch:
    """Warns once an episode; :meth:`unsound` may be asked by any thread, the rest by one."""

    def __init__(
        self,
        header: RunHeader,
        certificates: Mapping[str, Certificate],
        rings: Mapping[str, RingReader],
        warn: Callable[[str], None],
    ) -> None:
        self._health = RunHealth(header, certificates, self)
        self._rings = rings
        self._watched = [name for name in rings if self._health.columns_of(name)]
        self._warn = warn
        self._warned: dict[tuple[object, ...], float] = {}
        self._shown: dict[str, tuple[str, ...]] = {}
        self._work = EachSecond("the channels", self._look, warn)

    def second(self, t_s: float) -> None:
        """One second's work, at this run time; a bug of it is told and ends it, nothing else."""
        if not self._work.done(t_s):
            words = "its channels are no longer watched: an internal error"
            self._shown = dict.fromkeys(self._rings, (words,))

    def unsound(self, device: str) -> tuple[str, ...]:
        """What is wrong with the channels of a device now, one line each."""
        return self._shown.get(device, ())

    def close(self) -> None:
        """Let go of the rings."""
        for ring in self._rings.values():
            ring.close()

    # ------------------------------------------------------------------ as told

    def begun(self, episode: Episode) -> None:
        """Warn, unless the same was said not long ago."""
        key = (episode.device, episode.channels, episode.fault)
        last = self._warned.get(key)
        if last is None or episode.t_stop_s - last >= AGAIN_S:
            self._warned[key] = episode.t_stop_s
            self._warn(f"{episode.what} since {episode.t_start_s:.0f} s: {episode.text}")

    def ended(self, episode: Episode) -> None:
        """The seal tells of its whole extent."""

    # ------------------------------------------------------------------ parts

    def _look(self, t_s: float) -> None:
        for name in self._watched:
            blocks = self._rings[name].poll()
            if blocks:
                records = joined([block.records for block in blocks])
                time_s = np.concatenate([block.time_s() for block in blocks])
                # Two lines may lie a hair across each other where they meet.
                self._health.feed(name, np.maximum.accumulate(time_s), records)
        self._health.judge(int(t_s) - BEHIND_S)
        for _ in self._health.take_spikes():
            pass  # flagged at the seal; here they are only counted
        shown: dict[str, list[str]] = {}
        for held in self._health.open_episodes():
            shown.setdefault(held.device, []).append(f"{held.what}: {held.text}")
        self._shown = {name: tuple(words) for name, words in shown.items()}

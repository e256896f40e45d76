"""A scenario on the move: the train, its devices, their faults and the truth, in step."""

from __future__ import annotations

from typing import TYPE_CHECKING, Final

import numpy as np

from simulated_feeds.devices.faults import FaultyDevice
from simulated_feeds.outing.faulty_scenario import with_faults
from simulated_feeds.physics.lumped_train import LumpedTrain

if TYPE_CHECKING:
    from collections.abc import Sequence

    from simulated_feeds.devices.emission import Emission
    from simulated_feeds.devices.fault_kinds import FeedFault
    from simulated_feeds.outing.scenario import Scenario
    from simulated_feeds.outing.truth import TruthWriter
    from simulated_feeds.physics.motion import Motion, Mover

__all__ = ["SimulatedOuting"]

STRETCH_STEPS: Final = 20
"""40 ms at the usual step."""


class SimulatedOuting:
    """A :class:`~simulated_feeds.serving.server.EmissionSource`.

    Parameters
    ----------
    scenario
        What happens.
    faults
        Of devices, train and sky; ports are not its business.
    truth
        Told of every stretch, or None.
    until_s
        Simulated time at which the truth ends.
    mover
        None: the train car by car.
    stretch_steps
        Steps of the mover from one look at the devices to the next.
    """

    def __init__(
        self,
        scenario: Scenario,
        *,
        faults: Sequence[FeedFault] = (),
        truth: TruthWriter | None = None,
        until_s: float = float("inf"),
        mover: Mover | None = None,
        stretch_steps: int = STRETCH_STEPS,
    ) -> None:
        self.scenario = scenario = with_faults(scenario, faults)
        self._mover: Mover = LumpedTrain(scenario.journey) if mover is None else mover
        seeds = np.random.SeedSequence([scenario.seed, 0xFA]).spawn(3)
        self._devices = [
            FaultyDevice(device, faults, seed=seed)
            for device, seed in zip(scenario.devices(), seeds, strict=True)
        ]
        self._truth, self._until_s = truth, until_s
        self._stretch_steps = stretch_steps
        self._t_s = 0.0

    @property
    def t_s(self) -> float:
        """Simulated time reached."""
        return self._t_s

    def move(self) -> Motion:
        """The next stretch of motion alone; the devices do not see it."""
        motion = self._mover.advance(self._stretch_steps)
        self._t_s = float(motion.t_s[-1])
        if self._truth is not None:
            self._truth.add(motion, self._until_s)
        return motion

    def advance(self) -> dict[str, list[Emission]] | None:
        """What the devices send in the next stretch; None once ``until_s`` is reached."""
        if self._t_s >= self._until_s:
            return None
        motion = self.move()
        return {device.name: device.advance(motion) for device in self._devices}

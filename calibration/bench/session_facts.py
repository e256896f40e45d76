"""What is stated once, when a bench session is begun, and honoured to its end."""

from __future__ import annotations

from collections.abc import Mapping, Sequence
from dataclasses import asdict, dataclass, field, replace
from datetime import datetime
from typing import Any, Self

from calibration.bench.bench_reading import BenchError, TakenReading
from calibration.bench.pending_reading import check_seconds, force_certificate
from calibration.bench.plan import PlanStep
from calibration.bench.stability import StabilityLimits
from calibration.certificates.certificate import full_document
from calibration.certificates.days import local_day
from calibration.certificates.force import ForceCertificate
from calibration.quantities.units import find_unit
from calibration.readings.bench_settings import BenchSettings

__all__ = ["SessionFacts"]


@dataclass(frozen=True, kw_only=True)
class SessionFacts:
    """Facts of a session."""

    settings: BenchSettings
    plan: tuple[PlanStep, ...]
    limits: StabilityLimits = field(default_factory=StabilityLimits)
    seconds: float = 10.0
    """How long a reading gathers."""
    started: datetime
    reference: ForceCertificate | None = None
    """Of a reference cell on a second channel; None: forces are typed."""
    force_unit: str = "kN"
    """A force typed without a unit is in this one."""
    channel: str = ""
    """Of the cell; empty where it was not kept."""
    reference_channel: str = ""

    def __post_init__(self) -> None:
        check_seconds(self.seconds)
        if [step.number for step in self.plan] != list(range(1, len(self.plan) + 1)):
            msg = "the plan has no step, or its steps are not numbered from 1"
            raise BenchError(msg)
        find_unit(self.force_unit, quantity="force")
        if self.started.tzinfo is None:
            msg = f"started is {self.started}: a time with its zone is needed"
            raise BenchError(msg)

    @property
    def capacity_kN(self) -> float:
        """As stated, else the largest force of the plan."""
        largest = max(abs(step.applied_kN) for step in self.plan)
        return self.settings.capacity_kN or largest

    def checked(self, taken: list[TakenReading]) -> list[TakenReading]:
        """Readings of this plan, numbered as taken; raises ``BenchError`` for others."""
        for number, reading in enumerate(taken, start=1):
            if reading.number != number or not 1 <= reading.step <= len(self.plan):
                msg = f"reading {reading.number} of step {reading.step} is out of place"
                raise BenchError(msg)
        return taken

    def at_end(self, taken: Sequence[TakenReading], now: datetime) -> BenchSettings:
        """The settings, with first day, last day and day of issue where they are not stated."""
        settings, laboratory = self.settings, self.settings.laboratory
        last = datetime.fromisoformat(taken[-1].utc) if taken else now
        began = laboratory.began or local_day(self.started)
        ended = laboratory.ended or max(began, local_day(last))
        return replace(
            settings,
            issued=settings.issued or local_day(now),
            laboratory=replace(laboratory, began=began, ended=ended),
        )

    def to_document(self) -> dict[str, Any]:
        """Plain JSON."""
        return {
            "settings": self.settings.to_document(),
            "plan": [step.to_document() for step in self.plan],
            "limits": asdict(self.limits),
            "seconds": self.seconds,
            "started": self.started.isoformat(),
            "reference": None if self.reference is None else full_document(self.reference),
            "force_unit": self.force_unit,
            "channel": self.channel,
            "reference_channel": self.reference_channel,
        }

    @classmethod
    def from_document(cls, document: Mapping[str, Any]) -> Self:
        """The inverse of ``to_document``; what an older session did not keep is left open.

        Raises
        ------
        KeyError, TypeError, ValueError
            Damaged facts.
        """
        reference, stated = document["reference"], document["settings"]
        if not isinstance(stated, Mapping):
            msg = f"settings are {stated!r}"
            raise BenchError(msg)
        return cls(
            settings=BenchSettings.from_document(stated),
            plan=tuple(PlanStep.from_document(step) for step in document["plan"]),
            limits=StabilityLimits(**document["limits"]),
            seconds=float(document["seconds"]),
            started=datetime.fromisoformat(document["started"]),
            reference=None if reference is None else force_certificate(reference),
            force_unit=str(document.get("force_unit", "kN")),
            channel=str(document.get("channel", "")),
            reference_channel=str(document.get("reference_channel", "")),
        )

"""Units as the report shows them: SI inside, metric or customary on the page.

Tables and results.json stay in the units their names and fields say.
"""

from __future__ import annotations

from collections.abc import Mapping
from dataclasses import dataclass
from typing import Final

from calibration.quantities.editions import Edition, shown_unit
from calibration.quantities.sentence import in_edition
from recorder.analysis.uncertainty.measured import Measured

__all__ = ["CUSTOMARY", "METRIC", "SYSTEMS", "ShownUnits"]


@dataclass(frozen=True, slots=True)
class ShownUnits:
    """One edition, for figures with their uncertainty."""

    edition: Edition

    @property
    def name(self) -> str:
        """``metric`` or ``customary``."""
        return self.edition.value

    def factor(self, unit: str) -> float:
        """Shown value over value inside."""
        return shown_unit(unit, self.edition).factor

    def label(self, unit: str) -> str:
        """Unit shown for a unit inside."""
        return shown_unit(unit, self.edition).label

    def of(self, value: Measured) -> Measured:
        """A figure with its uncertainty, in the unit shown."""
        shown = shown_unit(value.unit, self.edition)
        return value.scaled(shown.factor, shown.label)

    def words(self, sentence: str) -> str:
        """A sentence of the analysis with its quantities in the units shown."""
        return in_edition(sentence, self.edition)


METRIC: Final = ShownUnits(Edition.METRIC)
CUSTOMARY: Final = ShownUnits(Edition.CUSTOMARY)
SYSTEMS: Final[Mapping[str, ShownUnits]] = {u.name: u for u in (METRIC, CUSTOMARY)}

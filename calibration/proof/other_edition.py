"""A certificate of another edition of the evaluation, held to what this edition makes of it.

What no edition works out otherwise must be the same: identity, dates, range, rails, shunt, and
zero and its limit within the uncertainty at no force. Curves are worked out by other rules: an
older edition's must agree with this edition's within the smaller of both uncertainties, a newer
edition's within this edition's.
"""

from __future__ import annotations

from collections.abc import Iterator
from dataclasses import dataclass, replace
from typing import TYPE_CHECKING, Final

import numpy as np

from calibration.certificates.force import ForceCertificate
from calibration.evaluation.evaluation import evaluate
from calibration.evaluation.issue import EDITION, issue_certificate, unrefused_certificate
from calibration.evaluation.verify import alike
from calibration.figures.iso376_conditions import LONGEST_VALIDITY_MONTHS

if TYPE_CHECKING:
    from numpy.typing import NDArray

    from calibration.evaluation.evaluation import Evaluation

__all__ = ["OtherEdition"]

POINTS: Final = 82
"""Forces at which curves are compared, over the whole certified range."""
REFERENCE: Final = "reference standard"
"""The line of the budget that every edition has."""


@dataclass(frozen=True, slots=True)
class OtherEdition:
    """A certificate of edition ``edition`` and what this edition makes of its readings."""

    certificate: ForceCertificate
    edition: int
    evaluation: Evaluation
    now: ForceCertificate
    """By this edition, were nothing refused."""
    refused: str
    """Why this edition would issue none; empty where it would."""

    @classmethod
    def of(
        cls, certificate: ForceCertificate, edition: int, evaluation: Evaluation
    ) -> OtherEdition:
        """Raises ``ValueError`` where no certificate at all comes of the readings."""
        refused = ""
        try:
            now = issue_certificate(evaluation, today=certificate.issued)
        except ValueError as error:
            refused = str(error)
            if evaluation.settings.reference_U_pct is None:
                # What was not stated adds nothing: the bound is the tighter for it.
                settings = replace(evaluation.settings, reference_U_pct=1e-5)
                evaluation = evaluate(evaluation.readings, settings)
            now = unrefused_certificate(evaluation, today=certificate.issued)
        return cls(certificate, edition, evaluation, now, refused)

    @property
    def words(self) -> str:
        """How it was evaluated; goes on after the certificate's name."""
        if self.edition > EDITION:
            return (
                f"it was made by a newer edition ({self.edition}), which this program (of"
                f" edition {EDITION}) cannot check"
            )
        return (
            f"it was evaluated by an older edition ({self.edition}) than this program's"
            f" ({EDITION})"
        )

    @property
    def agreed(self) -> str:
        """The whole of what is told where nothing is found."""
        force_kN = max(self.certificate.range_kN, key=abs)
        stated, now = (
            float(c.expanded_uncertainty_kN(force_kN)) for c in (self.certificate, self.now)
        )
        both = f"{stated:.3g} kN at {force_kN:g} kN where this edition gives {now:.3g} kN"
        months = self.evaluation.settings.valid_months
        if months > LONGEST_VALIDITY_MONTHS:
            both += f", and stated to hold for {months} months"
        if self.refused:
            both += f", and would issue none over them ({self.refused})"
        if self.edition > EDITION:
            return (
                f"{self.words}; its readings give its curve again within this edition's"
                f" uncertainty ({both}): take a newer program"
            )
        return (
            f"{self.words}; its readings give its curve again within its stated uncertainty,"
            f" {both}: have it issued again"
        )

    def found(self) -> Iterator[str]:
        """Every disagreement in words."""
        yield from self._unlike()
        yield from self._zeros()
        yield from self._too_certain()
        yield from self._off_curve()

    def _unlike(self) -> Iterator[str]:
        """What no edition works out otherwise."""
        stated, now, settings = self.certificate, self.now, self.evaluation.settings
        held = {
            "certificate_id": (stated.certificate_id, settings.certificate_id),
            "cell": (stated.cell, settings.cell),
            "serial": (stated.serial, now.serial),
            "issued": (stated.issued, settings.issued),
            "capacity_kN": (stated.capacity_kN, now.capacity_kN),
            "supersedes": (stated.supersedes, now.supersedes),
        }
        for name, (one, given) in held.items():
            # An older edition kept no serial beside the settings, and others may be made up.
            if one and given and not alike(given, one):
                yield f"{name}: stated {one!s}, its settings give {given!s}"
        last = now.expires
        if stated.expires is None or (last is not None and stated.expires > last):
            yield f"expires: stated {stated.expires}, its settings give {last}"
        for name in ("range_kN", "rails"):
            ends, given_ends = getattr(stated, name), getattr(now, name)
            if not all(map(alike, given_ends, ends)):
                yield f"{name}: stated {list(ends)}, its readings give {list(given_ends)}"
        if stated.shunt != now.shunt:
            yield f"shunt: stated {stated.shunt}, its settings give {now.shunt}"
        if stated.compression is not None and now.compression is None:
            yield "curve.compression: stated, its readings give none"

    def _zeros(self) -> Iterator[str]:
        """Counts at no force, and how far they may shift, within the uncertainty there."""
        kN_per_count = abs(self.now.tension.coefficients[1])
        within = float(self._limit_kN(np.zeros(1))[0]) / kN_per_count
        for name in ("nominal_zero_counts", "zero_limit_counts"):
            stated, given = getattr(self.certificate, name), getattr(self.now, name)
            if stated is None or not (alike(given, stated) or abs(stated - given) <= within):
                yield f"{name}: stated {stated!r}, its readings give {given!r}"

    def _too_certain(self) -> Iterator[str]:
        """Below the reference standard alone no edition comes."""
        for part in self.evaluation.senses:
            (line,) = (c for c in part.budget.components if c.name == REFERENCE)
            force_kN = part.loads.sense * part.budget.force_kN[1:]
            least_kN = np.zeros(len(force_kN)) if line.standard is None else line.standard[1:]
            stated_kN = self.certificate.uncertainty.standard_at(force_kN)
            if np.any(stated_kN <= 0.0) or np.any(stated_kN < least_kN * (1.0 - 1e-9)):
                yield (
                    f"uncertainty, {part.name}: stated {stated_kN[-1]:.3g} kN at"
                    f" {force_kN[-1]:g} kN, its reference standard alone adds"
                    f" {least_kN[-1]:.3g} kN"
                )

    def _limit_kN(self, force_kN: NDArray[np.float64]) -> NDArray[np.float64]:
        """Within what a curve must agree; (n,)."""
        now = self.now.expanded_uncertainty_kN(force_kN)
        if self.edition > EDITION:
            return now
        return np.minimum(now, self.certificate.expanded_uncertainty_kN(force_kN))

    def _off_curve(self) -> Iterator[str]:
        """Where the stated curve leaves the one of the readings by more than that."""
        for part in self.evaluation.senses:
            largest_kN = float(part.budget.force_kN[-1])
            force_kN = part.loads.sense * np.linspace(0.0, largest_kN, POINTS)[1:]
            try:
                counts = self.certificate.to_deflection(force_kN)
            except ValueError as error:
                yield f"curve, {part.name}: {error}"
                continue
            found_kN = self.now.to_force(counts, zero_counts=0.0)
            over = np.abs(found_kN - force_kN) / np.maximum(self._limit_kN(force_kN), 1e-12)
            worst = int(np.argmax(over))
            if not over[worst] <= 1.0:
                whose = "this edition's uncertainty"
                if (
                    self._limit_kN(force_kN)[worst]
                    < self.now.expanded_uncertainty_kN(force_kN)[worst]
                ):
                    whose = "the uncertainty it states"
                yield (
                    f"curve, {part.name}: at {force_kN[worst]:g} kN its readings give"
                    f" {found_kN[worst]:.6g} kN, beyond {whose}"
                )

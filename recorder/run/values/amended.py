"""What a zero revised after the seal makes of the force: worked again, the file untouched."""

from __future__ import annotations

from dataclasses import dataclass, replace
from typing import TYPE_CHECKING

import numpy as np

from calibration.quantities import flags as flag_bits
from recorder.run.checks.zero_line import ZeroLine, zero_lines

if TYPE_CHECKING:
    from collections.abc import Mapping, Sequence

    from numpy.typing import ArrayLike, NDArray

    from calibration.certificates.force import ForceCertificate
    from recorder.run.checks.zero_line import Zero
    from recorder.run.values.overview import Overview

__all__ = ["AmendedZero", "amended_zeros"]


@dataclass(frozen=True, slots=True)
class AmendedZero:
    """The zero of one channel as it was sealed, and as its revisions have it now."""

    certificate: ForceCertificate
    sealed: ZeroLine | None
    """None: the certificate's own zero."""
    now: ZeroLine | None

    def force_kN(self, counts: ArrayLike, time_s: NDArray[np.float64]) -> NDArray[np.float64]:
        """(n,) kN from (n,) counts at (n,) rising run times, as the seal would make them now."""
        nominal = self.certificate.nominal_zero_counts
        zero = nominal if self.now is None else self.now.along(time_s)
        return self.certificate.to_force(counts, zero_counts=zero)

    def flags(
        self, held: NDArray[np.uint8], counts: ArrayLike, force_kN: NDArray[np.float64]
    ) -> NDArray[np.uint8]:
        """(n,) flags as held, but out of range by the force as it is now."""
        found = self.certificate.flags(counts, force_kN, on=None)
        other = held & np.uint8(0xFF & ~flag_bits.OUT_OF_RANGE)
        return np.asarray(other | (found & np.uint8(flag_bits.OUT_OF_RANGE)), np.uint8)

    def change_kN(self, t_s: NDArray[np.float64]) -> NDArray[np.float64]:
        """What the revisions change of the force, (n,) kN at (n,) run times, near no force."""
        nominal = self.certificate.nominal_zero_counts
        sealed, now = (
            np.full(np.shape(t_s), nominal) if line is None else line.at(t_s)
            for line in (self.sealed, self.now)
        )
        return np.asarray((sealed - now) * self.certificate.tension.coefficients[1])

    def overview(self, seen: Overview) -> Overview:
        """A stored overview, moved by the change: for the eye, exact to the curve's bend."""
        change = self.change_kN(seen.t_s)
        return replace(
            seen,
            minimum=seen.minimum + change,
            maximum=seen.maximum + change,
            mean=seen.mean + change,
        )


def amended_zeros(
    forces: Mapping[str, ForceCertificate], sealed: Sequence[Zero], revised: Sequence[Zero]
) -> dict[str, AmendedZero]:
    """By channel: those whose zero line is no longer the one their values were sealed with;
    ``forces`` are the certificates by channel."""
    before, after = zero_lines(sealed), zero_lines(revised)
    return {
        name: AmendedZero(certificate, before.get(name), after.get(name))
        for name, certificate in forces.items()
        if not _same(before.get(name), after.get(name))
    }


def _same(one: ZeroLine | None, other: ZeroLine | None) -> bool:
    if one is None or other is None:
        return one is other
    return np.array_equal(one.t_s, other.t_s) and np.array_equal(one.counts, other.counts)

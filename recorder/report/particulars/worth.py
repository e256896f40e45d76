"""What each instrument of a run is worth: certificate, day, expanded uncertainty."""

from __future__ import annotations

from typing import TYPE_CHECKING, TypeVar

from calibration.certificates.force import ForceCertificate
from calibration.certificates.wheel import WheelCertificate
from calibration.quantities.sentence import amount, say

if TYPE_CHECKING:
    from collections.abc import Iterator

    from recorder.analysis.campaign.loaded_run import LoadedRun
    from recorder.report.pages.shown_units import ShownUnits

__all__ = ["cell_worth", "force_u_words", "wheel_u_words", "wheel_worth"]


def cell_worth(run: LoadedRun, units: ShownUnits) -> str:
    """``certificate F-17 of serial number 4711, U 1 kN at 600 kN (95 %), valid to 2027-10-19``."""
    return "; ".join(
        _worth(c, units.words(force_u_words(c))) for c in _of_kind(run, ForceCertificate)
    )


def wheel_worth(run: LoadedRun) -> str:
    """The same of the measuring wheel."""
    return "; ".join(_worth(c, wheel_u_words(c)) for c in _of_kind(run, WheelCertificate))


def force_u_words(held: ForceCertificate) -> str:
    """Expanded uncertainty at the highest certified force."""
    table = held.uncertainty
    u_kN = table.standard_kN[-1] * table.coverage_factor[-1]
    at = amount(table.force_kN[-1], "kN", 0)
    return say(amount(u_kN, "kN", digits=2), " at ", at)


def wheel_u_words(held: WheelCertificate) -> str:
    """Expanded uncertainty of speed and distance."""
    return f"{200.0 * held.u_circumference_m / held.circumference_m:.2g} %"


def _worth(held: ForceCertificate | WheelCertificate, u: str) -> str:
    of = f" of serial number {held.serial}" if held.serial else ""
    until = "without a last day" if held.expires is None else f"valid to {held.expires}"
    return f"certificate {held.certificate_id}{of}, U {u} (95 %), {until}"


_Held = TypeVar("_Held", ForceCertificate, WheelCertificate)


def _of_kind(run: LoadedRun, kind: type[_Held]) -> Iterator[_Held]:
    """Each certificate once, whatever it is called by."""
    found = [c for c in run.provenance.certificates.values() if isinstance(c, kind)]
    yield from {c.certificate_id: c for c in found}.values()

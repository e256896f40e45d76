"""Certificates that contradict themselves, their signature or the car sheet."""

from __future__ import annotations

from typing import TYPE_CHECKING, Final

from calibration.quantities.written import many
from recorder.analysis.plausibility.doubt import Checked, Doubt, DoubtKind
from recorder.run.values.certificate_standing import Standing, told

if TYPE_CHECKING:
    from recorder.analysis.plausibility.evidence import Evidence

__all__ = ["check_certificates"]

NAME: Final = "certificates"


def check_certificates(evidence: Evidence) -> list[Checked]:
    """Whether any is another cell's, does not follow from its readings, or is falsely signed."""
    if not evidence.standings:
        return [Checked.not_checked(NAME, "no certificate is in the run")]
    refused = told(evidence.standings, Standing.REFUSED)
    if not refused:
        words = f"{many(len(evidence.standings), 'certificate')}, none contradicted"
        return [Checked(name=NAME, outcome=words)]
    text = (
        f"{refused[0]}; no figure by it can be believed: get the certificate again from who issued"
        " it, or have the cell calibrated"
    )
    doubt = Doubt(kind=DoubtKind.CERTIFICATE, text=text, value=float(len(refused)), limit=0.0)
    return [Checked(name=NAME, outcome="; ".join(refused), doubt=doubt)]

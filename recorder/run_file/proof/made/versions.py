"""Values of a run that another version sealed: what it may have made otherwise, and how far.

An older version drew the line through the zeros, or the speed through the pulses, otherwise. That
moves many values by little; a single value that differs, or one that differs by more than the
zeros moved, no version has made so.
"""

from __future__ import annotations

from typing import TYPE_CHECKING, Final

from calibration.certificates.force import ForceCertificate
from recorder.run.checks.zero_line import zeros_of
from recorder.run.values.calibrate import is_wheel, parse_certificates

if TYPE_CHECKING:
    from recorder.run.parts.header import ChannelHeader
    from recorder.run_file.proof.made.tally import Tally
    from recorder.run_file.proof.parts.held import Held

__all__ = ["made_otherwise"]

LEAST_SHARE: Final = 0.01
"""Of all values: another line through the zeros moves all between two of them (from experience:
zeros are taken at the ends and at long stands)."""
SPEED_M_S: Final = 0.05 / 3.6
"""To which a steady speed is held by the tests of every version."""
SLOPE: Final = 1.05
"""The curve of a cell is nearly straight; its slope is taken at zero."""


def made_otherwise(held: Held, channel: ChannelHeader, tally: Tally) -> str:
    """Why another version may have made the values so; empty where none can have."""
    if tally.differ < LEAST_SHARE * tally.n:
        return ""
    certificate = parse_certificates(held.header).get(channel.certificate)
    if isinstance(certificate, ForceCertificate):
        reach, what = _zeros_reach_kN(held, channel, certificate), "the zeros differ"
    elif is_wheel(certificate) and channel.quantity == "speed":
        reach, what = SPEED_M_S, "speeds may be drawn differently through the pulses"
    else:
        return ""
    if tally.worst > reach:
        return ""
    return (
        f"{tally.differ:,} of {tally.n:,} values differ from those made again by up to"
        f" {tally.worst:.3g} {channel.true_unit}, within the {reach:.3g} {channel.true_unit} by"
        f" which {what}: sealed by {held.other_version}, which may have made them otherwise"
    )


def _zeros_reach_kN(held: Held, channel: ChannelHeader, certificate: ForceCertificate) -> float:
    """The largest force between any two of the zeros there are, the bench's among them."""
    counts = [
        z.counts for z in zeros_of(held.events) if z.channel == channel.name and z.accepted
    ]
    counts.append(certificate.nominal_zero_counts)
    return SLOPE * (max(counts) - min(counts)) * abs(certificate.tension.coefficients[1])

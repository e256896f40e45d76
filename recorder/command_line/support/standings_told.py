"""How the certificates of a run stand, told on the command line."""

from __future__ import annotations

from dataclasses import asdict
from typing import TYPE_CHECKING, Any

from recorder.run.values.certificate_standing import PROVES, Standing, told

if TYPE_CHECKING:
    from recorder.run.values.certificate_standing import Standings

__all__ = ["refused_words", "standings_json", "standings_words"]


def refused_words(standings: Standings) -> list[str]:
    """What is wrong with certificates, a line each."""
    return told(standings, Standing.REFUSED)


def standings_words(standings: Standings) -> list[str]:
    """How each stands, a line each, and what that proves."""
    lines = [
        f"certificate {name}: {'; '.join(finding.words for finding in found)}"
        for name, found in standings.items()
    ]
    return [*lines, PROVES] if lines else []


def standings_json(standings: Standings) -> dict[str, Any]:
    """The same for programs."""
    return {name: [asdict(finding) for finding in found] for name, found in standings.items()}

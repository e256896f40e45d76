"""What stands between the record and a surer answer, the worst first."""

from __future__ import annotations

import math
from typing import TYPE_CHECKING, Final

from calibration.quantities.written import many
from recorder.run.checks.channel_health import told
from recorder.run.values.certificate_standing import Standing
from recorder.run.values.certificate_standing import told as certificate_doubts

if TYPE_CHECKING:
    from recorder.analysis.campaign.answer import CampaignAnswer
    from recorder.analysis.campaign.loaded_run import LoadedRun
    from recorder.report.section_parts.naming import Naming

__all__ = ["NO_CAUTION", "cautions_of"]

NO_CAUTION: Final = "Nothing beyond the uncertainties stated."
MOST_EPISODES: Final = 3
"""Of channels that were not sound; the list of deviations has all."""


def cautions_of(answer: CampaignAnswer, naming: Naming) -> list[str]:
    """One line each, in the units shown; at least one, if only that there is none."""
    out = [words for run in answer.runs for words in _of_file(run.loaded, naming)]
    out += [naming.told(note) for note in answer.notes]
    return out or [NO_CAUTION]


def _of_file(run: LoadedRun, naming: Naming) -> list[str]:
    held, out = run.provenance.description, list[str]()
    if not held.complete:
        out.append("the file is not sealed: the recording was cut off")
    out += [
        f"certificate {c.certificate_id} had expired on the day of the run"
        for c in held.certificates.values()
        if c.expired
    ]
    out += certificate_doubts(run.provenance.standings, Standing.DOUBT)
    if run.gaps:
        seconds = math.fsum(g.t_end_s - g.t_start_s for g in run.gaps)
        out.append(f"{many(len(run.gaps), 'gap')}, {seconds:.1f} s together")
    out += told(held.episodes, MOST_EPISODES)
    return [f"Run {naming.letter(run.name)}: {words}" for words in out]

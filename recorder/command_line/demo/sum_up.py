"""What a demo leaves beside its run: truth, checks, summary, report; each is told in a line."""

from __future__ import annotations

import sys
from typing import TYPE_CHECKING, Final

import numpy as np

from recorder.analysis.campaign.answer import AnswerSettings, answer_files
from recorder.command_line.demo.ride_score import RideTruth, score_ride, score_words
from recorder.report.trial.summary import write_summary
from recorder.report.trial.writing import ReportOptions, write_report
from recorder.run_file.hdf5.reader import open_run
from recorder.run_file.seal.verify import verify_run
from recorder.track.route.route import load_route
from simulated_feeds.outing.truth import COLUMNS, write_truth

if TYPE_CHECKING:
    from pathlib import Path

    from recorder.analysis.campaign.answer import CampaignAnswer

__all__ = ["report_on", "say_what_is_there", "score_keys", "sum_up"]

LEFT: Final = (
    ("run.h5", "the run"),
    ("truth.csv", "what the train really did"),
    ("summary.pdf", "one page"),
    ("window.png", "the window"),
    ("report", "the report: report.pdf, report.html, chart_roll.pdf, tables"),
)
"""By every demo."""
OF_SOME: Final = (
    ("report/truth.pdf", "the truth beside the report; also as truth.html, .csv and .json"),
    ("ride.txt", "how well it was keyed"),
)
"""Of a day, and of a ride."""


def sum_up(out: Path, started_ns: int) -> bool:
    """Truth on run time, digests, one page; whether the run file is sound."""
    run = out / "run.h5"
    write_truth(out / "feed", started_ns, out / "truth.csv")
    findings = verify_run(run)
    for finding in findings:
        print(f"demo: {finding}", file=sys.stderr)
    write_summary(run, out / "summary.pdf")
    return not findings


def report_on(out: Path) -> CampaignAnswer:
    """The answer and the report of it, as ``testcar report`` makes them."""
    answer = answer_files([out / "run.h5"], AnswerSettings())
    write_report(answer, out / "report", ReportOptions())
    return answer


def score_keys(out: Path) -> list[str]:
    """How well the ride was keyed, as lines; ``ride.txt`` keeps them."""
    where = [COLUMNS.index(name) for name in ("time_s", "chainage_m", "throttle")]
    table = np.loadtxt(out / "truth.csv", delimiter=",", skiprows=1, usecols=where)
    truth = RideTruth(table[:, 0], table[:, 1], table[:, 2])
    posts = load_route(out / "feed" / "route.csv").mileposts
    with open_run(out / "run.h5") as run:
        lines = score_words(score_ride(truth, posts, run.marks()))
    (out / "ride.txt").write_text("\n".join(lines) + "\n", encoding="utf-8")
    return lines


def say_what_is_there(out: Path) -> None:
    """A line for each thing that was made, or was to be."""
    for name, what in LEFT:
        print(f"demo: {out / name}  {what}{'' if (out / name).exists() else '  (not made)'}")
    for name, what in OF_SOME:
        if (out / name).exists():
            print(f"demo: {out / name}  {what}")

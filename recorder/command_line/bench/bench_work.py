"""What ``testcar bench`` does with readings and certificates in files."""

from __future__ import annotations

import argparse
import sys
from dataclasses import replace
from pathlib import Path
from typing import TYPE_CHECKING, Final

from calibration.certificates.certificate import (
    CertificateError,
    dump_certificate,
    load_certificate,
)
from calibration.certificates.days import local_day
from calibration.certificates.force import ForceCertificate
from calibration.doubts.doubtful_rows import doubt_cautions
from calibration.evaluation.evaluation import Evaluation, evaluate
from calibration.evaluation.issue import issue_certificate
from calibration.evaluation.results_document import results_document
from calibration.files.durable import write_whole
from calibration.quantities.printable import printable
from calibration.quantities.written import many
from calibration.readings.bench_settings import BenchSettings
from calibration.readings.readings_csv import read_readings
from recorder.command_line.support.json_answer import print_json
from recorder.machine.version import software
from recorder.report.certificate.certificate_pdf import certificate_pdf
from recorder.report.certificate.force_words import figure_name

if TYPE_CHECKING:
    from calibration.evaluation.evaluation import SenseEvaluation

__all__ = ["fit_file", "print_results", "write_results"]

_NAME_WIDTH: Final = 40


def fit_file(args: argparse.Namespace, settings: BenchSettings) -> int:
    """``bench fit``."""
    # Classes are judged on a day: without one stated, today, as the certificate would be.
    issued = settings.issued or local_day()
    evaluation = evaluate(read_readings(args.readings), replace(settings, issued=issued))
    written = write_results(evaluation, out=args.out, pdf=args.pdf)
    if args.json:
        document = results_document(evaluation)
        document["doubts"] = [d.to_document() for d in evaluation.doubts]
        document["certificate"] = written
        print_json(document, indent=1)
    else:
        print_results(evaluation)
        for name, path in written.items():
            print(f"{name}: {path}")
    return 0


def write_results(
    evaluation: Evaluation, *, out: str | None, pdf: str | None
) -> dict[str, str]:
    """Write certificate and PDF as asked; returns what was written where.

    A certificate already standing at ``out`` is superseded, not lost: it is kept beside the
    new one under a name with its own digest.
    """
    if out is None and pdf is None:
        return {}
    written = {}
    settings = evaluation.settings
    if out is not None:
        old = _standing(Path(out))
        if old is not None and not settings.supersedes:
            evaluation = replace(evaluation, settings=replace(settings, supersedes=old.digest))
        certificate = issue_certificate(evaluation, software=software())
        if old is not None:
            kept = _keep(Path(out), old.digest)
            written["superseded_kept_as"] = str(kept)
        write_whole(Path(out), dump_certificate(certificate).encode())
        written["certificate"] = out
        written["digest"] = certificate.digest
    else:
        certificate = issue_certificate(evaluation, software=software())
    if pdf is not None:
        write_whole(Path(pdf), certificate_pdf(certificate))
        written["pdf"] = pdf
    return written


def _standing(path: Path) -> ForceCertificate | None:
    """The certificate already at the place, or None; refuses to touch any other file."""
    if not path.exists():
        return None
    try:
        found = load_certificate(path)
    except CertificateError as error:
        msg = f"{path}: exists and is no sound certificate; give another name ({error})"
        raise CertificateError(msg) from error
    if not isinstance(found, ForceCertificate):
        msg = f"{path}: exists and is a certificate of another kind; give another name"
        raise CertificateError(msg)
    return found


def _keep(path: Path, digest: str) -> Path:
    """A copy beside it, so that at no instant there is no certificate at the place."""
    kept = path.with_name(f"{path.stem}.superseded-{digest[7:15]}{path.suffix}")
    write_whole(kept, path.read_bytes())
    return kept


def print_results(evaluation: Evaluation) -> None:
    """The results in words and tables, for a person; rows in doubt first."""
    doubts = doubt_cautions(evaluation.readings, evaluation.settings, evaluation.doubts)
    for doubt in doubts:
        print(f"caution: {printable(doubt)}")
    for part in evaluation.senses:
        _print_sense(part)
    for caution in evaluation.cautions:
        if caution not in doubts:
            print(f"caution: {printable(caution)}")
    sys.stdout.flush()


def _print_sense(part: SenseEvaluation) -> None:
    loads = part.loads
    force, reading = loads.readings.force_unit, loads.readings.reading_unit
    print(f"{part.name}: {many(len(loads.force), 'reading')} at {many(len(loads.levels), 'force')},"
          f" up to {loads.largest:g} {force}")  # fmt: skip
    print(f"  curve of degree {part.degree}, reading = sum of b[i] * ({force})**i")
    for i, (c, e) in enumerate(
        zip(part.raw.coefficients, part.raw.standard_errors, strict=True)
    ):
        print(f"    b[{i}] = {c: .12g}   standard error {e:.4g}")
    print(f"  residual standard deviation {part.raw.residual_sd:.6g} {reading},"
          f" {part.raw.dof} degrees of freedom")  # fmt: skip
    for reason in part.choice.reasons:
        print(f"  {reason}")
    print(f"  lack of fit: {_lack(part)}")
    for figure in part.figures:
        unit = figure.unit if figure.assessed else ""
        value = f"{_value(figure.value)} {unit}".rstrip()
        told = f"{value}; {figure.reason}" if figure.reason else value
        print(printable(f"  {figure_name(figure.name):<{_NAME_WIDTH}} {told}"))
    budget = part.budget
    at = f"  expanded uncertainty at {budget.force_kN[-1]:.6g} kN:"
    if budget.refused:
        print(f"{at} - {budget.refused}")
    else:
        full, k = float(budget.expanded_kN[-1]), float(budget.coverage_factor[-1])
        print(f"{at} {full:.4g} kN (k = {k:.2f})")


def _lack(part: SenseEvaluation) -> str:
    lack = part.lack_of_fit
    if isinstance(lack, str):
        return f"not tested: {lack}"
    verdict = "rejected" if lack.rejected else "accepted"
    return (
        f"F({lack.dof_lack}, {lack.dof_pure}) = {lack.f:.4g}, p = {lack.p_value:.3g}: {verdict}"
    )


def _value(value: float | str | None) -> str:
    return "-" if value is None else f"{value:.6g}" if isinstance(value, float) else str(value)

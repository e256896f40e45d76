"""``testcar clock``: a certificate of what a sealed run shows of a device's clock."""

from __future__ import annotations

import json
from pathlib import Path

import pytest

from calibration.certificates.certificate import document_digest, load_certificate
from calibration.certificates.clock import ClockCertificate
from recorder.command_line.main import main
from recorder.keeping.seal import seal
from tests.recorder.made_runs import made_run
from tests.recorder.report.certificate.made_paper import text_of

pytestmark = pytest.mark.slow


@pytest.fixture(scope="module")
def run(tmp_path_factory: pytest.TempPathFactory) -> Path:
    """A sealed run of 45 s with a pulse wired to the wheel's counter, its clock exact."""
    path = tmp_path_factory.mktemp("clock") / "run.h5"
    seal(made_run(45.0).filed(path), path)
    return path


def issued(run: Path, folder: Path, *more: str) -> Path:
    out = folder / "clock.cert.json"
    assert main(["clock", str(run), "--device", "wheel", "--out", str(out), *more]) == 0
    return out


def test_a_run_shows_the_rate_and_the_certificate_verifies(
    run: Path, tmp_path: Path, capsys: pytest.CaptureFixture[str]
) -> None:
    out = issued(run, tmp_path, "--serial", "118", "--temperature-C", "18", "24")
    held = load_certificate(out)
    assert isinstance(held, ClockCertificate)
    assert abs(held.rate_ppm) <= held.coverage_factor * held.u_rate_ppm
    assert held.span_s >= 40.0
    assert held.temperature_C == (18.0, 24.0)
    assert held.run_digest.startswith("sha256:")
    assert main(["clock", "verify", str(out)]) == 0
    assert "every figure agree" in capsys.readouterr().out


def test_its_paper_says_what_it_is_and_is_not(run: Path, tmp_path: Path) -> None:
    out, pdf = issued(run, tmp_path, "--id", "CL-1", "--serial", "118"), tmp_path / "c.pdf"
    assert main(["clock", "pdf", str(out), "--out", str(pdf)]) == 0
    text = text_of(pdf.read_bytes())
    for words in (
        "CL-1", "clock of wheel", "Serial number 118", "run.h5", "ppm", "probability of 95 %",
        "changes no time", "Not stated", "temperature", "page 1 of",
    ):  # fmt: skip
        assert words in text, words


@pytest.mark.parametrize("name", ["rate_ppm", "u_rate_ppm", "low_ppm", "scatter_us"])
def test_a_figure_that_the_pulses_do_not_give_is_found(
    name: str, run: Path, tmp_path: Path, capsys: pytest.CaptureFixture[str]
) -> None:
    out = issued(run, tmp_path)
    document = json.loads(out.read_text())
    document[name] += 0.5
    document["digest"] = document_digest(document)
    out.write_text(json.dumps(document))
    capsys.readouterr()
    assert main(["clock", "verify", str(out), "--json"]) == 1
    assert json.loads(capsys.readouterr().out)["differences"][0].startswith(name)
    assert main(["clock", "pdf", str(out), "--out", str(tmp_path / "c.pdf")]) != 0


def test_wrong_use_is_one_line(
    run: Path, tmp_path: Path, capsys: pytest.CaptureFixture[str]
) -> None:
    for words, told in (
        (["clock", str(run), "--device", "cell"], "too few of the receiver's pulses"),
        (["clock", str(run), "--device", "nobody"], "no device 'nobody'; it has"),
        (["clock", str(run)], "give RUN.h5 and --device"),
        (["clock", "verify"], "give the certificate"),
        (["clock", "pdf", str(tmp_path / "x.json")], "--out PDF"),
        (["clock", str(run), "--device", "wheel", "--issued", "soon"], "YYYY-MM-DD"),
    ):
        assert main(words) == 2, words
        error = capsys.readouterr().err
        assert told in error
        assert error.count("\n") == 1

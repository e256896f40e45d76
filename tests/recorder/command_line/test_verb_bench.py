from __future__ import annotations

import contextlib
import json
import socket
import struct
import threading
import zlib
from pathlib import Path

import numpy as np
import pytest

from calibration.bench.plan import make_plan
from calibration.bench.session import BenchSession
from calibration.certificates.certificate import (
    document_digest,
    dump_certificate,
    load_certificate,
)
from calibration.certificates.force import ForceCertificate
from recorder.command_line.main import main
from recorder.machine.version import software
from tests.calibration.bench_tables import iso_csv, pontius_csv
from tests.recorder.acquisition.bench.press import Press

REFERENCE = ("--reference-U-pct", "0.02")


@pytest.fixture
def table(tmp_path: Path) -> Path:
    path = tmp_path / "readings.csv"
    path.write_text(iso_csv(noise=40.0))
    return path


def test_fit_prints_json_with_the_certified_values(
    tmp_path: Path, capsys: pytest.CaptureFixture[str]
) -> None:
    """NIST StRD Pontius, certified."""
    path = tmp_path / "pontius.csv"
    path.write_text(pontius_csv())
    assert main(["bench", "fit", str(path), "--degree", "2", "--json"]) == 0
    out = json.loads(capsys.readouterr().out)
    assert out["coefficients"] == pytest.approx(
        [0.673565789473684e-03, 0.732059160401003e-06, -0.316081871345029e-14], rel=1e-10
    )
    assert out["standard_errors"] == pytest.approx(
        [0.107938612033077e-03, 0.157817399981659e-09, 0.486652849992036e-16], rel=1e-10
    )
    assert out["residual_sd"] == pytest.approx(0.205177424076185e-03, rel=1e-10)
    assert out["force_unit"] == "lbf"
    for name in (
        "zero_return", "nonlinearity_terminal", "nonlinearity_best_fit", "hysteresis",
        "reversibility", "repeatability", "reproducibility", "interpolation_error", "creep",
        "temperature_effect_zero", "temperature_effect_span", "resolution", "iso376_class",
        "e74_standard_deviation", "e74_lower_limit_factor", "e74_class_a_range",
        "e74_class_aa_range",
    ):  # fmt: skip
        figure = out["figures"][name]
        assert figure["unit"]
        assert figure["value"] is not None or figure["reason"]


def test_fit_in_words(table: Path, capsys: pytest.CaptureFixture[str]) -> None:
    assert main(["bench", "fit", str(table)]) == 0
    out = capsys.readouterr().out
    assert "residual standard deviation" in out
    assert "class of ISO 376" in out
    assert "caution: " in out


def test_certificate_and_pdf_are_written_and_verify(
    table: Path, tmp_path: Path, capsys: pytest.CaptureFixture[str]
) -> None:
    cert, pdf = tmp_path / "cell.json", tmp_path / "cell.pdf"
    words = ["bench", "fit", str(table), "--out", str(cert), "--pdf", str(pdf),
             "--cell", "coupler 12", "--reference-U-pct", "0.02", "--issued", "2026-05-04",
             "--service-temperature-C", "-10", "40", "--valid-months", "24"]  # fmt: skip
    assert main(words) == 0
    certificate = load_certificate(cert)
    assert isinstance(certificate, ForceCertificate)
    assert certificate.software == software()
    assert certificate.certificate_id == "coupler-12-2026-05-04"
    assert str(certificate.expires) == "2028-05-04"
    assert pdf.read_bytes().startswith(b"%PDF-")
    assert main(["bench", "verify", str(cert)]) == 0
    assert "every figure agree" in capsys.readouterr().out


def off_row(table: Path) -> None:
    """The reading of row 7 goes 10 % up."""
    lines = table.read_text().splitlines()
    cells = lines[6].split(",")
    cells[4] = f"{float(cells[4]) * 1.1:.0f}"
    lines[6] = ",".join(cells)
    table.write_text("\n".join(lines) + "\n")


def test_a_row_in_doubt_is_told_first_and_bars_the_certificate(
    table: Path, tmp_path: Path, capsys: pytest.CaptureFixture[str]
) -> None:
    off_row(table)
    assert main(["bench", "fit", str(table)]) == 0
    assert capsys.readouterr().out.startswith("caution: in doubt: row 7: 250 kN")
    cert = tmp_path / "cell.json"
    words = ["bench", "fit", str(table), "--out", str(cert), *REFERENCE]
    assert main(words) == 2
    err = capsys.readouterr().err
    assert err.count("\n") == 1
    assert "row 7: 250 kN" in err
    assert not cert.exists()
    assert main([*words, "--accept-rows", "7"]) == 2
    assert "accepted_reason" in capsys.readouterr().err
    assert main([*words, "--accept-rows", "seven", "--accept-reason", "x"]) == 2
    assert "allowed: numbers of rows and ranges" in capsys.readouterr().err
    assert main([*words, "--accept-rows", "7", "--accept-reason", "press slipped"]) == 0
    assert "press slipped" in capsys.readouterr().out
    assert main(["bench", "verify", str(cert)]) == 0
    assert main(["bench", "fit", str(table), "--json"]) == 0
    out = capsys.readouterr().out
    (doubt,) = json.loads(out[out.index("{") :])["doubts"]
    assert doubt["rows"] == [7]
    assert doubt["residual_pct"] == pytest.approx(10.0, abs=0.1)


def test_verify_says_no_with_exit_one(
    table: Path, tmp_path: Path, capsys: pytest.CaptureFixture[str]
) -> None:
    cert = tmp_path / "cell.json"
    main(["bench", "fit", str(table), "--out", str(cert), *REFERENCE])
    cert.write_text(cert.read_text().replace('"cell": "cell not named"', '"cell": "gilded"', 1))
    capsys.readouterr()
    assert main(["bench", "verify", str(cert)]) == 1
    assert "does not agree" in capsys.readouterr().out
    assert main(["bench", "verify", str(cert), "--json"]) == 1
    answer = json.loads(capsys.readouterr().out)
    assert answer["agrees"] is False
    assert answer["differences"][0].startswith("digest")
    assert answer["readings"].startswith("digest does not agree; ")


def test_no_paper_of_figures_that_the_readings_do_not_give(
    table: Path, tmp_path: Path, capsys: pytest.CaptureFixture[str]
) -> None:
    """A coefficient raised by 5 % with a fresh digest: nobody is given it to sign."""
    cert, pdf = tmp_path / "cell.json", tmp_path / "cell.pdf"
    words = ["bench", "fit", str(table), "--out", str(cert), "--reference-U-pct", "0.02"]
    assert main(words) == 0
    document = json.loads(cert.read_text())
    document["curve"]["tension"][1] *= 1.05
    document["digest"] = document_digest(document)
    cert.write_text(json.dumps(document))
    capsys.readouterr()
    assert main(["bench", "pdf", str(cert), "--out", str(pdf)]) != 0
    told = capsys.readouterr().err
    assert "its own readings do not give it: curve.tension[1]" in told
    assert not pdf.exists()


def test_superseding_keeps_the_old(table: Path, tmp_path: Path) -> None:
    cert = tmp_path / "cell.json"
    fitted = ["bench", "fit", str(table), *REFERENCE, "--out"]
    main([*fitted, str(cert), "--certificate-id", "first"])
    old = load_certificate(cert)
    main([*fitted, str(cert), "--certificate-id", "second"])
    new = load_certificate(cert)
    assert isinstance(new, ForceCertificate)
    assert new.certificate_id == "second"
    assert new.supersedes == old.digest
    kept = [p for p in tmp_path.iterdir() if ".superseded-" in p.name]
    assert len(kept) == 1
    assert load_certificate(kept[0]) == old
    other = tmp_path / "other.json"
    main([*fitted, str(other), "--supersedes", str(cert)])
    third = load_certificate(other)
    assert isinstance(third, ForceCertificate)
    assert third.supersedes == new.digest
    assert cert.exists()


def test_no_other_file_is_overwritten(
    table: Path, tmp_path: Path, capsys: pytest.CaptureFixture[str]
) -> None:
    other = tmp_path / "diary.txt"
    other.write_text("dear diary")
    assert main(["bench", "fit", str(table), "--out", str(other)]) == 2
    assert other.read_text() == "dear diary"
    assert "give another name" in capsys.readouterr().err


@pytest.mark.parametrize(
    "words",
    [
        ["bench", "fit", "nowhere.csv"],
        ["bench", "verify", "nowhere.json"],
        ["bench", "fit", "{table}", "--degree", "9"],
        ["bench", "fit", "{table}", "--capacity-kN", "5", "--out", "x.json"],
        ["bench", "fit", "{table}", "--element", "rubber band"],
        ["bench", "fit", "{table}", "--issued", "soon"],
        ["bench", "fit", "{table}", "--out", "no/such/folder/x.json"],
        ["bench", "pdf", "{table}", "--out", "x.pdf"],
        ["bench", "run", "new.bench"],
        ["bench", "run", "new.bench", "--capacity-kN", "5", "--reference-channel", "ch1"],
        [
            "bench",
            "run",
            "new.bench",
            "--capacity-kN",
            "5",
            "--reference-channel",
            "ch0",
            "--reference-cell",
            "x.json",
        ],
    ],
)
def test_bad_use_is_one_line_and_exit_two(
    words: list[str],
    table: Path,
    tmp_path: Path,
    capsys: pytest.CaptureFixture[str],
    monkeypatch: pytest.MonkeyPatch,
) -> None:
    monkeypatch.chdir(tmp_path)
    assert main([w.replace("{table}", str(table)) for w in words]) == 2
    err = capsys.readouterr().err
    assert err.startswith("testcar bench: ")
    assert err.count("\n") == 1
    assert "internal error" not in err
    assert not (tmp_path / "x.json").exists()


def test_a_certificate_without_readings_is_not_verified(
    tmp_path: Path, capsys: pytest.CaptureFixture[str]
) -> None:
    cert = tmp_path / "plain.json"
    plain = ForceCertificate.from_coefficients((0.0, 1e-4), capacity_kN=500.0)
    cert.write_text(dump_certificate(plain))
    assert main(["bench", "verify", str(cert)]) == 2
    assert "holds no readings" in capsys.readouterr().err
    assert main(["bench", "pdf", str(cert), "--out", str(tmp_path / "x.pdf")]) == 2


# ------------------------------------------------------------------- run


def script_for(path: Path, *, stop_after: int | None = None) -> None:
    """Answers of a person who reads an indicator by eye."""
    rng = np.random.default_rng(8)
    lines = ["# answers", "temperature 21.5"]
    for step in make_plan(capacity_kN=500.0, steps=10)[:stop_after]:
        counts = 1000 + 8000 * step.applied_kN + rng.normal(0, 40)
        words = f"{counts:.0f}" if step.unloaded else f"{step.applied_kN:g} {counts:.0f}"
        lines.append(words)
    path.write_text("\n".join(lines) + "\n")


def test_a_typed_session_stops_goes_on_and_ends_in_a_certificate(
    tmp_path: Path, capsys: pytest.CaptureFixture[str]
) -> None:
    session, script, cert = (tmp_path / n for n in ("cell.bench", "answers.txt", "cell.json"))
    script_for(script, stop_after=8)
    words = ["bench", "run", str(session), "--capacity-kN", "500", "--script", str(script),
             "--out", str(cert), "--csv", str(tmp_path / "r.csv"), *REFERENCE]  # fmt: skip
    assert main(words) == 0
    assert "8 of" in capsys.readouterr().out
    assert not cert.exists()
    script_for(script)
    rest = script.read_text().splitlines()
    again = [
        *rest[:2],
        "repeat 8 looked at the wrong indicator",
        rest[9],
        *rest[10:],
        "note calm",
    ]
    script.write_text("\n".join(again) + "\n")
    assert main(words) == 0
    assert "going on, 8 of" in capsys.readouterr().out
    assert main(["bench", "verify", str(cert)]) == 0
    certificate = load_certificate(cert)
    assert isinstance(certificate, ForceCertificate)
    assert certificate.details["results"]["n_superseded"] == 1
    assert certificate.tension.coefficients[1] == pytest.approx(1 / 8000, rel=1e-4)
    assert main(["bench", "fit", str(tmp_path / "r.csv"), "--json"]) == 0


def test_a_wrong_answer_names_the_script_and_its_line(
    tmp_path: Path, capsys: pytest.CaptureFixture[str]
) -> None:
    script = tmp_path / "answers.txt"
    script.write_text("# first\n1000\n-500 4001000\n")
    words = ["bench", "run", str(tmp_path / "c.bench"), "--capacity-kN", "500",
             "--script", str(script)]  # fmt: skip
    assert main(words) == 2
    err = capsys.readouterr().err
    assert "answers.txt line 3: applied_kN is -500.0" in err
    with BenchSession.open(tmp_path / "c.bench") as session:
        assert len(session.taken) == 1


def test_a_guided_session_on_a_driver_with_a_reference_cell(
    tmp_path: Path, monkeypatch: pytest.MonkeyPatch, capsys: pytest.CaptureFixture[str]
) -> None:
    """Every step taken live; the reference cell on the second channel gives the force."""
    press = Press()
    start = BenchSession.start_reading

    def follow(self: BenchSession, **words: float) -> object:
        step = self.current
        assert step is not None
        press.hold(step.applied_kN)
        return start(self, **words)

    monkeypatch.setattr(BenchSession, "start_reading", follow)
    monkeypatch.setattr(
        "recorder.command_line.bench.bench_session.open_driver", lambda *_, **__: press
    )
    reference = tmp_path / "reference.json"
    made = ForceCertificate.from_coefficients(
        (0.0, 1e-4), capacity_kN=600.0, u_relative=1e-4, certificate_id="ref 7"
    )
    reference.write_text(dump_certificate(made))
    script = tmp_path / "answers.txt"
    script.write_text("take\n" * 24)
    words = ["bench", "run", str(tmp_path / "live.bench"), "--port", "press", "--capacity-kN",
             "500", "--script", str(script), "--seconds", "0.2", "--window-s", "0.2",
             "--settle-seconds", "5", "--preloads", "0", "--positions", "0", "--rising-only",
             "--reference-channel", "ch1", "--reference-cell", str(reference),
             "--drift-counts", "1e9", "--noise-counts", "1e9"]  # fmt: skip
    monkeypatch.setattr("recorder.command_line.bench.bench_opening.make_plan", short_plan)
    assert main(words) == 0
    out = capsys.readouterr().out
    assert "certificate ref 7" in out
    assert press.closed
    with BenchSession.open(tmp_path / "live.bench") as session:
        assert session.current is None
        assert session.settings.reference_U_pct == pytest.approx(0.02, rel=1e-3)
        part = session.evaluate().senses[0]
        assert part.working.coefficients[1] == pytest.approx(1 / 8000, rel=1e-6)


def frame(sequence: int, counts: int) -> bytes:
    """One load-cell frame of a single channel, from the protocol's table."""
    body = struct.pack("<BBHIIII", 1, 1, 20, sequence, sequence * 20_000, 1000, 1_000_000)
    body += counts.to_bytes(3, "little", signed=True) * 20
    return b"\xa7\x5c" + body + struct.pack("<I", zlib.crc32(body))


def test_a_reading_on_a_real_port_with_the_real_driver(
    tmp_path: Path, capsys: pytest.CaptureFixture[str]
) -> None:
    stop = threading.Event()
    with socket.create_server(("127.0.0.1", 0)) as server:
        port = server.getsockname()[1]

        def serve() -> None:
            connection, _ = server.accept()
            with connection, contextlib.suppress(OSError):
                sequence = 0
                while not stop.wait(0.001):
                    connection.sendall(frame(sequence, 1000))
                    sequence += 1

        thread = threading.Thread(target=serve)
        thread.start()
        script = tmp_path / "answers.txt"
        script.write_text("take\nquit\n")
        words = ["bench", "run", str(tmp_path / "c.bench"), "--capacity-kN", "500", "--script",
                 str(script), "--port", f"tcp://127.0.0.1:{port}", "--seconds", "0.5",
                 "--window-s", "0.2", "--settle-seconds", "5"]  # fmt: skip
        code = main(words)
        stop.set()
        thread.join(10.0)
    assert code == 0, capsys.readouterr().err
    assert "1000.0 counts, sd 0.0" in capsys.readouterr().out


def test_a_port_that_is_not_there_is_one_line(
    tmp_path: Path, capsys: pytest.CaptureFixture[str]
) -> None:
    words = ["bench", "run", str(tmp_path / "c.bench"), "--capacity-kN", "500",
             "--port", str(tmp_path / "ttyNONE")]  # fmt: skip
    assert main(words) == 2
    err = capsys.readouterr().err
    assert err.startswith("testcar bench: bench cell: ")
    assert "internal error" not in err


def short_plan(**words: object) -> object:
    """The plan without the waits of a real press."""
    from dataclasses import replace

    # Any field by its name.
    return tuple(replace(s, settle_s=0.0) for s in make_plan(**words))  # type: ignore[arg-type]

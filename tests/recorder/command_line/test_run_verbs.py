"""The verbs that take a run file: forms, exit codes, one line an error."""

from __future__ import annotations

import json
import shutil
from pathlib import Path

import pytest

from recorder.command_line.main import main
from recorder.keeping.journal import Journal
from recorder.keeping.seal import seal
from tests.recorder.made_runs import MadeRun, header, made_run
from tests.recorder.run.checks.health_cases import Train


@pytest.fixture(scope="module")
def made() -> MadeRun:
    return made_run(8.0)


@pytest.fixture(scope="module")
def sealed(made: MadeRun, tmp_path_factory: pytest.TempPathFactory) -> Path:
    run = tmp_path_factory.mktemp("verbs") / "run.h5"
    seal(made.filed(run), run)
    return run


def test_info_as_json(sealed: Path, made: MadeRun, capsys: pytest.CaptureFixture[str]) -> None:
    assert main(["info", str(sealed), "--json"]) == 0
    told = json.loads(capsys.readouterr().out)
    assert told["run_id"] == made.header.run_id
    assert told["complete"] is True
    assert told["duration_s"] == 8.5
    assert told["started_utc"].startswith("2026-02-02T02:")
    assert told["devices"]["cell"]["records"] == 16_000
    assert told["devices"]["cell"]["rate_hz"] == pytest.approx(2000.0, rel=1e-3)
    assert told["devices"]["cell"]["gaps"] == 1
    assert told["devices"]["cell"]["lost_records"] == 20
    assert told["channels"]["pull"]["unit"] == "kN"
    assert told["channels"]["pull"]["min"] == pytest.approx(100.0, abs=0.01)
    assert told["channels"]["pull"]["max"] == pytest.approx(150.0, abs=0.01)
    assert told["channels"]["pull"]["n"] == 16_000
    assert told["marks"]["kinds"] == {"milepost": 1, "remark": 1}
    assert told["certificates"]["certs/cell.json"]["expires"] == "2027-01-01"
    assert told["certificates"]["certs/cell.json"]["expired"] is False
    assert told["digest"].startswith("sha256:")
    assert told["gaps"][0]["cause"] == "checksum"
    assert told["utc"]["source"] == "pulse per second"


def test_info_in_words(sealed: Path, capsys: pytest.CaptureFixture[str]) -> None:
    assert main(["info", str(sealed)]) == 0
    told = capsys.readouterr().out
    assert "sealed" in told
    assert "channel pull: 16,000 samples" in told
    assert "gap of cell" in told


def test_info_lists_what_was_not_sound(
    tmp_path: Path, capsys: pytest.CaptureFixture[str]
) -> None:
    train = Train(seconds=60.0, stands_s=(-90.0, -80.0))
    t, counts = train.column("cell", "ch0")
    counts[(t >= 30.0) & (t < 40.0)] = 777
    path = tmp_path / "run.h5"
    train.keep(path)
    assert main(["info", str(path)]) == 0
    assert (
        "not sound: pull stuck, 30.0 to 40.0 s: the very same count" in capsys.readouterr().out
    )
    assert main(["info", str(path), "--json"]) == 0
    (told,) = json.loads(capsys.readouterr().out)["channel_health"]
    assert (told["fault"], told["channels"], told["samples"]) == ("stuck", ["pull"], 2000)


def test_verify_says_sound(sealed: Path, capsys: pytest.CaptureFixture[str]) -> None:
    assert main(["verify", str(sealed)]) == 0
    sound, began, *_ = capsys.readouterr().out.splitlines()
    assert sound.endswith("sound")
    # Bytes as they were sealed do not make a clock right: how it is known is said beside.
    assert began.startswith("began 2026-02-02T02:39:59")
    assert main(["verify", str(sealed), "--json"]) == 0
    assert json.loads(capsys.readouterr().out)["sound"] is True


def test_verify_says_damaged(
    sealed: Path, tmp_path: Path, capsys: pytest.CaptureFixture[str]
) -> None:
    raw = bytearray(sealed.read_bytes())
    raw[len(raw) // 2] ^= 1
    bad = tmp_path / "run.h5"
    bad.write_bytes(raw)
    assert main(["verify", str(bad)]) == 1
    lines = capsys.readouterr().err.splitlines()
    assert lines
    assert all(line.startswith(f"testcar verify: {bad}: ") for line in lines)
    bad.write_bytes(raw[: len(raw) // 3])
    assert main(["verify", str(bad)]) == 1
    capsys.readouterr()


@pytest.mark.parametrize("verb", ["info", "export", "report", "compare", "replay"])
@pytest.mark.parametrize("where", ["the middle", "the closing line"])
def test_nothing_is_worked_from_a_damaged_run(
    sealed: Path, tmp_path: Path, capsys: pytest.CaptureFixture[str], verb: str, where: str
) -> None:
    raw = bytearray(sealed.read_bytes())
    raw[len(raw) // 2 if where == "the middle" else -3] ^= 0x40
    bad = tmp_path / "run.h5"
    bad.write_bytes(raw)
    files = [str(bad), str(sealed)] if verb == "compare" else [str(bad)]
    more = ["--out", str(tmp_path / "out")] if verb in ("export", "report", "replay") else []
    assert main([verb, *files, *more]) == 2
    lines = capsys.readouterr().err.splitlines()
    assert len(lines) == 1
    assert lines[0].startswith(f"testcar {verb}: {bad}: damaged: ")
    assert not (tmp_path / "out").exists()


@pytest.mark.parametrize("verb", ["info", "verify", "export"])
@pytest.mark.parametrize("content", [None, b"", b"not a run\n" * 100])
def test_what_is_no_run_is_one_line(
    tmp_path: Path, capsys: pytest.CaptureFixture[str], verb: str, content: bytes | None
) -> None:
    path = tmp_path / "x.h5"
    if content is not None:
        path.write_bytes(content)
    more = ["--out", str(tmp_path / "out")] if verb == "export" else []
    assert main([verb, str(path), *more]) == 2
    lines = capsys.readouterr().err.splitlines()
    assert len(lines) == 1
    assert str(path) in lines[0]


def test_export_writes_the_tables(
    sealed: Path, tmp_path: Path, capsys: pytest.CaptureFixture[str]
) -> None:
    out = tmp_path / "deep" / "tables"
    words = ["export", str(sealed), "--format", "csv", "--out", str(out)]
    assert main(words) == 0
    assert "pull.csv" in capsys.readouterr().out
    assert (out / "pull.csv").read_text("ascii").startswith("time_s,pull_kN,counts,flags\n")
    assert (out / "marks.csv").exists()
    assert main(words) == 2
    assert "is there already" in capsys.readouterr().err
    assert main([*words, "--replace"]) == 0


class TestRecover:
    def test_a_journal_left_behind(
        self, tmp_path: Path, made: MadeRun, capsys: pytest.CaptureFixture[str]
    ) -> None:
        journal = tmp_path / "run.h5.journal"
        made.journal(journal)
        out = tmp_path / "again.h5"
        assert main(["recover", str(journal), "--out", str(out)]) == 0
        told = capsys.readouterr().out
        assert "recovered 8.5 s" in told
        assert "is kept" in told
        assert journal.exists()
        assert main(["verify", str(out)]) == 0
        capsys.readouterr()
        assert main(["recover", str(journal), "--out", str(out)]) == 2
        assert "is this very run, sealed" in capsys.readouterr().err

    def test_what_is_no_journal(
        self, tmp_path: Path, sealed: Path, capsys: pytest.CaptureFixture[str]
    ) -> None:
        out = str(tmp_path / "again.h5")
        garbage = tmp_path / "garbage"
        garbage.write_bytes(b"\x00" * 100)
        copy = tmp_path / "run.h5"
        shutil.copy(sealed, copy)
        for path in (tmp_path / "none", garbage, copy, tmp_path):
            assert main(["recover", str(path), "--out", out]) == 2
            lines = capsys.readouterr().err.splitlines()
            assert len(lines) == 1
            assert str(path) in lines[0]
        assert not Path(out).exists()

    def test_a_living_recording(
        self, tmp_path: Path, capsys: pytest.CaptureFixture[str]
    ) -> None:
        with Journal.create(tmp_path / "j", header()):
            assert main(["recover", str(tmp_path / "j"), "--out", str(tmp_path / "x.h5")]) == 2
        assert "stop the recording first" in capsys.readouterr().err


def test_a_name_that_is_not_there_or_is_taken_is_told_with_what_to_do(
    sealed: Path, tmp_path: Path, capsys: pytest.CaptureFixture[str]
) -> None:
    none = tmp_path / "none.h5"
    assert main(["verify", str(none)]) == 2
    assert "; check the name and the folder" in capsys.readouterr().err
    run = tmp_path / "run.h5"
    shutil.copy(sealed, run)
    asked = ["verify", "--ask-time-stamp", str(run)]
    assert main(asked) == 0
    capsys.readouterr()
    assert main(asked) == 2
    told = capsys.readouterr().err.splitlines()
    assert told[-1].endswith("; no file is overwritten: move it aside, or choose another name")

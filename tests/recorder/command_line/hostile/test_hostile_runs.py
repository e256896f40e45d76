"""Every verb that opens a run file refuses one that is damaged, or that no recorder wrote."""

from __future__ import annotations

import shutil
import sys
from pathlib import Path

import pytest

from recorder.command_line.main import main
from tests.recorder.run_file.hdf5.hostile_files import made_hostile

VERBS: dict[str, tuple[str, ...]] = {
    "info": (),
    "verify": (),
    "verify --deep": (),
    "place": ("--route", "route.csv"),
    "report": ("--out", "report"),
    "export": ("--out", "tables"),
    "replay": ("--tcp",),
    "marks": (),
    "marks list": (),
    "zeros": (),
    "clock": ("--device", "cell"),
    "compare": ("run.h5",),
}
"""By verb (and its option): what else it needs."""


@pytest.mark.parametrize("verb", VERBS)
@pytest.mark.parametrize("harm", ["rows in another file", "a flipped bit"])
def test_it_is_refused_in_one_line(
    sealed: Path,
    tmp_path: Path,
    verb: str,
    harm: str,
    capsys: pytest.CaptureFixture[str],
    monkeypatch: pytest.MonkeyPatch,
) -> None:
    monkeypatch.chdir(tmp_path)
    run = Path(shutil.copy(sealed, "run.h5"))
    if harm == "a flipped bit":
        changed = bytearray(run.read_bytes())
        changed[len(changed) // 2] ^= 1
        run.write_bytes(changed)
    else:
        made_hostile(run, harm)
    name, *options = verb.split()
    code = main([name, str(run), *options, *VERBS[verb]])
    told = capsys.readouterr()
    assert code == (1 if name == "verify" else 2)
    words = told.err or told.out
    assert "damaged" in words or "in another file" in words
    assert "internal error" not in words
    assert len(told.err.splitlines()) <= (2 if name == "verify" else 1)
    assert not any(Path(made).exists() for made in ("report", "tables", "run.h5.notes"))


@pytest.mark.skipif(sys.platform != "linux", reason="names of any bytes as Linux has them")
def test_a_run_whose_name_is_no_text_is_added_to_and_read(
    sealed: Path, tmp_path: Path, capsys: pytest.CaptureFixture[str]
) -> None:
    run = str(shutil.copy(sealed, tmp_path / "run \udcff.h5"))
    assert main(["marks", run, "add", "milepost", "3", "42", "--by", "A. Crew"]) == 0
    for words in (["info", run], ["verify", run], ["marks", run, "list"], ["notes", run]):
        capsys.readouterr()
        assert main(words) == 0
        told = capsys.readouterr()
        assert not told.err
        told.out.encode("utf-8")

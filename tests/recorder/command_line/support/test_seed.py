"""A train is asked for by a number that there is a train of."""

from __future__ import annotations

from pathlib import Path

import pytest

from recorder.command_line.main import main


@pytest.mark.parametrize("verb", ["demo", "feed"])
@pytest.mark.parametrize("seed", ["-1", "1.5", "x"])
def test_a_number_of_no_train_is_refused_before_anything_is_made(
    verb: str, seed: str, tmp_path: Path, capsys: pytest.CaptureFixture[str]
) -> None:
    out = tmp_path / "out"
    with pytest.raises(SystemExit) as ended:
        main([verb, "--seed", seed, "--seconds", "3", "--out", str(out)])
    assert ended.value.code == 2
    told = capsys.readouterr().err
    assert "--seed" in told
    assert "a whole number" in told
    assert "internal" not in told
    assert not out.exists()

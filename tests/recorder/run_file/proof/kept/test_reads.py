"""What does not read in a sealed file, with all digests made anew, contradicts it."""

from __future__ import annotations

import json
from collections.abc import Callable
from dataclasses import replace
from pathlib import Path
from typing import Any

import h5py
import numpy as np
import pytest

from recorder.analysis.proof.prove import prove_run
from recorder.command_line.main import main
from recorder.run.parts.errors import RunFileError
from recorder.run_file.hdf5.reader import open_run
from recorder.run_file.proof.kept.reads import prove_reads
from recorder.run_file.proof.parts.held import open_held
from recorder.run_file.proof.parts.proof import Check, Proof, State
from recorder.run_file.proof.whole.prove_file import prove_file
from recorder.run_file.seal.verify import verify_run
from tests.recorder import earlier_version
from tests.recorder.run_file.proof.honest_run import harmed, honest_run, retext, sealed_as

Harm = Callable[[h5py.File], None]


def text(path: str, words: str) -> Harm:
    return lambda file: retext(file, path, words)


def changed(path: str, change: Callable[[Any], None]) -> Harm:
    def harm(file: h5py.File) -> None:
        held = json.loads(file[path][0])
        change(held)
        retext(file, path, json.dumps(held))

    return harm


def of_nodes(name: str, value: float) -> Harm:
    def harm(file: h5py.File) -> None:
        rows = file["clock/utc"][:]
        rows[name] = value
        file["clock/utc"][:] = rows

    return harm


UNREADABLE: list[tuple[Harm, str]] = [
    (text("events/json", "null"), "events/json does not read"),
    (text("events/json", "[1, 2]"), "events/json does not read"),
    (changed("events/json", lambda o: o[1].update(t_s="x")), "row 2 of events/json does not"),
    (text("marks/json", "{}"), "marks/json does not read"),
    (changed("marks/json", lambda o: o[0].update(t_s=float("nan"))), "row 1 of marks/json"),
    (changed("gaps/json", lambda o: o[1].update(t_end_s=None)), "row 2 of gaps/json"),
    (text("clock/ticks", '{"cell":'), "clock/ticks does not read"),
    (changed("clock/ticks", lambda o: o.update(moon=[])), "do not tell of the same devices"),
    (changed("clock/ticks", lambda o: o.pop("cell")), "do not tell of the same devices"),
    (text("clock/utc_source", "null"), "clock/utc_source does not read"),
    (changed("clock/utc_source", lambda o: o.pop("judgement")), "what the witnesses said"),
    (of_nodes("t_s", np.nan), "clock/utc holds no nodes"),
    (of_nodes("u_s", -1.0), "clock/utc holds an uncertainty that is none"),
    (lambda file: file["clock/utc"].resize((0,)), "clock/utc holds no nodes"),
    (text("header/car_sheet", "[[["), "the car sheet does not read: not TOML"),
    (text("header/trip_sheet", "x = = 3"), "the trip sheet does not read: not TOML"),
    (text("header/route", "moon"), "the route does not read"),
]


@pytest.fixture
def said(capsys: pytest.CaptureFixture[str]) -> Callable[[], str]:
    def words() -> str:
        out = capsys.readouterr()
        return out.out + out.err

    return words


def reads(path: Path) -> list[Proof]:
    with open_held(path) as held:
        return list(prove_reads(held, lambda _part: None))


@pytest.mark.parametrize(("harm", "words"), UNREADABLE, ids=[w for _, w in UNREADABLE])
def test_it_is_contradicted_and_named(mine: Path, harm: Harm, words: str) -> None:
    (proof,) = reads(harmed(mine, harm))
    assert proof.state is State.CONTRADICTED
    assert words in proof.words


@pytest.mark.slow
@pytest.mark.parametrize(("harm", "words"), UNREADABLE, ids=[w for _, w in UNREADABLE])
def test_the_answer_is_no_and_not_wrong_use(
    mine: Path, harm: Harm, words: str, said: Callable[[], str]
) -> None:
    harmed(mine, harm)
    assert main(["verify", "--deep", str(mine)]) == 1
    told = said()
    assert words in told
    assert "a fault of the check itself" not in told


@pytest.mark.slow
def test_other_checks_point_to_what_is_told_above(mine: Path) -> None:
    proofs = prove_run(harmed(mine, text("events/json", "null"))).proofs
    assert [p.check for p in proofs if p.state is State.CONTRADICTED] == [Check.READS]
    events = next(p for p in proofs if p.check is Check.EVENTS)
    assert (events.state, "contradicted above" in events.words) == (State.NOT_PROVED, True)


SEALED = [
    "clock/utc",
    "clock/utc_source",
    "clock/ticks",
    "marks/json",
    "gaps/json",
    "events/json",
]


@pytest.mark.parametrize("path", SEALED)
def test_a_part_that_the_seal_makes_is_missed(
    mine: Path, path: str, said: Callable[[], str]
) -> None:
    def harm(file: h5py.File) -> None:
        del file[path]

    harmed(mine, harm)
    assert verify_run(mine) == [f"{path} is missing, every sealed file has it"]
    (first, *_) = prove_file(mine)
    assert (first.check, first.state) == (Check.DIGESTS, State.CONTRADICTED)
    assert main(["verify", "--deep", str(mine)]) == 1
    said()
    assert main(["info", str(mine)]) == 2
    told = said()
    assert path in told
    assert "earlier version" not in told


def test_a_duration_that_is_none_is_missed(mine: Path) -> None:
    def harm(file: h5py.File) -> None:
        del file.attrs["duration_s"]

    found = verify_run(harmed(mine, harm))
    assert found == ["the attribute duration_s of / is missing, every sealed file has it"]


@pytest.mark.parametrize("path", ["cell/pull_flags", "cell/time_s", "wheel/raw_count", "cell"])
def test_a_column_that_is_missing_is_a_finding(mine: Path, path: str) -> None:
    def harm(file: h5py.File) -> None:
        del file[f"devices/{path}"]

    (finding,) = verify_run(harmed(mine, harm))
    assert path in finding


def test_flags_that_are_numbers_of_another_kind_are_a_finding(mine: Path) -> None:
    def harm(file: h5py.File) -> None:
        n = len(file["devices/cell/pull_flags"])
        del file["devices/cell/pull_flags"]
        file.create_dataset("devices/cell/pull_flags", data=np.zeros(n), chunks=(n,))

    (finding,) = verify_run(harmed(mine, harm))
    assert "cell/pull_flags is float64" in finding


@pytest.mark.parametrize("verb", ["info", "verify", "report", "export"])
def test_a_header_of_no_devices_is_refused_in_one_line(
    mine: Path, verb: str, said: Callable[[], str], tmp_path: Path
) -> None:
    harmed(mine, changed("header/run", lambda o: o.update(devices=[])))
    with pytest.raises(RunFileError, match="the file holds cell, gnss, wheel"):
        open_run(mine)
    out = ["--out", str(tmp_path / "out")] if verb in ("report", "export") else []
    assert main([verb, str(mine), *out]) == (1 if verb == "verify" else 2)
    told = said()
    assert "of which header/run does not tell" in told
    assert "internal error" not in told


@pytest.mark.parametrize("path", ["marks/json", "events/json", "clock/utc_source"])
def test_the_quick_check_calls_no_file_sound_that_does_not_read(
    mine: Path, path: str, said: Callable[[], str]
) -> None:
    assert main(["verify", str(harmed(mine, text(path, "null")))]) == 1
    assert f"does not read: {path} does not read" in said()


def test_a_sheet_of_another_version_may_hold_what_this_one_does_not_know(
    tmp_path: Path,
) -> None:
    run = honest_run(car_sheet="[moon]\nphase = 1\n")
    run = replace(run, header=replace(run.header, software="testcar 0.0.1+gold"))
    proved, sheet = reads(sealed_as(run, tmp_path / "run.h5"))
    assert (proved.state, sheet.state) == (State.PROVED, State.NOT_PROVED)
    assert "may have known what this version does not" in sheet.words


def test_the_first_version_reads(tmp_path: Path) -> None:
    path = earlier_version.sealed_run(tmp_path)
    assert reads(path)[0].state is State.PROVED
    assert verify_run(path) == []

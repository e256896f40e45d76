"""Whatever is changed in a sealed run, with all digests made anew, is found by the right check."""

from __future__ import annotations

import json
from collections.abc import Callable
from dataclasses import replace
from pathlib import Path

import h5py
import pytest

from recorder.run_file.proof.parts.proof import Check, Proof, State
from recorder.run_file.proof.whole.prove_file import prove_file
from recorder.run_file.seal.verify import verify_run
from tests.recorder import earlier_version
from tests.recorder.made_runs import MadeRun
from tests.recorder.run_file.proof.harm import HARM, a_coefficient, a_value
from tests.recorder.run_file.proof.honest_run import (
    CELL_BLOCK,
    CELL_HOLE,
    harmed,
    honest_run,
    retext,
    sealed_as,
)


def contradicted(proofs: list[Proof]) -> set[tuple[Check, str]]:
    return {(p.check, p.of) for p in proofs if p.state is State.CONTRADICTED}


def words_of(proofs: list[Proof], check: Check) -> str:
    return " ".join(p.words for p in proofs if p.check is check)


def test_an_honest_run_proves_clean(honest: Path) -> None:
    parts: list[float] = []
    proofs = prove_file(honest, progress=lambda part, _what: parts.append(part))
    assert contradicted(proofs) == set()
    assert parts == sorted(parts)
    assert 0.0 <= parts[0] <= parts[-1] <= 1.0
    proved = {(p.check, p.of) for p in proofs if p.state is State.PROVED}
    assert proved == {
        (Check.DIGESTS, ""), (Check.READS, ""), (Check.HEADER, ""),
        (Check.GAPS, "cell"), (Check.GAPS, "wheel"), (Check.SENTENCES, "gnss"),
        (Check.RECORDS, "cell"), (Check.RECORDS, "wheel"), (Check.RECORDS, "gnss"),
        (Check.TICKS, "cell"), (Check.TICKS, "wheel"), (Check.TICKS, "gnss"),
        (Check.UTC, ""), (Check.HEALTH, ""),
        (Check.VALUES, "pull"), (Check.VALUES, "distance"), (Check.VALUES, "speed"),
        (Check.VALUES, "latitude"),
        (Check.OVERVIEWS, "pull"), (Check.OVERVIEWS, "distance"), (Check.OVERVIEWS, "speed"),
        (Check.OVERVIEWS, "latitude"),
        (Check.EVENTS, ""), (Check.MARKS, ""),
        (Check.CERTIFICATES, "certs/cell.json"),
    }  # fmt: skip
    assert {(p.check, p.of) for p in proofs if p.state is State.NOT_PROVED} == {
        (Check.GAPS, "gnss"), (Check.CERTIFICATES, "wheel"), (Check.CERTIFICATES, ""),
        # Its readings bear it out; but nobody named its serial number, or signed it.
        (Check.CERTIFICATES, "certs/cell.json"),
    }  # fmt: skip


def test_the_first_version_proves_all_but_what_was_made_up(tmp_path: Path) -> None:
    """Its gaps are one of every cause, beside records that go on without a hole, and its
    sentences have no checksum; both were made up for that run."""
    proofs = prove_file(earlier_version.sealed_run(tmp_path))
    assert contradicted(proofs) == {(Check.GAPS, "cell"), (Check.SENTENCES, "gnss")}
    assert {p.check for p in proofs if p.state is State.PROVED} >= {
        Check.DIGESTS, Check.HEADER, Check.TICKS, Check.VALUES, Check.OVERVIEWS,
        Check.EVENTS, Check.MARKS,
    }  # fmt: skip


@pytest.mark.slow
@pytest.mark.parametrize(
    ("harm", "found_by", "said"), HARM, ids=[harm.__name__.strip("_") for harm, _, _ in HARM]
)
def test_harm_with_new_digests_is_found_by_the_right_check(
    mine: Path,
    harm: Callable[[h5py.File], None],
    found_by: set[tuple[Check, str]],
    said: str,
) -> None:
    harmed(mine, harm)
    assert verify_run(mine) == []
    proofs = prove_file(mine)
    assert contradicted(proofs) == found_by
    assert any(said in words_of(proofs, check) for check, _ in found_by)


@pytest.mark.slow
def test_of_no_records_no_comparison_is_proved(tmp_path: Path) -> None:
    run = honest_run()
    empty = replace(run, blocks=[], events=run.events[:1])
    proofs = prove_file(sealed_as(empty, tmp_path / "run.h5"))
    compared = {
        Check.GAPS, Check.RECORDS, Check.SENTENCES, Check.VALUES, Check.HEALTH, Check.TICKS,
        Check.OVERVIEWS,
    }  # fmt: skip
    states = {(p.check, p.state) for p in proofs if p.check in compared}
    assert states == {(check, State.NOT_PROVED) for check in compared}
    assert "there is no value of it" in words_of(proofs, Check.VALUES)


def with_a_spike(run: MadeRun) -> MadeRun:
    """One sample of the cell far off its neighbours."""
    blocks = list(run.blocks)
    at = next(i for i, b in enumerate(blocks) if b.device == "cell" and b.sequence == 30)
    records = blocks[at].records.copy()
    records["ch0"][20] *= 3
    blocks[at] = replace(blocks[at], records=records)
    return replace(run, blocks=blocks)


@pytest.mark.slow
def test_a_run_with_an_unsound_channel_proves_clean_and_not_without_its_flag(
    tmp_path: Path,
) -> None:
    path = sealed_as(with_a_spike(honest_run()), tmp_path / "run.h5")
    proofs = prove_file(path)
    assert contradicted(proofs) == set()
    assert words_of(proofs, Check.HEALTH).startswith("1 episode of")

    def unflag(file: h5py.File) -> None:
        file["devices/cell/pull_flags"][30 * CELL_BLOCK + 20] = 0

    def forget(file: h5py.File) -> None:
        events = json.loads(file["events/json"][0])
        kept = [event for event in events if event["kind"] != "channel_health"]
        retext(file, "events/json", json.dumps(kept))

    assert contradicted(prove_file(harmed(path, unflag))) == {(Check.VALUES, "pull")}
    assert contradicted(prove_file(harmed(path, forget))) == {
        (Check.VALUES, "pull"),
        (Check.HEALTH, ""),
    }


def test_a_part_that_is_not_as_it_should_be_takes_no_other_check_down(mine: Path) -> None:
    """Digests are right, and what they guard is nonsense."""

    def nonsense(file: h5py.File) -> None:
        retext(file, "clock/utc_source", "[1, 2")
        retext(file, "clock/ticks", json.dumps({"cell": [{"source": 3}]}))

    proofs = prove_file(harmed(mine, nonsense))
    told = {p.check: p for p in proofs if p.state is State.NOT_PROVED and not p.of}
    assert "clock/utc_source does not read" in told[Check.UTC].words
    assert "clock/ticks does not read" in told[Check.TICKS].words
    proved = {p.check for p in proofs if p.state is State.PROVED}
    assert proved >= {Check.HEADER, Check.EVENTS, Check.MARKS, Check.HEALTH, Check.SENTENCES}


def test_without_new_digests_these_find_it_and_nothing_else_is_worked_on(mine: Path) -> None:
    with h5py.File(mine, "r+") as file:
        a_value(file)
    proofs = prove_file(mine)
    assert {p.check for p in proofs if p.state is State.CONTRADICTED} == {Check.DIGESTS}
    assert all(p.state is State.NOT_PROVED for p in proofs if p.check is not Check.DIGESTS)


@pytest.mark.slow
def test_a_certificate_that_does_not_read_leaves_values_not_proved(mine: Path) -> None:
    harmed(mine, a_coefficient)
    (values,) = [p for p in prove_file(mine) if p.check is Check.VALUES]
    assert values.state is State.NOT_PROVED
    assert "no value can be made again" in values.words


@pytest.mark.slow
def test_another_version_is_named_where_it_tied_otherwise(tmp_path: Path) -> None:
    """A tie within its own uncertainty is no contradiction when another version made it."""
    run = honest_run()
    run = replace(run, header=replace(run.header, software="testcar 0.0.1+gold"))
    path = sealed_as(run, tmp_path / "run.h5")
    assert contradicted(prove_file(path)) == set()
    with h5py.File(path, "r") as file:
        u_s = json.loads(file["clock/ticks"][0])["cell"][0]["u_s"]

    def shift(file: h5py.File) -> None:
        file["devices/cell/time_s"][:] += max(0.5 * u_s, 2e-6)
        gaps = json.loads(file["gaps/json"][0])
        for gap in gaps:
            if gap["device"] == "cell":
                at = gap["before_record"]
                held = file["devices/cell/time_s"][at - 1 : at + 1]
                gap["t_start_s"], gap["t_end_s"] = held.tolist()
        retext(file, "gaps/json", json.dumps(gaps))

    proofs = prove_file(harmed(path, shift))
    ticks = next(p for p in proofs if p.check is Check.TICKS and p.of == "cell")
    assert ticks.state is State.NOT_PROVED
    assert "within twice the uncertainty stated" in ticks.words
    assert "tied by testcar 0.0.1+gold" in ticks.words
    assert CELL_HOLE

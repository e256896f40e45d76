"""The guided session at the prompt: units, doubts, waits; and scripts of anything at all."""

from __future__ import annotations

from collections.abc import Sequence
from pathlib import Path

import pytest
from hypothesis import given, settings
from hypothesis import strategies as st

from calibration.bench.bench_reading import TakenReading
from calibration.bench.session import BenchSession
from calibration.certificates.certificate import load_certificate
from calibration.certificates.force import ForceCertificate
from calibration.readings.reading_doubts import Doubt
from recorder.command_line.main import main

SHORT = ("--positions", "0", "--steps", "4", "--preloads", "0")


def run(tmp_path: Path, answers: Sequence[str], *words: str) -> int:
    script = tmp_path / "answers.txt"
    script.write_text("\n".join(answers) + "\n", encoding="utf-8")
    session = str(tmp_path / "c.bench")
    return main(["bench", "run", session, "--capacity-kN", "400", *SHORT, "--script",
                 str(script), *words])  # fmt: skip


def taken(tmp_path: Path) -> tuple[TakenReading, ...]:
    with BenchSession.open(tmp_path / "c.bench") as session:
        return session.taken


@pytest.mark.parametrize(
    ("answer", "expected_kN"),
    [
        ("100 801000", 100.0),
        ("100 kN 801000", 100.0),
        ("22480.894 lbf 801000", 100.0),
        ("22.480894 kip 801000", 100.0),
        ("10.197162 tf 801000", 100.0),
        ("100kN 801000 counts", 100.0),
    ],
)
def test_a_force_typed_with_its_unit_is_that_force(
    tmp_path: Path, answer: str, expected_kN: float
) -> None:
    assert run(tmp_path, ["1000", answer]) == 0
    assert taken(tmp_path)[1].applied_kN == pytest.approx(expected_kN, rel=1e-6)


def test_the_unit_that_was_forgotten_is_refused(
    tmp_path: Path, capsys: pytest.CaptureFixture[str]
) -> None:
    """187.9 lbf are 0.8358 kN: no step of this plan."""
    assert run(tmp_path, ["1000", "187.9 lbf 801000"]) == 2
    assert "line 2: applied_kN is 0.835821, step 2 asks for 100" in capsys.readouterr().err


def test_a_session_in_pounds_shows_both_units(
    tmp_path: Path, capsys: pytest.CaptureFixture[str]
) -> None:
    assert run(tmp_path, ["1000", "22480.9 801000"], "--force-unit", "lbf") == 0
    out = capsys.readouterr().out
    assert "22480.9 lbf (100 kN)" in out
    assert taken(tmp_path)[1].applied_kN == pytest.approx(100.0, rel=1e-5)


@pytest.mark.parametrize(
    ("answers", "words"),
    [
        (["1000 furlong"], "the reading is in 'furlong'"),
        (["1000", "100 furlong 801000"], "'furlong' is not a unit of force; allowed: "),
        (["1000", "100"], "answer 'FORCE READING'"),
        (["1000", "1 2 3"], "answer 'FORCE READING'"),
        (["5 kN 1000"], "step 1 is unloaded, the force typed is 5 kN"),
        (["fnord"], "'fnord' is no word here; known: repeat, skip, note"),
        (["temperature 70"], "write its unit, 70 C or 70 F"),
        (["temperature 21 psi"], "'psi' is not a unit of temperature"),
        (["temperature 900 C"], "temperature_C must be -80 to 150"),
        (["accept all of it"], "no reading is held back"),
        (["hurry"], "needs its reason"),
        (["1000", "100 801000", "200 801000"], "the counts stand at 801000"),
    ],
)
def test_what_cannot_be_is_refused_in_one_line(
    tmp_path: Path, answers: list[str], words: str, capsys: pytest.CaptureFixture[str]
) -> None:
    assert run(tmp_path, answers) == 2
    err = capsys.readouterr().err
    assert f"answers.txt line {len(answers)}: " in err
    assert words in err
    assert err.count("\n") == 1


def test_temperatures_are_typed_in_their_unit(tmp_path: Path) -> None:
    assert run(tmp_path, ["temperature 70 F", "1000", "temperature 21,5", "100 801000"]) == 0
    assert taken(tmp_path)[0].temperature_C == pytest.approx(21.1111, abs=1e-4)
    assert taken(tmp_path)[1].temperature_C == 21.5


def test_a_reading_held_back_in_a_script_is_accepted_by_its_next_line(
    tmp_path: Path, capsys: pytest.CaptureFixture[str]
) -> None:
    answers = ["1000", "100 801000", "200 1501000", "accept the pump slipped"]
    assert run(tmp_path, answers) == 0
    assert "held back: step 3: the cell reads 187.5 kN" in capsys.readouterr().out
    third = taken(tmp_path)[2]
    assert third.doubts == (Doubt.OTHER_FORCE, Doubt.BY_EYE)
    assert third.accepted_because == "the pump slipped"


def test_a_reading_held_back_at_the_end_of_a_script_is_no_success(tmp_path: Path) -> None:
    assert run(tmp_path, ["1000", "100 801000", "200 1501000"]) == 2
    assert len(taken(tmp_path)) == 2


def whole(extra: dict[int, str]) -> list[str]:
    """Answers to two rising series of four forces; some with another force than typed."""
    answers, number = [], 0
    for _ in range(2):
        for force in (0, 100, 200, 300, 400, 0):
            number += 1
            counts = 1000 + 8000 * force + 7 * number
            answers.append(extra.get(number) or (f"{force} {counts}" if force else f"{counts}"))
    return answers


def test_what_stood_against_a_reading_stands_on_the_certificate(
    tmp_path: Path, capsys: pytest.CaptureFixture[str]
) -> None:
    answers = whole({3: "200 1665000"})
    answers.insert(3, "accept the pump slipped")
    out = tmp_path / "cell.json"
    code = run(tmp_path, answers, "--out", str(out), "--reference-U-pct", "0.02",
               "--accept-rows", "2,3,8", "--accept-reason", "the pump slipped")  # fmt: skip
    assert code == 0, capsys.readouterr().err
    certificate = load_certificate(out)
    assert isinstance(certificate, ForceCertificate)
    cautions = certificate.details["results"]["cautions"]
    told = [words for words in cautions if "another force" in words]
    assert len(told) == 1
    assert told[0].startswith("1 reading (row 3)")
    assert told[0].endswith("taken all the same because: the pump slipped")
    assert any(words.startswith("12 readings (rows 1, 2, 3, 4, 5, 6 and 6 more): read from an"
                                " indicator by eye") for words in cautions)  # fmt: skip
    assert main(["bench", "verify", str(out)]) == 0


# ------------------------------------------------------------------- going on


@pytest.mark.parametrize(
    ("words", "named"),
    [
        (["--steps", "5"], "--steps 4, now 5"),
        (["--positions", "0", "120"], "--positions 0, now 0 120"),
        (["--senses", "compression"], "--senses tension, now compression"),
        (["--preloads", "3"], "--preloads 0, now 3"),
        (["--creep"], "--creep False, now True"),
        (["--rising-only"], "--rising-only"),
        (["--seconds", "3"], "--seconds 10.0, now 3.0"),
        (["--drift-counts", "7"], "--drift-counts 200.0, now 7.0"),
        (["--force-unit", "lbf"], "--force-unit kN, now lbf"),
        (["--channel", "ch3"], "--channel ch0, now ch3"),
        (["--reference-channel", "ch1"], "--reference-channel"),
        (["--capacity-kN", "500"], "--capacity-kN 400.0, now 500.0"),
        (["--cell", "another"], "--cell cell 9, now another"),
        (["--reference-U-pct", "0.1"], "--reference-U-pct not stated, now 0.1"),
        (["--service-temperature-C", "-10", "40"], "--service-temperature-C not stated"),
    ],
)
def test_going_on_with_other_options_is_refused_by_name(
    tmp_path: Path, words: list[str], named: str, capsys: pytest.CaptureFixture[str]
) -> None:
    assert run(tmp_path, ["1000"], "--cell", "cell 9") == 0
    capsys.readouterr()
    code = run(tmp_path, ["quit"], *words)
    if words == ["--rising-only"]:  # a plan of one position has no falling series anyway
        assert code == 0
        return
    assert code == 2
    err = capsys.readouterr().err
    assert named in err
    assert "leave" in err
    assert len(taken(tmp_path)) == 1


def test_going_on_with_the_same_options_or_none_is_going_on(tmp_path: Path) -> None:
    sheet = tmp_path / "bench.toml"
    sheet.write_text('cell = "cell 9"\n[standard]\nserial = "F-2"\nvalid_until = 2099-01-01\n')
    stated = ["--sheet", str(sheet), "--seconds", "4", "--service-temperature-C", "-10", "40"]
    assert run(tmp_path, ["1000"], *stated) == 0
    assert run(tmp_path, ["100 801000"], *stated) == 0
    script = tmp_path / "answers.txt"
    script.write_text("200 1601000\n")
    assert main(["bench", "run", str(tmp_path / "c.bench"), "--script", str(script)]) == 0
    assert len(taken(tmp_path)) == 3
    sheet.write_text('cell = "cell 9"\n[standard]\nserial = "F-3"\n')
    assert run(tmp_path, ["quit"], *stated) == 2


# ------------------------------------------------------------------- anything at all

answers = st.one_of(
    st.sampled_from(
        ["take", "1000", "100 801000", "200 1601000", "300 2401000", "400 3201000",
         "accept because", "accept", "hurry it", "hurry", "repeat 1 again", "repeat 99 x",
         "repeat", "repeat x", "skip no time", "skip", "note rain", "note", "temperature 20 C",
         "temperature", "temperature -", "187.9 lbf 5", "42 tf 3300000", "finish", "quit",
         "-100 -799000", "# remark", "1e308 1e308", "8388607", "100 8388607", "0 1000"]
    ),
    st.text(max_size=12),
)  # fmt: skip


@given(st.lists(answers, max_size=14))
@settings(max_examples=25, deadline=None)
def test_any_script_ends_in_readings_or_in_one_line(
    tmp_path_factory: pytest.TempPathFactory, lines: list[str]
) -> None:
    """And what was taken before the line that was wrong is kept, each reading with its doubts."""
    folder = tmp_path_factory.mktemp("script")
    code = run(folder, [line.replace("\n", " ").replace("\r", " ") for line in lines])
    assert code in (0, 1, 2)
    for reading in taken(folder):
        stops = set(reading.doubts) - {Doubt.AS_PLANNED, Doubt.BY_EYE, Doubt.SHORT_WAIT}
        assert not stops or reading.accepted_because

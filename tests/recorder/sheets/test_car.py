"""The car sheet says what it says, and everything wrong with it is told in one line each."""

from __future__ import annotations

from pathlib import Path

import pytest

from recorder.sheets import SheetError, load_car_sheet, parse_car_sheet


def problems(text: str) -> tuple[str, ...]:
    with pytest.raises(SheetError) as caught:
        parse_car_sheet(text, source="car.toml")
    for line in caught.value.problems:
        assert line.startswith("car.toml")
        assert "\n" not in line
    return caught.value.problems


def test_everything_is_read(car_text: str, tmp_path: Path) -> None:
    path = tmp_path / "car.toml"
    path.write_text("\ufeff" + car_text, "utf-8")
    car = load_car_sheet(path)
    assert (car.name, car.number, car.units) == ("Dynamometer car Level", "4", "customary")
    assert car.time_zone == "Etc/GMT-1"
    drawbar, wheel = car.devices["drawbar"], car.devices["wheel"]
    assert drawbar.options == {"silence_limit_s": 1.5, "channels": 4}
    assert drawbar.expected_hz == 2000.0
    assert drawbar.channels["pull"].field == "ch0"
    assert drawbar.channels["reference"].field == "ch2"
    assert drawbar.channels["reference"].role == "reference"
    assert wheel.options == {"max_pulse_hz": 50000.0}
    assert car.keys == {"K": "milepost", "F5": "station"}
    assert (car.pens["pull"].low, car.pens["pull"].style) == (-200.0, "dashed")
    assert car.recording.zero_seconds == 4.0
    assert car.folder == tmp_path
    assert car.text == car_text
    place = car.certificate_path("certificates/cell.json")
    assert place == tmp_path / "certificates" / "cell.json"


def test_channels_are_counted_to_the_last_one_wired(car_text: str) -> None:
    car = parse_car_sheet(car_text.replace("channel_count = 4\n", ""))
    assert car.devices["drawbar"].options["channels"] == 3


def test_the_text_makes_the_same_sheet_again(car_text: str) -> None:
    car = parse_car_sheet(car_text)
    assert parse_car_sheet(car.text) == car


@pytest.mark.parametrize(
    ("old", "new", "words"),
    [
        ('driver = "load-cell-frames"', 'drver = "x"', "did you mean 'driver'"),
        (
            'driver = "load-cell-frames"',
            "driver = 7.5",
            "driver must be text in quotes, got 7.5",
        ),
        ('units = "customary"', 'units = "metrical"', "metric, customary, got 'metrical'"),
        ('units = "customary"', 'units = "metrical"', "did you mean 'metric'"),
        ('"Etc/GMT-1"', '"Etc/GTM-1"', "did you mean 'Etc/GMT-1'"),
        ('"Etc/GMT-1"', '"../../etc/passwd"', "time_zone must be"),
        ("silence_limit_s = 1.5", "silence_limit_s = -1", "above 0 and at most 3600, got -1"),
        ("silence_limit_s = 1.5", "silence_limit_s = nan", "must be a finite number"),
        ("silence_limit_s = 1.5", "silence_limit_s = true", "must be a number, got True"),
        ("channel_count = 4", "channel_count = 17", "whole number from 1 to 16, got 17"),
        ('field = "ch2"\n', "", "field is missing; allowed: ch0 to ch15"),
        ('name = "pull"', 'name = "reference"', "'reference' is used twice"),
        ('"tcp://127.0.0.1:5002"', '"/dev/serial/by-id/cell"', "a port serves one device"),
        ("[devices.wheel]", "[devices.Wheel]", "lower-case letters"),
        ('k = "milepost"', 'kk = "milepost"', "one character, F1 to F12 or Space"),
        ("high = 500", "high = -500", "high must be above low"),
        ("[recording]", "[recordings]", "did you mean 'recording'"),
        ("zero_seconds = 4", "zero_secs = 4", "did you mean 'zero_seconds'"),
        ("[car]", "[cars]", "table [car] is missing; did you mean 'cars'"),
        ("max_pulse_hz = 50000.0", "max_pulse_hz = [1]", "number, text, true or false"),
    ],
)
def test_what_is_wrong_is_told(car_text: str, old: str, new: str, words: str) -> None:
    assert old in car_text
    assert any(words in line for line in problems(car_text.replace(old, new, 1)))


def test_all_problems_are_told_at_once(car_text: str) -> None:
    text = car_text.replace("silence_limit_s = 1.5", "silence_limit_s = -1").replace(
        "high = 500", "high = -500"
    )
    found = problems(text)
    assert len(found) == 2
    with pytest.raises(SheetError, match=r"\(and 1 more\)"):
        parse_car_sheet(text)


def test_table_and_key_are_named(car_text: str) -> None:
    (line,) = problems(car_text.replace("silence_limit_s = 1.5", "silence_limit_s = 0"))
    assert line.startswith("car.toml [devices.drawbar]: silence_limit_s")


def test_no_device_is_told() -> None:
    (line,) = problems('[car]\nname = "x"\n')
    assert "no device" in line


def test_broken_toml_tells_where() -> None:
    (line,) = problems('[car]\nname = "x\n')
    assert "not TOML" in line
    assert "line 2" in line


def test_not_a_text_file(tmp_path: Path) -> None:
    path = tmp_path / "car.toml"
    path.write_bytes(b"[car]\nname = \xff\xfe")
    with pytest.raises(SheetError, match=r"car\.toml: row 2 is not UTF-8 text: not a sheet"):
        load_car_sheet(path)


def test_a_huge_file_is_not_read(tmp_path: Path) -> None:
    path = tmp_path / "car.toml"
    path.write_bytes(b"#" * (2**20 + 1))
    with pytest.raises(SheetError, match="larger than 1 MiB: not a sheet"):
        load_car_sheet(path)


def test_a_missing_file_is_an_os_error_with_its_name(tmp_path: Path) -> None:
    with pytest.raises(FileNotFoundError) as caught:
        load_car_sheet(tmp_path / "none.toml")
    assert str(caught.value.filename).endswith("none.toml")


HEAD = '[car]\nname = "x"\n[devices.clock]\ndriver = "nmea-0183"\nport = "/dev/clock"\n'


def test_timing_is_read_and_is_nothing_where_nothing_is_stated() -> None:
    timing = parse_car_sheet(
        HEAD
        + "[devices.clock.timing]\ndelay_s = 0.2\nu_delay_s = 0.01\npulses_checked = true\n"
    ).devices["clock"]
    assert timing.timing.delay_s == 0.2
    assert timing.timing.u_delay_s == 0.01
    assert timing.timing.pulses_checked
    assert parse_car_sheet(HEAD).devices["clock"].timing.delay_s is None


@pytest.mark.parametrize(
    ("more", "words"),
    [
        ("[devices.clock.timing]\ndelay_s = 0.2\n", "u_delay_s go together"),
        ("[devices.clock.timing]\ndelay_s = 0.2\nu_delay_s = 0\n", "u_delay_s"),
        ("[devices.clock.timing]\nlatency_s = -1\nu_latency_s = 0.1\n", "latency_s"),
        ("[recording]\nsimulated_speed = 1e-300\n", "simulated_speed"),
        ("[recording]\nsimulated_speed = 5000\n", "simulated_speed"),
    ],
)
def test_timing_that_cannot_be_is_told(more: str, words: str) -> None:
    assert words in " ".join(problems(HEAD + more))


def test_a_pair_of_which_one_is_wrong_is_not_said_to_be_half_given() -> None:
    (problem,) = problems(HEAD + "[devices.clock.timing]\ndelay_s = -1\nu_delay_s = 0.1\n")
    assert "delay_s must be at least 0 and at most 2, got -1" in problem


def test_an_unknown_key_like_no_other_is_told_with_those_allowed() -> None:
    (problem,) = problems(HEAD + "[devices.clock.timing]\nfrob = 1\n")
    assert "unknown key 'frob'; allowed: delay_s, latency_s," in problem

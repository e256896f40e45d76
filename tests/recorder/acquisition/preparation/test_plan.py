"""What would be recorded, and what keeps it from being recorded, before any port is opened."""

from __future__ import annotations

from collections.abc import Callable
from datetime import date
from pathlib import Path

import pytest

from calibration.certificates.certificate import dump_certificate
from calibration.certificates.force import ForceCertificate
from drivers.interface.registry import DRIVERS, description_of
from recorder.acquisition.preparation import plan as plan_module
from recorder.acquisition.preparation.plan import make_plan
from recorder.acquisition.preparation.planned import Plan
from recorder.run.parts.header import DeviceHeader
from recorder.sheets import SheetError, load_car_sheet, load_trip_sheet

WHEEL = """
[devices.wheel]
driver = "wheel-pulses"
port = "tcp://127.0.0.1:2"
certificate = "wheel.json"
[devices.clock]
driver = "nmea-0183"
port = "tcp://127.0.0.1:3"
"""
ON = date(2026, 5, 4)


@pytest.fixture
def plan_of(
    tmp_path: Path,
    make_sheets: Callable[..., tuple[Path, Path]],
    wheel_text: str,
) -> Callable[..., Plan]:
    """Makes sheets, lets them be spoilt, and plans."""

    def make(
        more: str = WHEEL,
        old: str = "",
        new: str = "",
        *,
        certificate: ForceCertificate | None = None,
        allow_expired: bool = False,
    ) -> Plan:
        (tmp_path / "wheel.json").write_text(wheel_text, "utf-8")
        car, trip = make_sheets(
            tmp_path, "tcp://127.0.0.1:1", more=more, certificate=certificate
        )
        text = car.read_text("utf-8")
        assert old in text
        car.write_text(text.replace(old, new, 1) if old else text, "utf-8")
        return make_plan(
            load_car_sheet(car), load_trip_sheet(trip), on=ON, allow_expired=allow_expired
        )

    return make


def beside_provable(plan: Plan) -> list[str]:
    """What is warned of but that the made-up certificate holds no readings to prove it by."""
    return [words for words in plan.warnings if "not provable: " not in words]


def test_channels_units_and_certificates(plan_of: Callable[..., Plan]) -> None:
    plan = plan_of()
    told = {
        (c.name, c.quantity, c.unit, c.field, c.certificate)
        for d in plan.devices
        for c in d.channels
    }
    assert ("pull", "pull", "kN", "ch0", "BENCH-7") in told
    assert ("distance", "distance", "m", "count", "WHEEL-3") in told
    assert ("speed", "speed", "m/s", "count", "WHEEL-3") in told
    assert ("latitude", "latitude", "deg", "latitude_deg", "") in told
    assert set(plan.texts) == {"BENCH-7", "WHEEL-3"}
    assert beside_provable(plan) == []
    assert plan.needs_zero
    assert plan.devices[0].layout.dtype.names == ("tick", "ch0", "ch1")
    # 2 kHz of two channels, raw kept twice: more than 40 and less than 120 bytes a record.
    assert 40 * 2000 * 3600 < plan.bytes_per_hour < 120 * 2000 * 3600


def test_in_words_and_in_json(plan_of: Callable[..., Plan]) -> None:
    plan = plan_of()
    lines = plan.describe()
    assert "  channel pull: pull in kN from ch0 by certificate BENCH-7" in lines
    assert plan.to_dict()["devices"][0]["channels"][0]["certificate"] == "BENCH-7"


def test_a_zero_the_sheet_knows_is_not_taken(plan_of: Callable[..., Plan]) -> None:
    assert not plan_of(
        "", 'quantity = "pull"', 'quantity = "pull"\nzero_counts = 12'
    ).needs_zero


def test_without_certificates_there_are_counts_and_a_warning(
    plan_of: Callable[..., Plan],
) -> None:
    plan = plan_of(
        WHEEL.replace('certificate = "wheel.json"\n', ""), 'certificate = "cell.json"'
    )
    units = {c.name: c.unit for d in plan.devices for c in d.channels}
    assert (units["pull"], units["pulses"]) == ("counts", "pulses")
    assert len(plan.warnings) == 2


def test_what_has_no_certificate_is_counts_whatever_it_is_called(
    plan_of: Callable[..., Plan],
) -> None:
    more = """
[devices.wheel]
driver = "wheel-pulses"
port = "tcp://127.0.0.1:2"
[devices.wheel.channels.distance]
[devices.wheel.channels.drag]
field = "count"
quantity = "pull"
[devices.wheel.channels.heat]
field = "flags"
quantity = "temperature"
[devices.clock]
driver = "nmea-0183"
port = "tcp://127.0.0.1:3"
[devices.clock.channels.seen]
field = "satellites"
quantity = "pull"
[devices.clock.channels.gnss_speed]
"""
    plan = plan_of(
        more, 'quantity = "pull"\ncertificate = "cell.json"', 'quantity = "pressure"'
    )
    units = {c.name: c.unit for d in plan.devices for c in d.channels}
    assert units == {
        "pull": "counts",
        "distance": "pulses",
        "drag": "pulses",
        "heat": "counts",
        "seen": "counts",
        "gnss_speed": "m/s",
    }
    assert not plan.needs_zero
    assert len(plan.warnings) == 5
    assert "drag is in pulses: no wheel certificate" in "\n".join(plan.warnings)
    assert "seen is in counts: no certificate; no force, power or work" in "\n".join(
        plan.warnings
    )


AT_THE_PORT = '"tcp://127.0.0.1:1"\ncertificate = "cell.json"'
OWN_ALL = """
[devices.wheel]
driver = "wheel-pulses"
port = "tcp://127.0.0.1:2"
certificate = "cell.json"
[devices.wheel.channels.distance]
certificate = "wheel.json"
"""
NO_COUNT = """
[devices.wheel]
driver = "wheel-pulses"
port = "tcp://127.0.0.1:2"
certificate = "wheel.json"
[devices.wheel.channels.seen]
field = "flags"
quantity = "seen"
"""
OF_A_CLOCK = """
[devices.clock]
driver = "nmea-0183"
port = "tcp://127.0.0.1:3"
"""


@pytest.mark.parametrize(
    ("more", "old", "new", "words"),
    [
        (
            "",
            '"tcp://127.0.0.1:1"',
            AT_THE_PORT,
            "[devices.drawbar]: certificate cell.json is used by no channel; a load cell's"
            " stands at its channel: move it to [devices.drawbar.channels.ch0]",
        ),
        (
            OWN_ALL,
            "",
            "",
            "[devices.wheel]: certificate cell.json is used by no channel; no channel from count"
            " is without one of its own: take it away",
        ),
        (NO_COUNT, "", "", "[devices.wheel]: certificate wheel.json is used by no channel"),
        (
            OF_A_CLOCK + 'certificate = "cell.json"\n',
            "",
            "",
            "[devices.clock]: certificate cell.json is used by no channel; a receiver has none:"
            " take it away",
        ),
        (
            OF_A_CLOCK + '[devices.clock.channels.gnss_speed]\ncertificate = "wheel.json"\n',
            "",
            "",
            "certificate wheel.json is of no use: a receiver's fields are in their units",
        ),
        (
            NO_COUNT.replace(
                'quantity = "seen"', 'quantity = "seen"\ncertificate = "wheel.json"'
            ),
            "",
            "",
            "certificate wheel.json is of no use for field 'flags'",
        ),
        (
            "",
            'certificate = "cell.json"',
            'certifcate = "cell.json"',
            "unknown key 'certifcate'; did you mean 'certificate'",
        ),
        (
            "",
            '"tcp://127.0.0.1:1"',
            '"tcp://127.0.0.1:1"\noptions = {certificate = "cell.json"}',
            "unknown option 'certificate'",
        ),
        (
            '[certificates]\npull = "cell.json"\n',
            "",
            "",
            "unknown key 'certificates'",
        ),
    ],
)
def test_a_certificate_that_no_channel_uses_is_an_error(
    plan_of: Callable[..., Plan], more: str, old: str, new: str, words: str
) -> None:
    with pytest.raises(SheetError) as caught:
        plan_of(more, old, new)
    assert any(words in line for line in caught.value.problems), caught.value.problems
    assert all("\n" not in line for line in caught.value.problems)


@pytest.mark.parametrize(
    ("more", "old", "new", "words"),
    [
        (
            "",
            'quantity = "pull"',
            'quantity = "temperature"',
            "quantity 'temperature' is in °C, and its certificate makes kN",
        ),
        (
            WHEEL + '[devices.wheel.channels.drag]\nfield = "count"\nquantity = "pull"\n',
            "",
            "",
            "quantity 'pull' is in kN, and its certificate makes m",
        ),
        (
            OF_A_CLOCK + '[devices.clock.channels.drag]\nfield = "altitude_m"\n'
            'quantity = "pull"\n',
            "",
            "",
            "quantity 'pull' is in kN, and altitude_m is in m",
        ),
    ],
)
def test_a_quantity_that_a_channel_cannot_have_is_an_error(
    plan_of: Callable[..., Plan], more: str, old: str, new: str, words: str
) -> None:
    with pytest.raises(SheetError) as caught:
        plan_of(more, old, new)
    (line,) = caught.value.problems
    assert words in line
    assert "mend quantity" in line


@pytest.mark.parametrize(
    ("old", "new", "words"),
    [
        ("load-cell-frames", "load-cel-frames", "did you mean 'load-cell-frames'"),
        (
            '"tcp://127.0.0.1:1"',
            '"tcp://127.0.0.1:1"\noptions = {bad = 1}',
            "unknown option 'bad'",
        ),
        ("[devices.drawbar.channels.ch0]", "[devices.drawbar.channels.ch5]", "no field 'ch5'"),
        ('"cell.json"', '"none.json"', "none.json cannot be read"),
        ('"cell.json"', '"wheel.json"', "is of kind wheel, not force"),
        ("[recording]", '[marks.keys]\nK = "milpost"\n[recording]', "did you mean 'milepost'"),
    ],
)
def test_what_cannot_be_recorded(
    plan_of: Callable[..., Plan], old: str, new: str, words: str
) -> None:
    with pytest.raises(SheetError) as caught:
        plan_of("", old, new)
    assert any(words in line for line in caught.value.problems), caught.value.problems
    assert all(line.startswith("car.toml [") for line in caught.value.problems)


def test_a_damaged_certificate(plan_of: Callable[..., Plan], tmp_path: Path) -> None:
    plan = plan_of("")
    text = (tmp_path / "cell.json").read_text("utf-8")
    for spoilt in (text.replace("500.0", "5000.0"), text[:200], ""):
        (tmp_path / "cell.json").write_text(spoilt, "utf-8")
        with pytest.raises(SheetError, match=r"certificate cannot be used: cell\.json"):
            make_plan(plan.car, on=ON)


@pytest.mark.parametrize(
    ("dates", "words"),
    [
        ({"issued": date(2024, 1, 1), "expires": date(2026, 5, 3)}, "expired on 2026-05-03"),
        ({"issued": date(2026, 5, 6)}, "is only issued on 2026-05-06"),
    ],
)
def test_a_certificate_out_of_date(
    plan_of: Callable[..., Plan],
    make_certificate: Callable[..., ForceCertificate],
    dates: dict[str, date],
    words: str,
) -> None:
    certificate = make_certificate(**dates)
    with pytest.raises(SheetError, match=f"{words}; name one that is valid on the day"):
        plan_of("", certificate=certificate)
    plan = plan_of("", certificate=certificate, allow_expired=True)
    assert any(words in line for line in plan.warnings)


def test_the_last_day_still_counts(
    plan_of: Callable[..., Plan], make_certificate: Callable[..., ForceCertificate]
) -> None:
    assert beside_provable(plan_of("", certificate=make_certificate(expires=ON))) == []


def test_two_certificates_of_one_identity_are_both_kept(
    plan_of: Callable[..., Plan],
    make_certificate: Callable[..., ForceCertificate],
    tmp_path: Path,
) -> None:
    other = make_certificate(capacity_kN=400.0)
    (tmp_path / "other.json").write_text(dump_certificate(other), "utf-8")
    plan = plan_of(
        '[devices.drawbar.channels.ch1]\nname = "spare"\nquantity = "force"\n'
        'certificate = "other.json"\n'
    )
    assert set(plan.texts) == {"BENCH-7", "BENCH-7 (other.json)"}


def test_a_pen_without_a_channel_is_only_a_warning(plan_of: Callable[..., Plan]) -> None:
    plan = plan_of("[pens.pul]\nlow = 0\nhigh = 1\n[pens.power]\nlow = 0\nhigh = 1\n")
    (line,) = beside_provable(plan)
    assert "did you mean 'pull'" in line


def test_the_run_file_knows_whose_clock_the_ticks_of_every_driver_are() -> None:
    """A header of layout 1 holds the driver's name only; the driver itself says the rest."""
    for name in DRIVERS:
        header = DeviceHeader(
            name="one", driver=name, port="", dtype=[["tick", "<u8"]], tick_hz=1.0, channels=()
        )
        assert header.host_clock == description_of(name, device_id="one").host_clock, name


@pytest.mark.parametrize(
    ("table", "key", "words"),
    [
        ("wheel", "delay_s", "delay_s is a receiver's"),
        ("clock", "latency_s", "stamped by the computer"),
    ],
)
def test_timing_that_would_do_nothing_is_refused(
    plan_of: Callable[..., Plan], table: str, key: str, words: str
) -> None:
    more = WHEEL
    more += f"\n[devices.{table}.timing]\n{key} = 0.1\nu_{key} = 0.01\n"
    with pytest.raises(SheetError, match=words):
        plan_of(more)


def test_a_computer_before_this_version_is_told(
    tmp_path: Path,
    make_sheets: Callable[..., tuple[Path, Path]],
    monkeypatch: pytest.MonkeyPatch,
) -> None:
    """Its battery is flat, and every certificate would be in date."""
    car, _ = make_sheets(tmp_path, "tcp://127.0.0.1:1")
    monkeypatch.setattr(plan_module, "BUILT_ON", date(2400, 1, 1))
    plan = make_plan(load_car_sheet(car), None, allow_expired=True)
    assert any("before this version was made" in words for words in plan.warnings)

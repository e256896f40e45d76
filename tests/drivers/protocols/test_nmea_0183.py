"""NMEA 0183: sentences with published checksums, positions, hostile lines."""

from __future__ import annotations

import numpy as np
import pytest
from hypothesis import given, settings
from hypothesis import strategies as st

from drivers.decoding.framing import RecordDecoder
from drivers.protocols.nmea_0183 import NO_TIME_NS
from tests.drivers.driver_contract import DriverContract
from tests.drivers.nmea_lines import PUBLISHED, decoder, gga, rmc, times, utc_ns, zda
from tests.drivers.wire import cut, feed_all, sentence


class TestContract(DriverContract):
    silence_limit_s = 3.0

    def decoder(self) -> RecordDecoder:
        return decoder()

    def frames(self, count: int) -> list[bytes]:
        return [rmc(f"1200{k:02d}.00") for k in range(count)]


@pytest.mark.parametrize("line", PUBLISHED)
def test_published_checksum_is_accepted(line: str) -> None:
    reader = decoder()
    _, faults = feed_all(reader, [line.encode() + b"\r\n"])
    assert reader.good_frames == 1
    assert [fault.cause for fault in faults if fault.cause != "refused"] == []


@pytest.mark.parametrize("line", PUBLISHED)
def test_published_checksum_guards_every_character(line: str) -> None:
    for place in range(1, len(line)):
        if line[place] == "*":
            continue
        wrong = line[:place] + chr(ord(line[place]) ^ 1) + line[place + 1 :]
        reader = decoder()
        feed_all(reader, [wrong.encode() + b"\r\n"])
        assert reader.good_frames == 0


def test_position_speed_and_course() -> None:
    """48 deg 07.038' is 48.1173 deg, 011 deg 31.000' is 11.516667 deg (by division)."""
    records, faults = feed_all(decoder(), [rmc(), gga()])
    first, second = records
    assert faults == []
    assert first["latitude_deg"] == pytest.approx(48.1173, abs=1e-9)
    assert first["longitude_deg"] == pytest.approx(11.516666667, abs=1e-9)
    assert first["speed_m_s"] == pytest.approx(5.1444444, abs=1e-6)
    assert first["course_deg"] == 84.4
    assert np.isnan(first["altitude_m"])
    assert first["satellites"] == -1
    assert (second["altitude_m"], second["hdop"], second["satellites"]) == (545.4, 0.9, 8)
    assert np.isnan(second["speed_m_s"])
    assert [record["kind"] for record in records] == [b"RMC", b"GGA"]
    assert records["valid"].tolist() == [1, 1]


def test_south_and_west_are_negative() -> None:
    """Published GGA: 42 deg 50.5589' S; and RMC: 121 deg 18.86023' W."""
    data = (PUBLISHED[10] + "\r\n" + PUBLISHED[3] + "\r\n").encode()
    records, _ = feed_all(decoder(), [data])
    assert records["latitude_deg"][0] == pytest.approx(-(42 + 50.5589 / 60))
    assert records["longitude_deg"][1] == pytest.approx(-(121 + 18.86023 / 60))
    assert np.isnan(records["course_deg"][1])


def test_utc_of_all_three_kinds() -> None:
    expected = utc_ns("2026-11-25T12:00:00")
    assert times(rmc() + zda() + gga()) == [expected] * 3


@pytest.mark.parametrize(
    ("time", "fraction_ns"),
    [
        ("120000", 0),
        ("120000.", 0),
        ("120000.5", 500_000_000),
        ("120000.123456", 123_456_000),
        ("120000.123456789", 123_456_789),
    ],
)
def test_any_number_of_decimals(time: str, fraction_ns: int) -> None:
    assert times(rmc(time)) == [utc_ns("2026-11-25T12:00:00") + fraction_ns]


def test_the_sentence_is_kept_as_it_came() -> None:
    line = rmc()
    records, _ = feed_all(decoder(), [b"noise" + line])
    assert records["sentence"][0] == line.rstrip()


def test_lower_case_digits_any_talker_and_a_doubled_sign() -> None:
    data = sentence("QQRMC,120000,A,4807.038,N,01131.000,E,1.0,2.0,251126,,,A", lower=True)
    records, _ = feed_all(decoder(), [b"$" + data])
    assert records["valid"].tolist() == [1]


def test_no_checksum_no_record() -> None:
    reader = decoder()
    line = rmc().split(b"*")[0] + b"\r\n"
    records, (fault,) = feed_all(reader, [gga(), line])
    assert len(records) == 1
    assert fault.cause == "checksum"
    assert "no checksum" in fault.detail
    assert fault.bytes_dropped == len(line) - 2


def test_other_kinds_are_skipped_but_keep_the_link_alive() -> None:
    reader = decoder()
    records, faults = feed_all(reader, [(PUBLISHED[4] + "\r\n").encode()])
    assert len(records) == 0
    assert reader.good_frames == 1
    assert faults == []


@pytest.mark.parametrize(
    "bad",
    [
        rmc("240000"),
        rmc("126000"),
        rmc("120060"),
        rmc("12000"),
        rmc("1200x0"),
        rmc(date="310226"),
        rmc(date="2208-1"),
        rmc(date=""),
        rmc(date="000000"),
        # The day before the system's first (week 0 began on 1980-01-06, by its definition).
        rmc(date="050180"),
        rmc(lat="8960.0,N"),
        rmc(lat="9000.001,N"),
        rmc(lat="4807.038,E"),
        rmc(lat="4807.038,"),
        rmc(lon="1131.000,E"),
        rmc(lon="18000.001,E"),
        sentence("GPRMC,120000,A,4807.038,N,01131.000,E,-1,84.4,251126,,,A"),
        sentence("GPRMC,120000,A,4807.038,N,01131.000,E,nan,84.4,251126,,,A"),
        sentence("GPRMC,120000,A,4807.038,N,01131.000,E,1,360.1,251126,,,A"),
        sentence("GPRMC,120000,A"),
        sentence("GPGGA,120000,4807.038,N,01131.000,E,1,08,0.9,545.4,F,46.9,M,,"),
        sentence("GPGGA,120000,4807.038,N,01131.000,E,1,08,0.9,99999,M,46.9,M,,"),
        zda(year="26"),
        zda(month="13"),
        zda(year="0000"),
        sentence("GPZDA,120000,1,99999999999999999999,2020,00,00"),
    ],
)
def test_nonsense_with_a_good_checksum_is_refused_and_kept(bad: bytes) -> None:
    reader = decoder()
    records, (fault,) = feed_all(reader, [rmc(), bad])
    assert fault.cause == "refused"
    assert records["utc_ns"][1] == NO_TIME_NS
    assert records["sentence"][1] == bad.rstrip()


def test_the_tick_is_when_the_first_byte_was_in_hand() -> None:
    reader = decoder()
    line = rmc()
    assert len(reader.feed(b"\r\n" + line[:10], 100).records) == 0
    assert len(reader.feed(line[10:30], 200).records) == 0
    batch = reader.feed(line[30:] + line[:1], 300)
    assert batch.records["tick"].tolist() == [100]
    assert batch.received_ns == 300
    assert reader.feed(line[1:], 400).records["tick"].tolist() == [300]


def test_a_sentence_cut_off_by_the_next_is_stamped_by_the_next() -> None:
    reader = decoder()
    feed_all(reader, [rmc()], 50)
    reader.feed(b"$GPRMC,12", 100)
    batch = reader.feed(rmc(), 200)
    assert batch.records["tick"].tolist() == [200]
    assert [fault.bytes_dropped for fault in batch.faults] == [9]


def test_an_endless_line_is_dropped_whole() -> None:
    reader = decoder()
    feed_all(reader, [rmc()])
    records, (fault,) = feed_all(reader, [b"x" * 3000 + rmc("120001"), rmc("120002")])
    assert len(records) == 1
    assert fault.cause == "garbage"
    assert fault.bytes_dropped == 3000 + len(rmc("120001")) - 2
    assert reader.bytes_in_doubt == 0


def test_a_sentence_longer_than_can_be_kept_is_refused() -> None:
    line = sentence("GPRMC,120000,A," + "0" * 300)
    records, (fault,) = feed_all(decoder(), [line])
    assert len(records) == 0
    assert fault.cause == "refused"


LINES = st.one_of(
    st.binary(max_size=60),
    st.sampled_from([line.encode() + b"\r\n" for line in PUBLISHED]),
    st.builds(lambda k: rmc(f"1200{k:02d}"), st.integers(0, 59)),
    st.text(alphabet="0123456789,.ANSEWGPRMCZD-*$", max_size=60).map(
        lambda text: sentence("GPRMC," + text.replace("*", "").replace("$", ""))
    ),
    st.text(alphabet="0123456789,.ANSEWM-", max_size=60).map(
        lambda text: sentence("GPGGA," + text)
    ),
    st.text(alphabet="0123456789,.-", max_size=40).map(lambda text: sentence("GPZDA," + text)),
)


@settings(max_examples=150, deadline=None)
@given(lines=st.lists(LINES, max_size=12), places=st.lists(st.integers(0, 2000), max_size=20))
def test_any_lines_and_where_they_are_cut(lines: list[bytes], places: list[int]) -> None:
    data = b"".join(lines)
    whole, whole_faults = feed_all(decoder(2), [data])
    parts, part_faults = feed_all(decoder(2), cut(data, places))
    assert parts.tobytes() == whole.tobytes()
    assert part_faults == whole_faults
    assert ((whole["valid"] == 1) | (whole["utc_ns"] == NO_TIME_NS)).all()

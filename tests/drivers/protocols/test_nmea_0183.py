"""NMEA 0183: sentences with published checksums, fixes, belief in time, hostile lines.

The sentences marked published come from the public documentation of a GNSS daemon and from
public guides to the format; every checksum in them was published with them.
"""

from __future__ import annotations

from datetime import UTC, datetime, timedelta

import numpy as np
import pytest
from hypothesis import given, settings
from hypothesis import strategies as st

from drivers.decoding.framing import RecordDecoder
from drivers.protocols.nmea_0183 import NO_TIME_NS, NmeaDecoder
from tests.drivers.driver_contract import SECOND_NS, DriverContract
from tests.drivers.wire import cut, feed_all, sentence

PUBLISHED = (
    "$GPGGA,123519,4807.038,N,01131.000,E,1,08,0.9,545.4,M,46.9,M,,*47",
    "$GNGGA,001043.00,4404.14036,N,12118.85961,W,1,12,0.98,1113.0,M,-21.3,M,,*47",
    "$GNGLL,4404.14012,N,12118.85993,W,001037.00,A,A*67",
    "$GNRMC,001031.00,A,4404.13993,N,12118.86023,W,0.146,,100117,,,A*7B",
    "$GPVTG,220.86,T,,M,2.550,N,4.724,K,A*34",
    "$GPZDA,160012.71,11,03,2004,-1,00*7D",
    "$GPZDA,032915,07,08,2004,00,00*4D",
    "$GPZDA,024611.08,25,03,2002,00,00*6A",
    "$GNGSA,A,3,80,71,73,79,69,,,,,,,,1.83,1.09,1.47*17",
    "$GPGST,182141.000,15.5,15.3,7.2,21.8,0.9,0.5,0.8*54",
    "$GPGGA,092204.999,4250.5589,S,14718.5084,E,1,04,24.4,19.7,M,,,,0000*1F",
    "$GPGGA,111309.00,5400.6000,N,00247.1000,W,1,16,00.7,042.2,M,49.1,M,,*4A",
    "$GPRMC,111309.00,A,5400.6000,N,00247.1000,W,00.00,302.5,140915,,,A*4C",
    "$GPGGA,111309.00,5400.6000,N,00247.1000,W,1,16,00.7,042.289,M,49.1,M,,*4B",
    "$GPGGA,050701.00,2713.5680820,N,10254.3169400,E,4,17,2.0,823.0678,M,-34.480,M,02,0004*73",
    "$GPGGA,075851.891,5611.5305,N,00302.0369,W,0,00,4.8,44.0,M,52.0,M,,0000*77",
    "$GPRMC,075851.891,V,5611.5305,N,00302.0369,W,002.2,252.9,160411,,,N*68",
    "$GPVTG,252.9,T,,M,002.2,N,004.1,K,N*0B",
    "$GPRMC,194812.00,V,,,,,,,290317,,,N*74",
)


def utc_ns(text: str) -> int:
    """Nanoseconds since 1970, by the standard library."""
    instant = datetime.fromisoformat(text).replace(tzinfo=UTC)
    return (instant - datetime(1970, 1, 1, tzinfo=UTC)) // timedelta(microseconds=1) * 1000


PC_NS = utc_ns("2026-11-25T12:00:00")


def decoder(confirmations: int = 1, pc: str = "2026-11-25T12:00:00") -> NmeaDecoder:
    return NmeaDecoder(confirmations=confirmations, pc_utc_ns=lambda: utc_ns(pc))


def rmc(time: str = "120000.00", date: str = "251126", **more: str) -> bytes:
    field = {"status": "A", "lat": "4807.038,N", "lon": "01131.000,E", "mode": "A"} | more
    body = f"GNRMC,{time},{field['status']},{field['lat']},{field['lon']},10.0,84.4,{date},,,"
    return sentence(body + field["mode"])


def gga(time: str = "120000.00", quality: str = "1") -> bytes:
    return sentence(f"GPGGA,{time},4807.038,N,01131.000,E,{quality},08,0.9,545.4,M,46.9,M,,")


def zda(
    time: str = "120000.00", day: str = "25", month: str = "11", year: str = "2026"
) -> bytes:
    return sentence(f"GLZDA,{time},{day},{month},{year},00,00")


def times(data: bytes, reader: NmeaDecoder | None = None) -> list[int]:
    records, _ = feed_all(reader or decoder(), [data])
    return [int(value) for value in records["utc_ns"]]


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


def test_no_fix_means_no_time() -> None:
    data = "".join(line + "\r\n" for line in (PUBLISHED[16], PUBLISHED[18], PUBLISHED[15]))
    records, faults = feed_all(decoder(), [data.encode()])
    assert records["valid"].tolist() == [0, 0, 0]
    assert set(records["utc_ns"].tolist()) == {NO_TIME_NS}
    assert np.isnan(records["latitude_deg"]).all()
    assert faults == []


def test_a_date_and_time_without_any_fix_are_not_believed() -> None:
    """A receiver's own clock runs before the first fix; ZDA alone says nothing of it."""
    assert times(zda() + zda("120001.00")) == [NO_TIME_NS] * 2
    assert times(rmc() + rmc("120001", status="V") + zda("120001.00"))[1:] == [NO_TIME_NS] * 2


def test_a_fix_goes_stale_after_five_seconds() -> None:
    reader = decoder()
    feed_all(reader, [rmc()], 0)
    records, _ = feed_all(reader, [zda("120004.00")], 4 * SECOND_NS)
    assert records["utc_ns"][0] == utc_ns("2026-11-25T12:00:04")
    assert records["valid"][0] == 1
    records, _ = feed_all(reader, [zda("120006.00")], 6 * SECOND_NS)
    assert records["utc_ns"][0] == NO_TIME_NS
    assert records["valid"][0] == 0


@pytest.mark.parametrize("mode", ["N", "E", "M", "S"])
def test_modes_that_are_no_fix(mode: str) -> None:
    records, _ = feed_all(decoder(), [rmc(mode=mode)])
    assert records["valid"].tolist() == [0]


@pytest.mark.parametrize("quality", ["", "0", "6", "7", "8", "x"])
def test_qualities_that_are_no_fix(quality: str) -> None:
    records, _ = feed_all(decoder(), [gga(quality=quality)])
    assert records["valid"].tolist() == [0]


def test_time_is_believed_only_after_three_that_advance() -> None:
    data = b"".join(rmc(f"12000{k}.00") for k in range(5))
    believed = [value != NO_TIME_NS for value in times(data, decoder(3))]
    assert believed == [False, False, True, True, True]


def test_the_same_second_three_times_is_no_advance() -> None:
    assert times(rmc() * 5, decoder(3)) == [NO_TIME_NS] * 5


def test_a_step_of_time_is_doubted_and_told() -> None:
    reader = decoder(2)
    data = [rmc(f"12000{k}.00") for k in range(3)] + [rmc(f"13000{k}.00") for k in range(3)]
    records, (fault,) = feed_all(reader, data)
    believed = [value != NO_TIME_NS for value in records["utc_ns"].tolist()]
    assert believed == [False, True, True, False, True, True]
    assert fault.cause == "refused"
    assert "stepped by +3598.000 s" in fault.detail


def test_a_lost_fix_must_be_confirmed_again() -> None:
    reader = decoder(2)
    data = [
        rmc("120000"),
        rmc("120001"),
        rmc("120002", status="V"),
        rmc("120003"),
        rmc("120004"),
    ]
    records, faults = feed_all(reader, data)
    believed = [value != NO_TIME_NS for value in records["utc_ns"].tolist()]
    assert believed == [False, True, False, False, True]
    assert faults == []


def test_nonsense_makes_time_doubtful_again() -> None:
    data = [rmc("120000"), rmc("120001"), rmc("120002", lat="8960.0,N"), rmc("120003")]
    records, _ = feed_all(decoder(2), [*data, rmc("120004")])
    believed = [value != NO_TIME_NS for value in records["utc_ns"].tolist()]
    assert believed == [False, True, False, False, True]


def test_a_leap_second_counts_as_the_one_after() -> None:
    """Constructed: no leap second is announced for this day; the form is that of all before."""
    data = rmc("235959.00", "311226") + rmc("235960.00", "311226") + rmc("000000.00", "010127")
    midnight = utc_ns("2027-01-01T00:00:00")
    assert times(data) == [midnight - SECOND_NS, midnight, midnight]


def test_gga_takes_the_date_that_is_nearest() -> None:
    data = rmc("235959.50", "311226") + gga("000000.00") + gga("235959.90")
    assert times(data) == [
        utc_ns("2026-12-31T23:59:59.500"),
        utc_ns("2027-01-01T00:00:00"),
        utc_ns("2026-12-31T23:59:59.900"),
    ]


def test_gga_alone_has_no_date() -> None:
    records, _ = feed_all(decoder(), [gga()])
    assert records["valid"].tolist() == [1]
    assert records["utc_ns"].tolist() == [NO_TIME_NS]


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
        rmc(date="050180"),
        rmc(date="230394"),
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
    ],
)
def test_nonsense_with_a_good_checksum_is_refused_and_kept(bad: bytes) -> None:
    reader = decoder()
    records, (fault,) = feed_all(reader, [rmc(), bad])
    assert fault.cause == "refused"
    assert records["utc_ns"][1] == NO_TIME_NS
    assert records["sentence"][1] == bad.rstrip()


@pytest.mark.parametrize(
    ("date", "pc", "expected"),
    [
        # A week number modulo 1024 read one turn too low, told by the computer's clock.
        ("110407", "2026-11-25T12:00:00", "2026-11-25T12:00:00"),
        # The computer's clock is dead: never earlier than this software.
        ("251126", "1970-01-01T00:00:05", "2026-11-25T12:00:00"),
        ("110407", "1970-01-01T00:00:05", "2026-11-25T12:00:00"),
        # After the turn of November 2038 a receiver still counts from the turn of 2019.
        ("070419", "2038-11-22T08:00:00", "2038-11-21T12:00:00"),
        # An old record played again is left alone.
        ("140924", "2026-11-25T12:00:00", "2024-09-14T12:00:00"),
    ],
)
def test_week_rollover(date: str, pc: str, expected: str) -> None:
    assert times(rmc(date=date), decoder(pc=pc)) == [utc_ns(expected)]


def test_a_moved_date_is_told_once() -> None:
    data = [rmc(f"12000{k}", date="110407") for k in range(5)]
    _, faults = feed_all(decoder(), data)
    assert len(faults) == 1
    assert "1 turns of 1024 weeks: 2007-04-11 taken as 2026-11-25" in faults[0].detail


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

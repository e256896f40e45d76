"""When a receiver's time is believed, and which date it means."""

from __future__ import annotations

import numpy as np
import pytest

from drivers.protocols.nmea_0183 import NO_TIME_NS
from tests.drivers.driver_contract import SECOND_NS
from tests.drivers.nmea_lines import PUBLISHED, decoder, gga, rmc, times, utc_ns, zda
from tests.drivers.wire import feed_all


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
    ("date", "day"),
    [("251126", "2026-11-25"), ("110407", "2007-04-11"), ("140924", "2024-09-14")],
)
def test_a_date_is_handed_on_as_the_receiver_says_it(date: str, day: str) -> None:
    """One in the wrong turn of 1024 weeks too: which it can be, other witnesses say."""
    records, faults = feed_all(decoder(), [rmc(date=date)])
    assert records["utc_ns"].tolist() == [utc_ns(f"{day}T12:00:00")]
    assert faults == []

"""Sentences of a receiver, made from the format's public description, and what they mean.

Those marked published: E. S. Raymond, NMEA Revealed (documentation of gpsd), D. DePriest, NMEA
data, and logs of receivers; from memory which is whose. Every checksum came with its sentence.
"""

from __future__ import annotations

from datetime import UTC, datetime, timedelta

from drivers.protocols.nmea_0183 import NmeaDecoder
from tests.drivers.wire import feed_all, sentence

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


def decoder(confirmations: int = 1) -> NmeaDecoder:
    return NmeaDecoder(confirmations=confirmations)


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

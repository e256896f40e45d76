"""GNSS receiver: NMEA 0183 sentences RMC, ZDA and GGA into position and UTC.

A sentence is ``$``, talker (any), kind, fields between commas, ``*`` and two hexadecimal
digits: the exclusive-or of everything between ``$`` and ``*``. Without a checksum that agrees
it counts for nothing. Other kinds are skipped.

Worked example: ``$GPRMC,123519,A,4807.038,N,01131.000,E,022.4,084.4,230324,003.1,W*61`` is
12:35:19 UTC on 23 March 2024 at 48.1173° N, 11.516667° E, 22.4 kn, course 84.4°.

No fix means no time. With a fix, time is believed once several sentences of one kind have
advanced by less than two seconds each, one after another: receivers send plausible nonsense
with good checksums before they know better. The sentence itself is kept with every record, so
that another judgement can be made later. Times by sentence are late by up to half a second.
"""

from __future__ import annotations

import re
import time
from typing import TYPE_CHECKING, Final

import numpy as np

from drivers.decoding.framing import BatchMaker, RecordDecoder
from drivers.interface.driver_interface import (
    Batch,
    DriverDescription,
    FaultCause,
    Layout,
    Role,
)
from drivers.interface.settings import NmeaSettings, settings_from_options
from drivers.links.link_driver import LinkDriver
from drivers.links.transport import open_link
from drivers.protocols.gnss_time import NO_TIME_NS, TimeJudge
from drivers.protocols.nmea_sentences import (
    KINDS,
    RefusedSentenceError,
    Sentence,
    parse_sentence,
)

if TYPE_CHECKING:
    from collections.abc import Callable, Mapping

    from drivers.interface.driver_interface import DeviceDriver
    from drivers.links.transport import LinkOpener

__all__ = ["NO_TIME_NS", "Nmea0183", "NmeaDecoder"]

_RECORD: Final = np.dtype(
    [
        ("tick", "<u8"),
        ("utc_ns", "<i8"),
        ("valid", "u1"),
        ("kind", "S3"),
        ("latitude_deg", "<f8"),
        ("longitude_deg", "<f8"),
        ("altitude_m", "<f8"),
        ("speed_m_s", "<f8"),
        ("course_deg", "<f8"),
        ("hdop", "<f8"),
        ("satellites", "<i2"),
        ("sentence", "S256"),
    ]
)
_MAX_LINE: Final = 1024
"""The standard allows 82 characters; makers' own sentences run to some hundreds."""
_LINE_END: Final = re.compile(rb"[\r\n]+")
_BODY: Final = re.compile(rb"([\x20-\x29\x2b-\x7e]*)\*([0-9A-Fa-f]{2})\s*\Z")


class _BrokenLineError(Exception):
    """A line that is no good sentence."""

    def __init__(self, cause: FaultCause, words: str) -> None:
        super().__init__(words)
        self.cause = cause
        self.words = words


class NmeaDecoder(RecordDecoder):
    """Sentences to one record each; see DEVELOPERS.md for the fields.

    Parameters
    ----------
    confirmations : int
        Sentences of one kind that must advance before time is believed; 1 believes at once.
    """

    def __init__(self, *, confirmations: int = 3) -> None:
        super().__init__(Layout(dtype=_RECORD, tick_hz=1e9))
        self._judge = TimeJudge(confirmations=confirmations)
        self._line_ns = 0
        """When the first byte of the sentence that is pending was in hand."""
        self._overlong = False

    def link_reopened(self) -> None:
        """Forget half a line and what made time believable."""
        super().link_reopened()
        self._overlong = False
        self._judge.doubt()

    def feed(self, chunk: bytes, received_ns: int) -> Batch:
        """Decode the next bytes; see :meth:`RecordDecoder.feed`."""
        maker = BatchMaker(self.layout.dtype, received_ns)
        if not chunk:
            return maker.batch()
        old = len(self._pending)
        buffer = self._pending + chunk
        start = 0
        for end in _LINE_END.finditer(buffer):
            began_ns = self._began_ns(buffer, start, end.start(), old, received_ns)
            self._line(buffer[start : end.start()], began_ns, maker)
            start = end.end()
        self._line_ns = self._began_ns(buffer, start, len(buffer), old, received_ns)
        self._pending = self._tail(buffer[start:], maker)
        return maker.batch()

    def _began_ns(self, buffer: bytes, start: int, stop: int, old: int, now_ns: int) -> int:
        """When the sentence in a line began: with this chunk, unless its ``$`` was pending."""
        return self._line_ns if 0 <= buffer.rfind(b"$", start, stop) < old else now_ns

    def _tail(self, rest: bytes, maker: BatchMaker) -> bytes:
        """Keep an unfinished line within bounds."""
        while len(rest) > _MAX_LINE:
            self._drop(_MAX_LINE, maker)
            self._overlong = True
            rest = rest[_MAX_LINE:]
        return rest

    def _line(self, line: bytes, began_ns: int, maker: BatchMaker) -> None:
        if self._overlong or len(line) > _MAX_LINE:
            self._overlong = False
            self._drop(len(line), maker)
            return
        if not line:
            return
        sign = line.rfind(b"$")
        if sign < 0:
            self._drop(len(line), maker)
            return
        try:
            fields = _checked(line[sign + 1 :])
        except _BrokenLineError as broken:
            self._broken(line, broken, maker)
            return
        self._drop(sign, maker)
        if trouble := self._settle(_MAX_LINE):
            cause, detail, dropped = trouble
            maker.fault(cause, detail, dropped=dropped)
        self.good_frames += 1
        kind = fields[0][-3:]
        if kind in KINDS and len(fields[0]) == 5:
            self._sentence(kind, fields, line[sign:].rstrip(), began_ns, maker)

    def _broken(self, line: bytes, broken: _BrokenLineError, maker: BatchMaker) -> None:
        if not self._joined:
            self._drop(len(line), maker)
            return
        shown = line[:40].decode("ascii", "backslashreplace")
        maker.fault(broken.cause, f"{broken.words}: {shown}", dropped=len(line))

    def _sentence(
        self, kind: str, fields: list[str], raw: bytes, began_ns: int, maker: BatchMaker
    ) -> None:
        record = _empty_record(kind, raw, began_ns)
        if len(raw) > 256:
            maker.fault(FaultCause.REFUSED, f"{kind} of {len(raw)} bytes", dropped=len(raw))
            return
        try:
            sentence = parse_sentence(kind, fields)
        except RefusedSentenceError as refused:
            self._judge.doubt()
            maker.fault(FaultCause.REFUSED, f"{kind} {refused}: {raw[:60].decode('ascii')}")
            maker.add(record)
            return
        utc_ns, words = self._judge.utc_ns(sentence, began_ns)
        if words:
            maker.fault(FaultCause.REFUSED, words)
        # ZDA has no word for a fix; the sentences around it have.
        fix = sentence.fix or (kind == "ZDA" and self._judge.has_fix(began_ns))
        _fill(record, sentence, utc_ns, fix=fix)
        maker.add(record)


def _checked(body: bytes) -> list[str]:
    """Split a sentence after its ``$`` whose checksum agrees."""
    match = _BODY.match(body)
    if match is None:
        if b"*" not in body:
            raise _BrokenLineError(FaultCause.CHECKSUM, "no checksum")
        raise _BrokenLineError(FaultCause.GARBAGE, "not a sentence")
    text, stated = match.groups()
    computed = int(np.bitwise_xor.reduce(np.frombuffer(text, dtype=np.uint8), initial=0))
    if computed != int(stated, 16):
        words = f"checksum is {stated.decode()}, computed {computed:02X}"
        cause = FaultCause.CHECKSUM
        raise _BrokenLineError(cause, words)
    return text.decode("ascii").split(",")


def _empty_record(kind: str, raw: bytes, began_ns: int) -> np.ndarray:
    record = np.zeros(1, dtype=_RECORD)
    for name in (
        "latitude_deg",
        "longitude_deg",
        "altitude_m",
        "speed_m_s",
        "course_deg",
        "hdop",
    ):
        record[name] = np.nan
    record["satellites"] = -1
    record["utc_ns"] = NO_TIME_NS
    record["tick"] = began_ns
    record["kind"] = kind.encode()
    record["sentence"] = raw[:256]
    return record


def _fill(record: np.ndarray, sentence: Sentence, utc_ns: int, *, fix: bool) -> None:
    record["utc_ns"] = utc_ns
    record["valid"] = fix
    for name in (
        "latitude_deg",
        "longitude_deg",
        "altitude_m",
        "speed_m_s",
        "course_deg",
        "hdop",
    ):
        record[name] = getattr(sentence, name)
    record["satellites"] = sentence.satellites


class Nmea0183(LinkDriver):
    """A GNSS receiver on a link."""

    # Three sentences together once a second: what receivers send unless told otherwise.
    description = DriverDescription(
        role=Role.RECEIVER, usual_hz=3.0, host_clock=True, usual_pause_s=1.0
    )

    @classmethod
    def layout_for(cls, options: Mapping[str, object], *, device_id: str) -> Layout:
        """Shape of the records for these options, without a port."""
        settings_from_options(NmeaSettings, options, device_id)
        return Layout(dtype=_RECORD, tick_hz=1e9)

    @classmethod
    def open(
        cls,
        *,
        device_id: str,
        port: str,
        options: Mapping[str, object],
        after: DeviceDriver | None = None,
        now_ns: Callable[[], int] = time.monotonic_ns,
        opener: LinkOpener = open_link,
    ) -> Nmea0183:
        """Open the port; see :func:`drivers.interface.registry.open_driver`."""
        settings = settings_from_options(NmeaSettings, options, device_id)
        fresh = NmeaDecoder(confirmations=settings.confirmations)
        return cls.on_port(
            port, fresh, settings, device_id=device_id, after=after, now_ns=now_ns,
            opener=opener,
        )  # fmt: skip

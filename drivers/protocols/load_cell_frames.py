"""Load-cell front end: binary frames of several 24-bit channels on one device clock.

All integers little-endian; ticks and sequence wrap at 2**32.

====== ====== =====================================================
offset bytes  field
====== ====== =====================================================
0      2      sync ``A7 5C``
2      1      version, 1
3      1      c, channels, 1 … 16
4      2      n, samples per channel, 1 … 512
6      4      sequence, +1 a frame
10     4      device tick of the first sample
14     4      ticks from one sample to the next, ≥ 1
18     4      ticks per second, ≥ 1
22     3·n·c  samples, two's complement, channel varies fastest
22+3nc 4      CRC-32/ISO-HDLC over bytes 2 … 21+3nc
====== ====== =====================================================

Worked example, two channels, two samples, sequence 7, first tick 1000, step 500, 1 MHz::

    a75c 01 02 0200 07000000 e8030000 f4010000 40420f00
    010000 ffffff ffff7f 000080 6debf409

is ch0 = 1, 8388607 (the upper rail), ch1 = −1, −8388608 (the lower rail), at ticks 1000, 1500.
"""

from __future__ import annotations

import struct
import time
import zlib
from typing import TYPE_CHECKING, Final

import numpy as np

from drivers.decoding.framing import NOT_A_FRAME, BatchMaker, FrameDecoder
from drivers.decoding.unwrapping import MASK_32, WRAP_32, later, nearest
from drivers.interface.driver_interface import DriverDescription, FaultCause, Layout, Role
from drivers.interface.settings import LoadCellSettings, settings_from_options
from drivers.links.link_driver import LinkDriver
from drivers.links.transport import open_link

if TYPE_CHECKING:
    from collections.abc import Callable, Mapping

    from numpy.typing import NDArray

    from drivers.interface.driver_interface import DeviceDriver
    from drivers.links.transport import LinkOpener

__all__ = ["RAILS", "LoadCellDecoder", "LoadCellFrames"]

RAILS: Final = (-(2**23), 2**23 - 1)
"""Counts at which the converter is saturated."""

_HEAD_BYTES: Final = 22
_CRC_BYTES: Final = 4
_VERSION: Final = 1
_MAX_SAMPLES: Final = 512
_MAX_CHANNELS: Final = 16
_HALF: Final = WRAP_32 >> 1
_GEOMETRY: Final = struct.Struct("<BBH")
_CLOCK: Final = struct.Struct("<II")
_HEAD: Final = np.dtype(
    {
        "names": ["sequence", "tick"],
        "formats": ["<u4", "<u4"],
        "offsets": [6, 10],
        "itemsize": _HEAD_BYTES,
    }
)
_SAME: Final = np.r_[0:6, 14:22]
"""Bytes of the head that frames taken together have in common."""
_LONGEST_FRAME_S: Final = 3600
"""A head that promises more is no head: nobody samples 512 values in more than an hour."""
_LARGEST_TICK: Final = 1 << 62
"""Wide ticks stay clear of the sign bit of the differences taken of them."""


class LoadCellDecoder(FrameDecoder):
    """Frames to one record a sample: ``tick`` u8, then ``ch0`` … as ``<i4``."""

    SYNC = b"\xa7\x5c"

    def __init__(self, *, channels: int = 4, tick_hz: int = 1_000_000) -> None:
        fields: list[tuple[str, str]] = [("tick", "<u8")]
        fields += [(f"ch{number}", "<i4") for number in range(channels)]
        super().__init__(Layout(dtype=np.dtype(fields), tick_hz=float(tick_hz)))
        self._channels = channels
        self._tick_hz = tick_hz
        self._geometry = b""
        self._clock = _Clock(tick_hz)

    def _frame_bytes(self, buffer: bytes, at: int) -> int:
        if len(buffer) - at < _HEAD_BYTES:
            return 0
        version, channels, samples = _GEOMETRY.unpack_from(buffer, at + 2)
        step, tick_hz = _CLOCK.unpack_from(buffer, at + 14)
        sane = 1 <= channels <= _MAX_CHANNELS and 1 <= samples <= _MAX_SAMPLES
        if version != _VERSION or not sane or not step or not tick_hz:
            return NOT_A_FRAME
        if samples * step > _LONGEST_FRAME_S * tick_hz:
            return NOT_A_FRAME
        return int(_HEAD_BYTES + 3 * channels * samples + _CRC_BYTES)

    def _is_false_start(self, buffer: bytes, at: int) -> bool:
        """Do not wait for a frame of a new shape while good ones of the known shape pass."""
        if not self._geometry or buffer[at + 2 : at + 6] == self._geometry:
            return False
        mark = self.SYNC + self._geometry
        found = buffer.find(mark, at + 1)
        while found >= 0:
            size = self._frame_bytes(buffer, found)
            if size > 0 and found + size <= len(buffer) and _checks(buffer, found, size):
                return True
            found = buffer.find(mark, found + 1)
        return False

    def _take_run(self, buffer: bytes, at: int, size: int, maker: BatchMaker) -> int:
        same = _equal_heads(buffer, at, size)
        view = memoryview(buffer)
        good = 0
        while good < same and _checks(view, at + good * size, size):
            good += 1
        if not good:
            return 0
        self._accept(buffer, at, size, good, maker)
        return good * size

    def _accept(
        self, buffer: bytes, at: int, size: int, frames: int, maker: BatchMaker
    ) -> None:
        _, channels, samples = _GEOMETRY.unpack_from(buffer, at + 2)
        step, tick_hz = _CLOCK.unpack_from(buffer, at + 14)
        trouble = self._settle(size)
        if reason := self._why_refused(channels, tick_hz):
            if trouble:
                cause, detail, dropped = trouble
                maker.fault(cause, detail, dropped=dropped)
            self.refusal = reason
            maker.fault(
                FaultCause.REFUSED, reason, lost=frames * samples, dropped=frames * size
            )
            return
        self.refusal = ""
        self.good_frames += frames
        self._geometry = buffer[at + 2 : at + 6]
        heads: NDArray[np.void] = np.ndarray((frames,), _HEAD, buffer, at, (size,))
        firsts = self._clock.widen(heads, samples, step, trouble, maker)
        maker.add(self._records(buffer, at, size, firsts, (channels, samples, step)))

    def _why_refused(self, channels: int, tick_hz: int) -> str:
        if channels < self._channels:
            return (
                f"frames carry {channels} channels, the car sheet wires {self._channels};"
                " set channels to what the front end sends"
            )
        if tick_hz != self._tick_hz:
            return (
                f"frames say {tick_hz} ticks per second, the car sheet {self._tick_hz};"
                " set tick_hz to what the front end sends"
            )
        return ""

    def _records(
        self,
        buffer: bytes,
        at: int,
        size: int,
        firsts: NDArray[np.uint64],
        shape: tuple[int, int, int],
    ) -> NDArray[np.void]:
        channels, samples, step = shape
        frames, wired = len(firsts), self._channels
        records = np.empty(frames * samples, dtype=self.layout.dtype)
        steps = np.arange(samples, dtype=np.uint64) * np.uint64(step)
        np.add(firsts[:, None], steps, out=records["tick"].reshape(frames, samples))
        # Four bytes that end with a sample's three; the shift drops the fourth, keeps the sign.
        quads: NDArray[np.int32] = np.ndarray(
            (frames, samples, wired),
            np.dtype("<i4"),
            buffer,
            at + _HEAD_BYTES - 1,
            (size, 3 * channels, 3),
        )
        words = records.view("<i4").reshape(frames, samples, 2 + wired)
        np.right_shift(quads, 8, out=words[:, :, 2:])
        return records


class _Clock:
    """Follows sequence and tick from frame to frame, and distinguishes loss, wrap and restart."""

    def __init__(self, tick_hz: int) -> None:
        self._tick_hz = tick_hz
        self._known = False
        self._sequence = 0
        self._first = 0
        """Wide tick of the last frame's first sample."""
        self._advance = 0
        """Ticks that frame lasts."""
        self._samples = 0
        self._received_ns = 0

    def widen(
        self,
        heads: NDArray[np.void],
        samples: int,
        step: int,
        trouble: tuple[FaultCause, str, int] | None,
        maker: BatchMaker,
    ) -> NDArray[np.uint64]:
        """Give the wide first tick of each frame; report what is missing between them."""
        sequences, ticks = heads["sequence"], heads["tick"]
        advance = samples * step
        jumps = sequences[1:] - sequences[:-1] != 1
        jumps |= ticks[1:] - ticks[:-1] != np.uint32(advance & MASK_32)
        starts = [0, *(np.flatnonzero(jumps) + 1).tolist()]
        firsts = np.empty(len(heads), dtype=np.uint64)
        for start, stop in zip(starts, [*starts[1:], len(heads)], strict=True):
            wire = int(ticks[start])
            fault, first = self._judge(int(sequences[start]), wire, step, maker.received_ns)
            if first + (stop - start) * advance > _LARGEST_TICK:
                words = "device ticks ran past what 64 bits hold"
                fault, first = (FaultCause.DEVICE_RESTARTED, words, 0), wire
            _report(fault, trouble if start == 0 else None, start * samples, maker)
            firsts[start:stop] = np.uint64(first) + np.arange(
                stop - start, dtype=np.uint64
            ) * np.uint64(advance)
            self._known = True
            self._sequence = int(sequences[stop - 1])
            self._first = int(firsts[stop - 1])
            self._advance, self._samples = advance, samples
            self._received_ns = maker.received_ns
        return firsts

    def _judge(
        self, sequence: int, wire: int, step: int, received_ns: int
    ) -> tuple[tuple[FaultCause, str, int] | None, int]:
        """Place one frame after the last: (cause, words, records lost) or None; wide tick."""
        if not self._known:
            return None, wire
        lost = (sequence - self._sequence - 1) & MASK_32
        elapsed_s = max(0.0, (received_ns - self._received_ns) / 1e9)
        expected = self._first + (lost + 1) * self._advance
        first = nearest(expected, wire)
        slack = max(step, self._advance if lost else 0, (expected - self._first) // 100)
        device_s = (first - self._first) / self._tick_hz
        # A front end may run ahead of us (replay, a drained buffer), never far behind.
        behind = elapsed_s - device_s > 1.0 + 0.1 * device_s
        if lost < _HALF and abs(first - expected) <= slack and first > self._first:
            if lost == 0 and first == expected:
                return None, first
            if lost == 0:
                off = first - expected
                words = f"device clock {off:+d} ticks off its even steps between two frames"
                return (FaultCause.LOST_FRAMES, words, max(0, off // step)), first
            if not behind:
                words = f"frames missing by sequence: {lost} ({device_s:.3f} s)"
                return (FaultCause.LOST_FRAMES, words, lost * self._samples), first
        return self._by_host_clock(sequence, wire, step, elapsed_s)

    def _by_host_clock(
        self, sequence: int, wire: int, step: int, elapsed_s: float
    ) -> tuple[tuple[FaultCause, str, int], int]:
        """Sequence and tick disagree: the tick fits the time that passed, or a restart."""
        first = nearest(self._first + round(elapsed_s * self._tick_hz), wire)
        device_s = (first - self._first) / self._tick_hz
        missing = (first - self._first - self._advance) // step
        numbers = f"sequence {self._sequence} then {sequence}"
        if missing >= 0 and abs(device_s - elapsed_s) <= 1.0 + 0.01 * elapsed_s:
            words = f"{numbers}, the device clock ran on {device_s:.3f} s"
            return (FaultCause.LOST_FRAMES, words, missing), first
        words = f"{numbers}, device tick {self._first & MASK_32} then {wire}"
        return (FaultCause.DEVICE_RESTARTED, words, 0), later(self._first + self._advance, wire)


def _report(
    fault: tuple[FaultCause, str, int] | None,
    trouble: tuple[FaultCause, str, int] | None,
    ahead: int,
    maker: BatchMaker,
) -> None:
    """One fault for one hole: bytes damaged and frames missing are the same event."""
    if fault is None and trouble is None:
        return
    cause, sequence_words, lost = fault or (None, "", 0)
    damage, damage_words, dropped = trouble or (None, "", 0)
    if damage and cause is not FaultCause.DEVICE_RESTARTED:
        cause = damage
    if cause is not None:
        detail = "; ".join(part for part in (damage_words, sequence_words) if part)
        maker.fault(cause, detail, ahead=ahead, lost=lost, dropped=dropped)


def _equal_heads(buffer: bytes, at: int, size: int) -> int:
    """Count the frames from ``at`` on with the same sync, shape and clock."""
    frames = (len(buffer) - at) // size
    rows: NDArray[np.uint8] = np.ndarray(
        (frames, _HEAD_BYTES), np.dtype(np.uint8), buffer, at, (size, 1)
    )
    same = (rows[:, _SAME] == rows[0, _SAME]).all(axis=1)
    return frames if same.all() else int(np.argmin(same))


def _checks(view: bytes | memoryview, at: int, size: int) -> bool:
    body_end = at + size - _CRC_BYTES
    stated = int.from_bytes(view[body_end : at + size], "little")
    return zlib.crc32(view[at + 2 : body_end]) == stated


class LoadCellFrames(LinkDriver):
    """The load-cell front end on a link."""

    description = DriverDescription(role=Role.FORCE, usual_hz=2000.0, host_clock=False)

    @classmethod
    def layout_for(cls, options: Mapping[str, object], *, device_id: str) -> Layout:
        """Shape of the records for these options, without a port."""
        settings = settings_from_options(LoadCellSettings, options, device_id)
        return LoadCellDecoder(channels=settings.channels, tick_hz=settings.tick_hz).layout

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
    ) -> LoadCellFrames:
        """Open the port; see :func:`drivers.interface.registry.open_driver`."""
        settings = settings_from_options(LoadCellSettings, options, device_id)
        fresh = LoadCellDecoder(channels=settings.channels, tick_hz=settings.tick_hz)
        return cls.on_port(
            port, fresh, settings, device_id=device_id, after=after, now_ns=now_ns,
            opener=opener,
        )  # fmt: skip

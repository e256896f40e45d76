"""How the time of a run is known, in words: UTC with its witnesses, and the ticks of devices."""

from __future__ import annotations

import math
from dataclasses import dataclass
from typing import TYPE_CHECKING, Final

import numpy as np

from calibration.quantities.written import short_time
from calibration.utc.leap_seconds import TABLE_EXPIRES, TABLE_SOURCE, table_covers
from calibration.utc.spans import DAY_NS
from recorder.run.time.timeline import TieSource, impossible_ticks
from recorder.run.time.utc import utc_text

if TYPE_CHECKING:
    from recorder.run_file.hdf5.reader import RunFile

__all__ = ["ClockOfRun", "clock_of", "clock_words"]

ALIKE_PPM: Final = 3000.0
"""No two devices with crystals are off so far."""
RECEIVER_ALIKE: Final = 0.2
"""Of its rate, that a receiver heard by uneven sentences agrees to."""
ALIKE: Final = 0.05
"""Of the rate, that clocks off together agree to."""
UNHEARD: Final = (
    "it was not worked out: the run was sealed by an earlier version; testcar verify --deep works"
    " it out"
)


@dataclass(frozen=True, slots=True, kw_only=True)
class ClockOfRun:
    """What ties run time to UTC, and device ticks to run time."""

    source: str
    u_s: float | None
    """Greatest standard uncertainty of UTC over the run; ``None`` when UTC is not known."""
    began_utc: str
    """By that source, whether UTC is known or not."""
    known: bool
    judged: bool
    """Whether the file is sealed, and so its witnesses were asked as far as its version did."""
    why: str
    """Why UTC is known no better, or not at all; empty when its witnesses agree."""
    contradicted: bool
    """Whether a witness is doubted or refuted."""
    witnesses: tuple[str, ...]
    """A line each."""
    delay_s: float | None
    """Delay of the receiver's sentences after the pulses, as measured; ``None`` without pulses."""
    ticks: tuple[str, ...]
    """What must be told of devices' clocks, a line each."""
    computer_off_days: float
    """How far the computer's clock was off at the beginning, where UTC is known and that is half a
    day or more; else 0."""
    own_clocks: tuple[str, ...]
    """Devices with a clock of their own that was tied to the computer's."""
    impossible: tuple[str, ...]
    """Ticks that no clock of this computer can have kept: times are not what they say."""
    simulated_speed: float | None
    """Run seconds in a second of the computer, where time was simulated; 0: as fast as it went."""
    leap_seconds_known_until: str
    """ISO day on which the table of this version ends."""
    leap_seconds_source: str
    """Whose copy of the list is gone by."""
    leap_seconds_known: bool
    """Whether the run ended before that."""

    @property
    def source_words(self) -> str:
        """The source as people write it; files keep their own word."""
        return self.source.replace("gnss", "GNSS")


def clock_of(run: RunFile) -> ClockOfRun:
    """How the time of an opened run is known.

    Raises
    ------
    RunFileError
        Something in it does not read.
    """
    utc = run.utc
    u_s = float(np.max(utc.u_s(np.linspace(0.0, max(run.duration_s, 0.0), 101))))
    judgement = utc.judgement
    heard = judgement is not None
    alike = _all_alike(run)
    return ClockOfRun(
        source=utc.source,
        u_s=u_s if math.isfinite(u_s) else None,
        began_utc=utc_text(int(utc.utc_ns(0.0))),
        known=utc.known if judgement is None else judgement.known,
        judged=run.complete,
        why=judgement.why if judgement is not None else UNHEARD if run.complete else "",
        contradicted=heard and judgement is not None and judgement.contradicted,
        witnesses=() if judgement is None else tuple(w.in_words for w in judgement.witnesses),
        delay_s=None
        if judgement is None or math.isnan(judgement.delay_s)
        else judgement.delay_s,
        ticks=(*_findings(run), *alike),
        computer_off_days=_computer_off_days(run),
        own_clocks=tuple(
            name for name, off in sorted(_clocks_off_ppm(run).items()) if math.isfinite(off)
        ),
        impossible=(
            *_impossible(run),
            *_unpaced(run),
            *(alike if _receiver_alike(run) else ()),
        ),
        simulated_speed=run.header.simulated_speed,
        leap_seconds_known_until=TABLE_EXPIRES.isoformat(),
        leap_seconds_source=TABLE_SOURCE,
        leap_seconds_known=table_covers(int(utc.utc_ns(run.duration_s))),
    )


def _computer_off_days(run: RunFile) -> float:
    if not run.utc.known or run.header.simulated_speed is not None:
        return 0.0
    days = (run.header.started_utc_ns - int(run.utc.utc_ns(0.0))) / DAY_NS
    return days if abs(days) >= 0.5 else 0.0


def _findings(run: RunFile) -> list[str]:
    return [
        f"{name}: {words}"
        for name, ties in sorted(run.tick_ties().items())
        for tie in ties
        for words in tie.findings
    ]


def _impossible(run: RunFile) -> list[str]:
    return [
        f"{name}: {words}"
        for name, ties in sorted(run.tick_ties().items())
        for tie in ties
        for words in impossible_ticks(tie)
    ]


def _unpaced(run: RunFile) -> list[str]:
    """Of a run as fast as it went: what is timed by the computer lies nowhere among what is timed
    by ticks."""
    if run.header.simulated_speed != 0.0:
        return []
    by_receipt = [
        name
        for name, ties in sorted(run.tick_ties().items())
        if ties and run.devices[name].header.host_clock
    ]
    by_receipt += ["marks"] * bool(run.marks())
    if not by_receipt:
        return []
    return [
        f"{' and '.join(by_receipt)}: timed by the computer, in a run as fast as it went; they lie"
        " elsewhere than what is timed by the devices' ticks, so that neither places nor speeds"
        " agree: feed or replay it at a speed that is kept, or let testcar demo record a day in"
        " simulated time"
    ]


def _all_alike(run: RunFile) -> list[str]:
    """Devices with clocks of their own that are all off by the same: it is the computer's clock
    that is, or time was fast or slow on purpose."""
    off = {name: rate for name, rate in _clocks_off_ppm(run).items() if math.isfinite(rate)}
    rates = np.array(list(off.values()))
    if (
        len(rates) < 2
        or np.abs(rates).min() < ALIKE_PPM
        or run.header.simulated_speed is not None
    ):
        return []
    if np.ptp(rates) > ALIKE * np.abs(rates).max():
        return []
    return [
        f"{' and '.join(sorted(off))}: their clocks are all off by {np.mean(rates) / 1e4:+.3g} %"
        " alike: the computer's clock is, or time was simulated (car sheet, [recording]"
        " simulated_speed)"
    ]


def _clocks_off_ppm(run: RunFile) -> dict[str, float]:
    """By device with a clock of its own, how far that is off at the most; NaN: not found out."""
    off = {}
    for name, ties in run.tick_ties().items():
        if not run.devices[name].header.host_clock:
            rates = [tie.drift_ppm for tie in ties if tie.source is TieSource.FIT]
            off[name] = max(rates, key=abs, default=math.nan)
    return off


def _receiver_alike(run: RunFile) -> bool:
    """Whether the receiver's seconds are off by the same as the devices': three against one."""
    judgement = run.utc.judgement
    if judgement is None or not judgement.fast_by:
        return False
    fast_ppm = 1e6 * judgement.fast_by
    return all(
        abs(off - fast_ppm) < RECEIVER_ALIKE * abs(fast_ppm)
        for off in _clocks_off_ppm(run).values()
    )


def _fast(speed: float) -> str:
    if speed == 0.0:
        return "unpaced"
    return "by every clock alike" if speed == 1.0 else f"{speed:g} times real time"


def clock_words(clock: ClockOfRun) -> list[str]:
    """Of the time of a run, a line each: when it began, why it is known so well, who said what."""
    if clock.known and clock.u_s is not None:
        began = f"began {clock.began_utc} ({clock.source_words}, u = {short_time(clock.u_s)})"
        lines = [f"{began}; {clock.why}" if clock.why else began]
    else:
        why = f": {clock.why}" if clock.why else ""
        lines = [f"began {clock.began_utc} by the {clock.source_words}, which nothing confirms"]
        if clock.judged:
            lines.insert(0, f"UTC is not known{why}")
        else:
            lines.append("how well UTC is known is worked out when the run is sealed")
    if clock.computer_off_days:
        lines.append(
            f"caution: the computer's clock was {clock.computer_off_days:+.1f} days off when the"
            " run began; expiry of certificates was looked at by it while recording"
        )
    if clock.contradicted:
        lines += [f"  {words}" for words in clock.witnesses]
    if clock.delay_s is not None:
        lines.append(f"the receiver's sentences follow the pulses by {clock.delay_s:.3f} s")
    if clock.simulated_speed is not None:
        lines.append(f"time was simulated, {_fast(clock.simulated_speed)}")
    if not clock.leap_seconds_known:
        lines.append(
            f"caution: leap seconds are known until {clock.leap_seconds_known_until} (list of"
            f" {clock.leap_seconds_source}) and the run is later: its UTC may be whole seconds off;"
            " bring the tz database up to date"
        )
    return [*lines, *(f"caution: {words}" for words in clock.ticks)]

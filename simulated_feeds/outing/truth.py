"""The truth beside a feed: what the train really did, for tests to hold a recording against.

The feed writes ``truth.csv`` on its own clock (simulated time 0 when the devices began), with UTC.
Once a recording is known, :func:`write_truth` gives the same on the recording's run time.
"""

from __future__ import annotations

import csv
import json
from datetime import UTC, datetime, timedelta
from pathlib import Path
from typing import IO, TYPE_CHECKING, Any, Final

import numpy as np

from calibration.quantities.printable import error_line
from simulated_feeds.settings.errors import FeedError

if TYPE_CHECKING:
    from collections.abc import Iterable

    from numpy.typing import NDArray

    from simulated_feeds.physics.motion import Motion

__all__ = ["COLUMNS", "TruthWriter", "read_feed_note", "utc_text", "write_truth"]

COLUMNS: Final = (
    "time_s", "utc", "pull_kN", "speed_m_s", "distance_m", "chainage_m", "acceleration_m_s2",
    "effort_kN", "throttle", "brake", "slip_m_s",
)  # fmt: skip
NOTE: Final = "feed.json"
"""What the feed knows of itself, beside its truth."""
TRUTH: Final = "truth.csv"
_EPOCH: Final = datetime(1970, 1, 1, tzinfo=UTC)
_MOST_STANDING_S: Final = 600.0


def utc_text(utc_ns: int) -> str:
    """ISO 8601 with microseconds and Z."""
    return f"{_EPOCH + timedelta(microseconds=utc_ns // 1000):%Y-%m-%dT%H:%M:%S.%f}Z"


class TruthWriter:
    """Writes rows of truth at even steps of simulated time.

    Parameters
    ----------
    stream
        Text file, opened with ``newline=""``.
    utc0_ns
        UTC at simulated time 0.
    rate_hz
        Rows a second.
    """

    def __init__(self, stream: IO[str], *, utc0_ns: int, rate_hz: float = 200.0) -> None:
        self._stream, self._utc0_ns = stream, utc0_ns
        self._step_s = 1.0 / rate_hz
        self._next = 0
        self._start_m: float | None = None
        stream.write(",".join(COLUMNS) + "\n")

    def add(self, motion: Motion, until_s: float = float("inf")) -> None:
        """Write the rows of a stretch, none at or beyond ``until_s``."""
        if self._start_m is None:
            self._start_m = float(motion.s_m[0])
        end = min(float(motion.t_s[-1]) + 1e-9, until_s)
        last = int(end / self._step_s) + 1
        t = np.arange(self._next, last) * self._step_s
        t = t[t < end]
        self._next += t.size
        if t.size == 0:
            return
        names = (
            "pull_N",
            "v_m_s",
            "s_m",
            "a_m_s2",
            "effort_N",
            "throttle",
            "brake",
            "slip_m_s",
        )
        columns = [np.interp(t, motion.t_s, getattr(motion, n)).tolist() for n in names]
        lines = []
        for at, pull, v, s, a, effort, throttle, brake, slip in zip(
            t.tolist(), *columns, strict=True
        ):
            utc = utc_text(self._utc0_ns + round(at * 1e9))
            lines.append(
                f"{at:.6f},{utc},{pull / 1e3:.6f},{v:.6f},{s - self._start_m:.5f},{s:.5f},"
                f"{a:.5f},{effort / 1e3:.4f},{throttle:.4f},{brake:.4f},{slip:.4f}\n"
            )
        self._stream.write("".join(lines))


def read_feed_note(folder: Path | str) -> dict[str, Any]:
    """What the feed wrote of itself: ``simulated0_monotonic_ns``, ``utc0_ns``, ``speed``, ports.

    Raises
    ------
    FeedError
        There is none, or it does not read.
    """
    path = Path(folder) / NOTE
    try:
        note = json.loads(path.read_text(encoding="utf-8"))
    except (OSError, ValueError) as error:
        msg = f"{path}: no note of a feed ({error_line(error)})"
        raise FeedError(msg) from error
    if not isinstance(note, dict):
        msg = f"{path}: not the note of a feed"
        raise FeedError(msg)
    return note


def write_truth(
    feed_dir: Path | str,
    run_started_monotonic_ns: int,
    out_csv: Path | str,
    *,
    duration_s: float | None = None,
) -> int:
    """Write the truth of a recording: ``time_s`` from its start, distance 0 at its start.

    Parameters
    ----------
    feed_dir
        Folder of the feed, with its ``truth.csv``.
    run_started_monotonic_ns
        ``machine.clocks.now_ns()`` at run time 0, of the same boot.
    out_csv
        Written anew.
    duration_s
        Rows later than this are left out.

    Returns
    -------
    int
        Rows written. Where the run began before the devices did, standing rows come first.

    Raises
    ------
    FeedError
        The feed never began, or its truth does not read.
    """
    note = read_feed_note(feed_dir)
    began = note.get("simulated0_monotonic_ns")
    if not isinstance(began, int):
        msg = f"{feed_dir}: the feed never began: nobody opened its ports"
        raise FeedError(msg)
    utc0_ns, speed = int(note["utc0_ns"]), float(note["speed"])
    shift_s = (began - run_started_monotonic_ns) / 1e9
    rows = list(_read_rows(Path(feed_dir) / TRUTH))
    if not rows:
        msg = f"{feed_dir}: its truth is empty"
        raise FeedError(msg)
    table = np.array([[float(row[0]), *map(float, row[2:])] for row in rows])
    run_s = shift_s + table[:, 0] / speed
    start_m = float(np.interp(0.0, run_s, table[:, 3]))
    keep = (run_s >= 0.0) & (run_s <= (np.inf if duration_s is None else duration_s))
    shifted = _standing_rows(run_s, table, shift_s, speed, utc0_ns)
    for i in np.flatnonzero(keep).tolist():
        row = rows[i]
        distance = f"{table[i, 3] - start_m:.5f}"
        shifted.append([f"{run_s[i]:.6f}", *row[1:4], distance, *row[5:]])
    with Path(out_csv).open("w", encoding="utf-8", newline="") as stream:
        writer = csv.writer(stream, lineterminator="\n")
        writer.writerow(COLUMNS)
        writer.writerows(shifted)
    return len(shifted)


def _standing_rows(
    run_s: NDArray[np.float64],
    table: NDArray[np.float64],
    shift_s: float,
    speed: float,
    utc0_ns: int,
) -> list[list[str]]:
    """Rows before the devices began, at the truth's own step."""
    if shift_s <= 0.0 or len(run_s) < 2 or table[0, 2] != 0.0:
        return []
    step, first = float(run_s[1] - run_s[0]), float(run_s[0])
    rest = ["0.000000", "0.000000", "0.00000", f"{table[0, 4]:.5f}"]
    rest += [f"{x:g}" for x in table[0, 5:]]
    n = int(min(shift_s, _MOST_STANDING_S) / step)
    return [
        [f"{first - k * step:.6f}", utc_text(utc0_ns - round(k * step * speed * 1e9)), *rest]
        for k in range(n, 0, -1)
        if first >= k * step
    ]


def _read_rows(path: Path) -> Iterable[list[str]]:
    try:
        with path.open(encoding="utf-8", newline="") as stream:
            reader = csv.reader(stream)
            header = next(reader, None)
            if header is None or tuple(header) != COLUMNS:
                msg = f"{path}: not the truth of a feed"
                raise FeedError(msg)
            # A feed that was killed leaves its last row cut.
            yield from (row for row in reader if len(row) == len(COLUMNS) and row[-1] != "")
    except OSError as error:
        msg = f"{path}: {error.strerror}"
        raise FeedError(msg) from error

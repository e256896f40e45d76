"""The marks of a running recording: checked, made durable, then acknowledged."""

from __future__ import annotations

import math
import re
import threading
import time
from collections.abc import Mapping
from dataclasses import replace
from typing import TYPE_CHECKING, Any, Final

from recorder.marks.kinds import MAX_NOTE, check_value, find_kind
from recorder.marks.mark import Mark

if TYPE_CHECKING:
    from collections.abc import Callable

__all__ = ["MarkRefusedError", "MarkRegister"]

_ID: Final = re.compile(r"[0-9a-f]{32}\Z")
_AHEAD_NS: Final = 2_000_000
"""A key-down may not lie in the future; clocks of one machine agree better than this."""
CLOSE_S: Final = 0.2
"""Two marks of one kind nearer than this are kept and said to be near: a bounced key?"""
MAX_EXTRA: Final = 32


class MarkRefusedError(ValueError):
    """The mark cannot be kept as it is; one line."""


class MarkRegister:
    """All revisions of the run so far. Any thread may call.

    ``commit`` makes one revision durable and returns only then. ``open_ns`` is the earliest
    key-down there can be: while a zero is taken before the run, that is before run time 0.
    """

    def __init__(
        self,
        commit: Callable[[Mark], None],
        *,
        start_ns: int,
        open_ns: int,
        software: str,
        by: str = "",
        now_ns: Callable[[], int] = time.monotonic_ns,
        utc_ns: Callable[[], int] = time.time_ns,
    ) -> None:
        self._commit = commit
        self._start_ns = start_ns
        self._open_ns = open_ns
        self._software = software
        self._by = by
        self._now_ns = now_ns
        self._utc_ns = utc_ns
        self._guard = threading.Lock()
        self._revisions: list[Mark] = []
        self._newest: dict[str, Mark] = {}
        self._last_t: dict[str, float] = {}
        self._closed = False

    def __len__(self) -> int:
        return len(self._revisions)

    def since(self, number: int) -> list[Mark]:
        """Revisions from that number on, in the order they were kept."""
        return self._revisions[max(number, 0) :]

    def close(self) -> int:
        """Take no more, because the journal is about to be closed; how many are kept."""
        with self._guard:
            self._closed = True
        return len(self._revisions)

    def take(self, words: Mapping[str, Any]) -> Mark:
        """Keep a mark just keyed.

        ``words`` has ``mark_id, kind, keyed_monotonic_ns, value, note, by, extra``.

        The same ``mark_id`` again (an answer got lost) gives the mark kept the first time.

        Raises
        ------
        MarkRefusedError, MarkValueError
            Nothing was kept.
        """
        keyed = words.get("keyed_monotonic_ns")
        mark_id = words.get("mark_id")
        if not isinstance(mark_id, str) or not _ID.match(mark_id):
            msg = f"mark_id must be 32 hexadecimal digits, got {mark_id!r:.60}"
            raise MarkRefusedError(msg)
        with self._guard:
            if (held := self._newest.get(mark_id)) is not None:
                return held
            self._must_be_open()
            t_s = self._instant(keyed)
            kind = find_kind(_text(words, "kind", 40)).name
            extra = _extra(words)
            if 0.0 <= t_s - self._last_t.get(kind, -math.inf) < CLOSE_S:
                extra["since_last_s"] = round(t_s - self._last_t[kind], 4)
            mark = Mark(
                mark_id=mark_id,
                kind=kind,
                t_s=t_s,
                value=check_value(kind, _text(words, "value", 4000)),
                note=_text(words, "note", MAX_NOTE),
                by=_text(words, "by", 100) or self._by,
                entered_utc_ns=self._utc_ns(),
                software=self._software,
                extra=extra,
            )
            self._keep(mark)
        return mark

    def revise(self, words: Mapping[str, Any]) -> Mark:
        """Keep the next revision of a mark, given as ``{"mark": Mark.to_dict()}``.

        Raises
        ------
        MarkRefusedError, MarkValueError
            No such mark, not the next revision, or a value of the wrong form.
        """
        data = words.get("mark")
        if not isinstance(data, dict):
            msg = f"mark must be a table, got {type(data).__name__}"
            raise MarkRefusedError(msg)
        with self._guard:
            self._must_be_open()
            held = self._newest.get(str(data.get("mark_id")))
            if held is None:
                msg = f"no mark {data.get('mark_id')!r:.60} in this run"
                raise MarkRefusedError(msg)
            if data.get("revision") != held.revision + 1:
                msg = (
                    f"the next revision of this mark is {held.revision + 1},"
                    f" got {data.get('revision')!r:.20}; somebody else changed it"
                )
                raise MarkRefusedError(msg)
            mark = replace(self._checked(data, held), entered_utc_ns=self._utc_ns())
            self._keep(mark)
        return mark

    def _checked(self, data: Mapping[str, Any], held: Mark) -> Mark:
        kind = find_kind(_text(data, "kind", 40) or held.kind).name
        t_s = data.get("t_s", held.t_s)
        if isinstance(t_s, bool) or not isinstance(t_s, int | float) or not math.isfinite(t_s):
            msg = f"t_s must be a number, got {t_s!r:.40}"
            raise MarkRefusedError(msg)
        earliest, latest = self._run_s(self._open_ns), self._run_s(self._now_ns())
        if not earliest <= t_s <= latest:
            msg = (
                f"a mark lies between the recording's start and now, {earliest:.1f} to"
                f" {latest:.1f} s of run time, got {t_s:g}"
            )
            raise MarkRefusedError(msg)
        withdrawn = data.get("withdrawn", False)
        if not isinstance(withdrawn, bool):
            msg = f"withdrawn must be true or false, got {withdrawn!r:.40}"
            raise MarkRefusedError(msg)
        return Mark(
            mark_id=held.mark_id,
            revision=held.revision + 1,
            kind=kind,
            t_s=float(t_s),
            value=check_value(kind, _text(data, "value", 4000)),
            note=_text(data, "note", MAX_NOTE),
            withdrawn=withdrawn,
            by=_text(data, "by", 100) or self._by,
            software=self._software,
            extra=_extra(data),
        )

    def _must_be_open(self) -> None:
        if self._closed:
            msg = "the run is being sealed: it takes no more marks"
            raise MarkRefusedError(msg)

    def _run_s(self, monotonic_ns: int) -> float:
        return (monotonic_ns - self._start_ns) / 1e9

    def _keep(self, mark: Mark) -> None:
        self._commit(mark)
        self._revisions.append(mark)
        self._newest[mark.mark_id] = mark
        if not mark.revision:
            self._last_t[mark.kind] = mark.t_s

    def _instant(self, keyed: object) -> float:
        now = self._now_ns()
        if isinstance(keyed, bool) or not isinstance(keyed, int):
            msg = f"keyed_monotonic_ns must be a whole number, got {keyed!r:.40}"
            raise MarkRefusedError(msg)
        if keyed < self._open_ns:
            msg = f"keyed {(self._open_ns - keyed) / 1e9:.1f} s before the recording began"
            raise MarkRefusedError(msg)
        if keyed > now + _AHEAD_NS:
            ahead = (keyed - now) / 1e9
            msg = f"keyed {ahead:.3g} s in the future; is the clock another machine's?"
            raise MarkRefusedError(msg)
        return self._run_s(keyed)


def _text(words: Mapping[str, Any], key: str, most: int) -> str:
    value = words.get(key, "")
    if not isinstance(value, str):
        msg = f"{key} must be text, got {value!r:.40}"
        raise MarkRefusedError(msg)
    if len(value) > most:
        msg = f"{key} must be at most {most} characters, got {len(value)}"
        raise MarkRefusedError(msg)
    try:
        value.encode("utf-8")
    except UnicodeEncodeError as error:
        msg = f"{key} holds characters that cannot be written"
        raise MarkRefusedError(msg) from error
    return value


def _extra(words: Mapping[str, Any]) -> dict[str, Any]:
    value = words.get("extra", {})
    if not isinstance(value, dict) or len(value) > MAX_EXTRA:
        msg = f"extra must be a table of at most {MAX_EXTRA} numbers or texts"
        raise MarkRefusedError(msg)
    for key, item in value.items():
        plain = item is None or isinstance(item, str | bool | int | float)
        if not plain or (isinstance(item, float) and not math.isfinite(item)):
            msg = f"extra {key!r:.40} must be a finite number, text, true or false"
            raise MarkRefusedError(msg)
    return dict(value)
